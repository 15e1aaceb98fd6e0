"""What a fitted temperature means: control, resistance, margins, throughput lost to heat."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from harness.statistics.dependence import pool_dependence
from harness.statistics.ratio import logs_of, ratio_from_terms
from harness.statistics.sides import Side, within_terms
from harness.statistics.summary import mean_of
from harness.statistics.thermal import ThermalFit
from harness.statistics.validation import require_positive


class Control(StrEnum):
    """Whether something regulated the temperature while it was fitted."""

    CONSTANT = "constant"
    HELD = "held by control"
    UNKNOWN = "not known"


@dataclass(frozen=True)
class ControlThresholds:
    """Change of a quantity over the load, in percent of its mean, from which it was regulated.

    Common practice, no source: a clock is steady to a fraction of a percent, a fan's tachometer
    to a few, power follows the temperature's own leakage by one or two.
    """

    clock_percent: float = 1.0
    fan_percent: float = 5.0
    power_percent: float = 5.0


@dataclass(frozen=True)
class ControlFinding:
    """The finding with the reason in one sentence; `changes` are percent by quantity measured."""

    control: Control
    changes: tuple[tuple[str, float], ...]
    missing: tuple[str, ...]
    why: str


@dataclass(frozen=True)
class SystemResistance:
    """Effective system resistance in degrees Celsius per watt, with limits.

    Not the theta-JA of JESD51-2A, which is defined on a standard board in still air: this one
    belongs to the whole machine, its cooler, case and fan setting.
    """

    celsius_per_watt: float | None
    low: float | None
    high: float | None
    reason: str | None


@dataclass(frozen=True)
class ThermalMargin:
    """Distance of the steady temperature from a limit, now and on a hot day, with limits.

    Everything is None with a `reason` where no claim can be made.
    """

    margin_celsius: float | None
    low_celsius: float | None
    high_celsius: float | None
    hot_day_celsius: float | None
    hot_day_low_celsius: float | None
    hot_day_high_celsius: float | None
    reason: str | None
    hot_day_reason: str | None


@dataclass(frozen=True)
class HeatLoss:
    """Throughput lost between the start and the end of a soak, in percent of the start."""

    lost_percent: float | None
    low_percent: float | None
    high_percent: float | None
    confidence: float
    reason: str | None


def relative_change_percent(values: Sequence[float]) -> float | None:
    """Range of the means of ten successive blocks, in percent of the overall mean.

    Block means, because single readings of a clock or a tachometer jump without being regulated.
    """
    if len(values) < 2 or mean_of(values) == 0.0:
        return None
    blocks = min(10, len(values))
    edges = [round(index * len(values) / blocks) for index in range(blocks + 1)]
    means = [mean_of(values[edges[index] : edges[index + 1]]) for index in range(blocks)]
    return 100.0 * (max(means) - min(means)) / abs(mean_of(values))


def find_control(
    clock_hz: Sequence[float] | None,
    fan_rpm: Sequence[float] | None,
    power_watts: Sequence[float] | None,
    thresholds: ControlThresholds | None = None,
) -> ControlFinding:
    """Whether clock, fan or power changed while the temperature was fitted.

    Give the samples of the fitted time in order; None or an empty list for what was not measured.
    A regulated clock, fan or power means that the temperature was held by control and shows
    nothing of what the cooler would do without.
    """
    limits = thresholds or ControlThresholds()
    quantities = (
        ("clock", clock_hz, limits.clock_percent),
        ("fan", fan_rpm, limits.fan_percent),
        ("power", power_watts, limits.power_percent),
    )
    changes: list[tuple[str, float]] = []
    missing: list[str] = []
    moved: list[str] = []
    for name, values, limit in quantities:
        change = relative_change_percent(values) if values else None
        if change is None:
            missing.append(name)
            continue
        changes.append((name, change))
        if change > limit:
            moved.append(f"{name} changed by {change:.1f} %")
    return _finding(changes, missing, moved)


def _finding(
    changes: list[tuple[str, float]], missing: list[str], moved: list[str]
) -> ControlFinding:
    if moved:
        why = "held by control: " + ", ".join(moved)
        return ControlFinding(Control.HELD, tuple(changes), tuple(missing), why)
    if missing:
        why = f"constant as far as measured; not measured: {', '.join(missing)}"
        return ControlFinding(Control.UNKNOWN, tuple(changes), tuple(missing), why)
    why = "clock, fan and power stayed constant"
    return ControlFinding(Control.CONSTANT, tuple(changes), (), why)


def system_resistance(
    fit: ThermalFit, ambient_celsius: float | None, power_watts: float | None
) -> SystemResistance:
    """(steady temperature - ambient) / power, with the interval of the steady temperature.

    The form of JESD51-1 (both temperatures steady), applied to the whole system. The ambient
    temperature and the power are taken as exact.
    """
    if fit.steady_celsius is None or fit.low_celsius is None or fit.high_celsius is None:
        return SystemResistance(None, None, None, fit.reason or "no steady temperature")
    if ambient_celsius is None:
        return SystemResistance(None, None, None, "the ambient temperature is not known")
    if power_watts is None:
        return SystemResistance(None, None, None, "the power is not known")
    require_positive(power_watts, "power_watts")
    value, low, high = (
        (temperature - ambient_celsius) / power_watts
        for temperature in (fit.steady_celsius, fit.low_celsius, fit.high_celsius)
    )
    return SystemResistance(value, low, high, None)


def predicted_temperature(
    celsius_per_watt: float, power_watts: float, ambient_celsius: float
) -> float:
    """Steady temperature at another power or ambient: T = T_ambient + R * P."""
    return ambient_celsius + celsius_per_watt * power_watts


def thermal_margin(
    fit: ThermalFit,
    limit_celsius: float,
    control: ControlFinding,
    ambient_celsius: float | None = None,
    worst_ambient_celsius: float | None = None,
) -> ThermalMargin:
    """Margin of the steady temperature to a limit, now and at the worst declared ambient.

    At constant power a warmer room shifts every temperature by as much (the resistance does not
    change): steady + (worst - ambient). No claim is made where the temperature was held by control.
    """
    if control.control is Control.HELD:
        return _no_margin(control.why)
    if fit.steady_celsius is None or fit.low_celsius is None or fit.high_celsius is None:
        return _no_margin(fit.reason or "no steady temperature")
    margin = limit_celsius - fit.steady_celsius
    low, high = limit_celsius - fit.high_celsius, limit_celsius - fit.low_celsius
    if ambient_celsius is None or worst_ambient_celsius is None:
        missing = "ambient" if ambient_celsius is None else "worst ambient"
        reason = f"the {missing} temperature is not declared"
        return ThermalMargin(margin, low, high, None, None, None, None, reason)
    shift = worst_ambient_celsius - ambient_celsius
    return ThermalMargin(margin, low, high, margin - shift, low - shift, high - shift, None, None)


def _no_margin(reason: str) -> ThermalMargin:
    return ThermalMargin(None, None, None, None, None, None, reason, reason)


def heat_loss(
    throughputs: Sequence[float],
    confidence: float = 0.95,
    *,
    cold_share: float = 0.1,
    hot_share: float = 1.0 / 3.0,
) -> HeatLoss:
    """Throughput of the last third of a soak against its first tenth, in percent lost.

    Welch on logarithms, widened for serial dependence. `throughputs`: per pass, in order, all of
    equal length.
    """
    count = len(throughputs)
    cold = throughputs[: max(2, math.ceil(cold_share * count))]
    hot = throughputs[count - max(2, int(hot_share * count)) :]
    if count < 6:
        return HeatLoss(None, None, None, confidence, f"{count} passes: 6 are needed")
    first, last = logs_of(cold), logs_of(hot)
    if first is None or last is None:
        return HeatLoss(None, None, None, confidence, "a throughput of 0 has no ratio")
    pooled = pool_dependence([first, last])
    terms = within_terms(Side((tuple(first),)), Side((tuple(last),)), pooled.used)
    ratio = ratio_from_terms(mean_of(last) - mean_of(first), terms, confidence, "Welch")
    if ratio.ratio is None or ratio.low is None or ratio.high is None:
        lost = None if ratio.ratio is None else 100.0 * (1.0 - ratio.ratio)
        return HeatLoss(lost, None, None, confidence, ratio.reason)
    lost, low, high = (100.0 * (1.0 - value) for value in (ratio.ratio, ratio.high, ratio.low))
    return HeatLoss(lost, low, high, confidence, None)
