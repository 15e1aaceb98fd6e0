"""Causes that explain a disturbed trial, with the thresholds from which they count.

Variation alone does not reveal interference: a competitor on a pinned core doubled a kernel's time
at an unchanged coefficient of variation. What the record measured beside the trial does.

Every condition here slows a trial down, none makes it faster. A condition that is usual among the
trials of a load disturbs them all, but it tells none of them apart: only its excess does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

#: Scaled median deviations beyond which a value is called unusual (common practice, no source).
_DEVIATIONS = 3.0
#: Standard deviation of normal values over their median absolute deviation, 1 / Phi^-1(3/4).
_TO_SD = 1.4826


@dataclass(frozen=True)
class TrialConditions:
    """What was measured beside one trial; None where it was not measured.

    `run_delay_share`: time runnable but not running, over the trial's time, worst lane.
    `throttle_events`: throttling events counted. `clock_percent`: mean core clock against the
    median trial of the workload, in percent. `temperature_rise_celsius`: hottest reading above the
    median trial's. `major_faults`: page faults that read from disk.
    """

    run_delay_share: float | None = None
    throttle_events: int | None = None
    clock_percent: float | None = None
    temperature_rise_celsius: float | None = None
    major_faults: int | None = None


@dataclass(frozen=True)
class CauseThresholds:
    """From where on a condition counts as a cause (common practice, no source).

    Half a percent of run delay is what a change of half a percent needs as an explanation.
    """

    run_delay_share: float = 0.005
    throttle_events: int = 1
    clock_drop_percent: float = 1.0
    temperature_rise_celsius: float = 10.0
    major_faults: int = 10


@dataclass(frozen=True)
class UsualConditions:
    """The upper end of what is usual among the trials of the same load, see `usual_end`.

    0 where nothing is known. `clock_drop_percent` and `temperature_rise_celsius` say how far from
    the median the usual reaches, since :class:`TrialConditions` gives those two from the median.
    """

    run_delay_share: float = 0.0
    throttle_events: float = 0.0
    major_faults: float = 0.0
    clock_drop_percent: float = 0.0
    temperature_rise_celsius: float = 0.0


def usual_end(values: Sequence[float], *, lowest: bool = False) -> float:
    """How far up (or down) the usual reaches: the median and three scaled deviations from it.

    The deviation is the median one, scaled to a standard deviation: Hampel (1974), Journal of the
    American Statistical Association 69:383-393. A trial within it is disturbed like the others.
    """
    middle = median(values)
    reach = _DEVIATIONS * _TO_SD * median(abs(value - middle) for value in values)
    return middle - reach if lowest else middle + reach


def find_cause(
    conditions: TrialConditions,
    thresholds: CauseThresholds | None = None,
    usual: UsualConditions | None = None,
) -> str | None:
    """The first cause that applies, most direct first, with its number; None without one.

    With `usual` a condition counts by how far it exceeds what is usual, so that it can explain
    why this trial stands out among the others.
    """
    limits, usual = thresholds or CauseThresholds(), usual or UsualConditions()
    found = (
        _run_delay(conditions.run_delay_share, usual.run_delay_share, limits.run_delay_share),
        _throttling(conditions.throttle_events, usual.throttle_events, limits.throttle_events),
        _clock_drop(conditions.clock_percent, usual.clock_drop_percent, limits.clock_drop_percent),
        _temperature(
            conditions.temperature_rise_celsius,
            usual.temperature_rise_celsius,
            limits.temperature_rise_celsius,
        ),
        _faults(conditions.major_faults, usual.major_faults, limits.major_faults),
    )
    return next((cause for cause in found if cause is not None), None)


def _run_delay(share: float | None, usual: float, limit: float) -> str | None:
    if share is None or share - usual < limit:
        return None
    return f"run delay {100 * share:.1f} % of the trial"


def _throttling(events: int | None, usual: float, limit: int) -> str | None:
    if events is None or events - usual < limit:
        return None
    return f"throttling ({events} event{'s' if events > 1 else ''})"


def _clock_drop(percent: float | None, usual: float, limit: float) -> str | None:
    if percent is None or 100.0 - percent - usual < limit:
        return None
    return f"clock {100.0 - percent:.1f} % below its usual value"


def _temperature(rise: float | None, usual: float, limit: float) -> str | None:
    if rise is None or rise - usual < limit:
        return None
    return f"{rise:.0f} °C hotter than usual"


def _faults(count: int | None, usual: float, limit: int) -> str | None:
    if count is None or count - usual < limit:
        return None
    return f"{count} page faults from disk"
