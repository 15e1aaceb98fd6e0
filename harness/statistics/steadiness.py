"""Whether a series of trials is steady: warm-up at its start, drift over it, serial dependence.

"Not steady" is a finding of its own. An interval assumes trials that scatter about one level, so
it is not given for a series that moves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.statistics.dependence import PooledDependence, SerialDependence, serial_dependence
from harness.statistics.quantiles import student_two_sided
from harness.statistics.summary import is_constant, mean_of, sd_of
from harness.statistics.trend import MannKendall, TheilSen, mann_kendall, theil_sen
from harness.statistics.validation import require_finite


@dataclass(frozen=True)
class SteadinessRule:
    """The stated rule.

    `warm_up_level`: a leading trial is warm-up when it lies outside the interval in which a
    further trial falls with probability 1 - level, judged from all trials after the warm-up.
    `warm_up_share`: at most this share of the trials is taken for warm-up.
    `settled_minimum`: at least this many trials must follow the warm-up.
    `drift_level`: significance of the trend test.
    `drift_percent`: a trend that moves the series by less than this over the whole run is named
    but leaves the series steady.
    """

    warm_up_level: float = 0.002
    warm_up_share: float = 0.34
    settled_minimum: int = 4
    drift_level: float = 0.01
    drift_percent: float = 0.1


@dataclass(frozen=True)
class Steadiness:
    """The finding on one series. `steady` is None when it cannot be told; `why` is one sentence.

    `drift_percent` is the Theil-Sen slope over the whole settled series relative to its level.
    """

    steady: bool | None
    warm_up: int
    trend: MannKendall
    slope: TheilSen
    drift_percent: float | None
    dependence: SerialDependence
    why: str


def detect_warm_up(values: Sequence[float], rule: SteadinessRule | None = None) -> int:
    """Number of leading trials that belong to the warm-up.

    Rule: the longest prefix (bounded by the rule's shares) all of whose trials lie on one side
    outside the prediction interval of the trials after it. Fixed windows with a small coefficient
    of variation (Georges, Buytaert and Eeckhout 2007, OOPSLA) accept a steady climb and refuse
    noisy but settled trials; changepoints (Barrett et al. 2017, OOPSLA) need hundreds of
    iterations. This rule needs few trials and has a stated chance of a false alarm.
    """
    require_finite(values)
    rule = rule or SteadinessRule()
    longest = min(int(rule.warm_up_share * len(values)), len(values) - rule.settled_minimum)
    for length in range(longest, 0, -1):
        if _is_warm_up(values[:length], values[length:], rule.warm_up_level):
            return length
    return 0


def _is_warm_up(prefix: Sequence[float], rest: Sequence[float], level: float) -> bool:
    if is_constant(rest):
        return all(value < rest[0] for value in prefix) or all(v > rest[0] for v in prefix)
    count, mean = len(rest), mean_of(rest)
    reach = student_two_sided(1.0 - level, count - 1) * sd_of(rest) * math.sqrt(1.0 + 1.0 / count)
    above = all(value > mean + reach for value in prefix)
    return above or all(value < mean - reach for value in prefix)


def judge_steadiness(
    values: Sequence[float],
    rule: SteadinessRule | None = None,
    pooled: PooledDependence | None = None,
) -> Steadiness:
    """Find the warm-up, then test what follows for drift and serial dependence.

    `pooled` is the dependence over all workloads of the run, when they were measured together.
    """
    rule = rule or SteadinessRule()
    warm_up = detect_warm_up(values, rule)
    settled = values[warm_up:]
    trend, slope = mann_kendall(settled), theil_sen(settled)
    drift = _relative_drift(settled, slope)
    dependence = serial_dependence(settled, pooled)
    steady, why = _finding(trend, drift, rule)
    return Steadiness(steady, warm_up, trend, slope, drift, dependence, why)


def _relative_drift(values: Sequence[float], slope: TheilSen) -> float | None:
    if slope.slope is None:
        return None
    level = mean_of(values)
    return None if level == 0.0 else 100.0 * slope.slope * (len(values) - 1) / abs(level)


def _finding(
    trend: MannKendall, drift: float | None, rule: SteadinessRule
) -> tuple[bool | None, str]:
    if trend.p_value is None:
        return None, f"steadiness cannot be told: {trend.reason}"
    if trend.p_value >= rule.drift_level:
        return True, "no drift is seen over the run"
    if drift is not None and abs(drift) < rule.drift_percent:
        return True, f"a drift of {drift:+.3f} % over the run is too small to matter"
    size = "an unknown amount" if drift is None else f"{drift:+.2f} %"
    return False, f"not steady: the trials drift by {size} over the run"
