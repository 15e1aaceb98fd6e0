"""What a fitted temperature means: control, resistance, margins, throughput lost to heat."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from statistics import median

import numpy as np

from harness.statistics.dependence import DependencePrior, pool_dependence
from harness.statistics.quantiles import student_two_sided
from harness.statistics.ratio import logs_of, ratio_from_terms
from harness.statistics.sides import Side, within_terms
from harness.statistics.summary import mean_of
from harness.statistics.thermal import (
    MOST_LAG1,
    NOISE_WINDOWS,
    WINDOW_SAMPLES,
    ThermalFit,
    without_line,
)
from harness.statistics.validation import require_positive

#: Numbers of blocks that a series is divided into.
DIVISIONS = (2, 3, 10)
#: Chance that a division of any series of a load shows a change where all is noise.
CHANGE_LEVEL = 0.01
#: A block of fewer readings is not told from noise.
LEAST_BLOCK = 5
#: Readings of the throughput follow each other directly, unlike trials in rounds of random order:
#: what they show of their dependence is believed.
READINGS_PRIOR = DependencePrior(mean=0.3, sd=2.0)
#: A soak's throughput is compared where it has at least so many readings.
LEAST_READINGS = 6


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
    """The finding with the reason in one sentence.

    `changes` are percent by quantity measured: of several clocks or fans, the largest.
    `clock_moved` is None where no clock was measured.
    """

    control: Control
    changes: tuple[tuple[str, float], ...]
    missing: tuple[str, ...]
    why: str
    clock_moved: bool | None = None


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


def relative_change_percent(values: Sequence[float], level: float = CHANGE_LEVEL) -> float | None:
    """Largest difference of block means, in percent of the overall mean; 0 where all is noise.

    Blocks, because single readings of a clock or a tachometer jump without being regulated: two,
    three and ten of equal length, and ten with the first split at its fifth, as a clock that is
    cut back soon after the start is regulated. A difference counts where noise exceeds it with a
    chance of `level` in its division. What stands still (a stopped fan) has not changed.
    """
    if len(values) < 2:
        return None
    if not any(values):
        return 0.0
    mean = mean_of(values)
    if mean == 0.0:
        return None
    noise = _noise_of(values)
    ranges = (_noticed_range(values, edges, noise, level) for edges in _partitions(len(values)))
    return 100.0 * max(ranges, default=0.0) / abs(mean)


@dataclass(frozen=True)
class _Noise:
    """Scatter about a slow change: variance of what adds up over time, and degrees of freedom."""

    variance: float
    degrees: float


def _noise_of(values: Sequence[float]) -> _Noise:
    """The noise of readings in which a slow change hardly shows, and one step neither.

    A line is taken out of each window, as for the residuals of a fit (thermal.py), and the median
    window stands for all, so that a step inside one of them is no noise. Its variance is inflated
    by (1 + r) / (1 - r) for the lag-1 correlation r, freed of most of its bias (Kendall 1954,
    Biometrika 41:403-404). At least that of successive readings, which knows of rare jumps, too
    (von Neumann 1941, Ann. Math. Statist. 12:367-395).
    """
    count = len(values)
    windows = max(1, min(NOISE_WINDOWS, count // WINDOW_SAMPLES))
    split = np.array_split(np.asarray(values, dtype=np.float64), windows)
    parts = [without_line(part) for part in split]
    squares = [float(part @ part) for part in parts]
    products = [float(part[1:] @ part[:-1]) for part in parts]
    found = median(p / s if s > 0.0 else 0.0 for p, s in zip(products, squares, strict=True))
    lag1 = min(MOST_LAG1, max(0.0, found + (2.0 + 4.0 * found) * windows / count))
    inflation = (1.0 + lag1) / (1.0 - lag1)
    free = max(1.0, count - 2.0 * windows)
    steps = math.fsum((later - earlier) ** 2 for earlier, later in pairwise(values))
    variance = max(inflation * median(squares) * windows / free, steps / (2.0 * (count - 1)))
    return _Noise(variance, max(1.0, free / inflation))


def _partitions(count: int) -> Iterator[list[int]]:
    """Edges of the blocks of each division that has enough readings for it."""
    for blocks in DIVISIONS:
        edges = [round(index * count / blocks) for index in range(blocks + 1)]
        if edges[1] >= LEAST_BLOCK or blocks == min(DIVISIONS):
            yield edges
            if blocks == max(DIVISIONS) and edges[1] // 5 >= LEAST_BLOCK:
                yield [0, edges[1] // 5, *edges[1:]]


def _noticed_range(
    values: Sequence[float], edges: Sequence[int], noise: _Noise, level: float
) -> float:
    """Range of the means between `edges`; 0 where as much is to be expected of noise alone."""
    means = [mean_of(values[start:end]) for start, end in pairwise(edges)]
    shortest = min(end - start for start, end in pairwise(edges))
    found = max(means) - min(means)
    factor = range_factor(len(means), level, noise.degrees)
    return found if found > factor * math.sqrt(noise.variance / shortest) else 0.0


def range_factor(blocks: int, level: float, degrees: float) -> float:
    """Range of so many means, in standard errors of one, that noise exceeds at most by `level`.

    Student's t of the difference of two, the level shared among all pairs (Bonferroni): never less
    than the studentised range (Tukey 1949, Biometrics 5:99-114), and hardly more.
    """
    pairs = blocks * (blocks - 1) / 2.0
    return math.sqrt(2.0) * student_two_sided(1.0 - level / pairs, degrees)


def find_control(
    clocks_hz: Sequence[Sequence[float]],
    fans_rpm: Sequence[Sequence[float]],
    powers_watts: Sequence[Sequence[float]],
    thresholds: ControlThresholds | None = None,
) -> ControlFinding:
    """Whether clock, fan or power changed while the temperature was fitted.

    Give one series for each core, fan or package: its samples of the fitted time, in order; an
    empty list for what was not measured. Each is judged by itself: one core cut back among many,
    or one fan, would not show in a sum. A regulated clock, fan or power means that the temperature
    was held by control and shows nothing of what the cooler would do without. The chance of a
    false finding is shared among all series (Bonferroni).
    """
    limits = thresholds or ControlThresholds()
    quantities = (
        ("clock", clocks_hz, limits.clock_percent),
        ("fan", fans_rpm, limits.fan_percent),
        ("power", powers_watts, limits.power_percent),
    )
    level = CHANGE_LEVEL / max(1, len(clocks_hz) + len(fans_rpm) + len(powers_watts))
    changes: list[tuple[str, float]] = []
    missing: list[str] = []
    moved: list[str] = []
    for name, series, limit in quantities:
        each = (relative_change_percent(item, level) for item in series)
        found = [change for change in each if change is not None]
        if not found:
            missing.append(name)
            continue
        changes.append((name, max(found)))
        if max(found) > limit:
            moved.append(f"{name} changed by {max(found):.1f} %")
    clock = dict(changes).get("clock")
    clock_moved = None if clock is None else clock > limits.clock_percent
    return replace(_finding(changes, missing, moved), clock_moved=clock_moved)


def _finding(
    changes: list[tuple[str, float]], missing: list[str], moved: list[str]
) -> ControlFinding:
    if moved:
        why = "held by control: " + ", ".join(moved)
        return ControlFinding(Control.HELD, tuple(changes), tuple(missing), why)
    if not changes:
        why = "whether clock, fan and power stayed constant is not known: none was measured"
        return ControlFinding(Control.UNKNOWN, (), tuple(missing), why)
    if missing:
        why = f"constant as far as measured; not measured: {', '.join(missing)}"
        return ControlFinding(Control.UNKNOWN, tuple(changes), tuple(missing), why)
    why = "clock, fan and power stayed constant"
    return ControlFinding(Control.CONSTANT, tuple(changes), (), why)


def system_resistance(
    fit: ThermalFit,
    ambient_celsius: float | None,
    power_watts: float | None,
    control: ControlFinding,
) -> SystemResistance:
    """(steady temperature - ambient) / power, with the interval of the steady temperature.

    The form of JESD51-1 (both temperatures steady), applied to the whole system. The ambient
    temperature and the power are taken as exact. A temperature that was held by control has none.
    """
    if control.control is Control.HELD:
        return SystemResistance(None, None, None, control.why)
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


def thermal_margin(
    fit: ThermalFit,
    limit_celsius: float,
    control: ControlFinding,
    ambient_celsius: float | None = None,
    worst_ambient_celsius: float | None = None,
) -> ThermalMargin:
    """Margin of the steady temperature to a limit, now and at the worst declared ambient.

    At constant power a warmer room shifts every temperature by as much (the resistance does not
    change): steady + (worst - ambient). A room that is warmer than the worst day declared makes no
    margin larger. No claim is made where the temperature was held by control.
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
    shift = max(0.0, worst_ambient_celsius - ambient_celsius)
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

    Welch on logarithms, widened for the serial dependence that the readings show. `throughputs`:
    readings in order, each over the same length of time.
    """
    count = len(throughputs)
    if count < LEAST_READINGS:
        readings = "1 reading" if count == 1 else f"{count} readings"
        reason = f"{readings} of the throughput, {LEAST_READINGS} are needed"
        return HeatLoss(None, None, None, confidence, reason)
    cold = throughputs[: max(2, math.ceil(cold_share * count))]
    hot = throughputs[count - max(2, int(hot_share * count)) :]
    first, last = logs_of(cold), logs_of(hot)
    if first is None or last is None:
        return HeatLoss(None, None, None, confidence, "a throughput of 0 has no ratio")
    pooled = pool_dependence([first, last], READINGS_PRIOR)
    terms = within_terms(Side((tuple(first),)), Side((tuple(last),)), pooled.used)
    ratio = ratio_from_terms(mean_of(last) - mean_of(first), terms, confidence, "Welch")
    if ratio.ratio is None or ratio.low is None or ratio.high is None:
        lost = None if ratio.ratio is None else 100.0 * (1.0 - ratio.ratio)
        return HeatLoss(lost, None, None, confidence, ratio.reason)
    lost, low, high = (100.0 * (1.0 - value) for value in (ratio.ratio, ratio.high, ratio.low))
    return HeatLoss(lost, low, high, confidence, None)
