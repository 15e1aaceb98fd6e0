"""How much measuring a question needs: trials and boots, cheapest mix first.

A boot costs minutes and a trial seconds, but only boots reduce what a boot fixes. All spreads are
percent of the mean, all changes percent; the arithmetic is on the log scale like the comparison's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from harness.statistics.ahead import chance_clear
from harness.statistics.dependence import effective_count, expected_used
from harness.statistics.intervals import student_interval
from harness.statistics.levels import ASSUMED_BETWEEN_BOOT_PERCENT, combine_variances
from harness.statistics.quantiles import student_cdf, student_quantile
from harness.statistics.sides import Term
from harness.statistics.validation import require_confidence, require_positive

MOST_BOOTS = 40
MOST_TRIALS = 200
#: From this many boots a side on, the comparison measures the spread between them itself.
BOOTS_TO_MEASURE = 3


@dataclass(frozen=True)
class Spread:
    """Standard deviations of trials within a boot and of boots, in percent of the mean.

    `between_percent` of None: the comparison stays within one boot. `between_degrees`: degrees of
    freedom of a measured spread between boots; None for an assumption.
    """

    within_percent: float
    between_percent: float | None = ASSUMED_BETWEEN_BOOT_PERCENT
    between_degrees: int | None = None

    @property
    def between_variance(self) -> float:
        """Variance between boots on the log scale; 0 within one boot."""
        return 0.0 if self.between_percent is None else (self.between_percent / 100.0) ** 2

    @property
    def assumed(self) -> bool:
        """Whether the spread between boots is an assumption, which boots may contradict."""
        return self.between_percent is not None and self.between_degrees is None

    def variance(self, boots: int, trials: int) -> float:
        """Variance of one side's mean of `boots` times `trials`, on the log scale."""
        return (self.between_variance + (self.within_percent / 100.0) ** 2 / trials) / boots


@dataclass(frozen=True)
class Costs:
    """What a boot and a trial cost, in seconds (common practice, no source)."""

    boot_seconds: float = 300.0
    trial_seconds: float = 10.0

    def seconds(self, boots: int, trials: int) -> float:
        """Time of one side. The boot the machine is in now costs nothing."""
        return (boots - 1) * self.boot_seconds + boots * trials * self.trial_seconds


@dataclass(frozen=True)
class Plan:
    """Boots and trials per side; None in `boots` with a reason when no plan in reach suffices."""

    boots: int | None
    trials_per_boot: int | None
    seconds: float | None
    achieved: float | None
    why: str

    @property
    def trials(self) -> int | None:
        """Trials per side in all."""
        if self.boots is None or self.trials_per_boot is None:
            return None
        return self.boots * self.trials_per_boot


@dataclass(frozen=True)
class _Design:
    """Standard error and degrees of freedom of a log ratio for a number of boots and trials."""

    error: float
    degrees: float


def design_of(spread: Spread, boots: int, trials: int, workloads: int = 1) -> _Design:
    """Error of the comparison of two equal sides, as `compare_workloads` will compute it.

    From three boots a side on Welch on boot means; below that the spread between boots is the
    measured or the assumed one, and trials are widened for the dependence that `workloads`
    workloads of one run will seem to show. Two boots a side may contradict an assumption and then
    know the spread badly, so no plan rests on them: their degrees of freedom are 0.
    """
    if boots >= BOOTS_TO_MEASURE and spread.between_percent is not None:
        return _Design(math.sqrt(2.0 * spread.variance(boots, trials)), welch_degrees(boots))
    worth = effective_count(trials, expected_used(trials, 2 * boots * workloads))
    inside = 2.0 * (spread.within_percent / 100.0) ** 2 / (worth * boots)
    between = 2.0 * spread.between_variance / boots
    degrees = welch_degrees(boots * (worth - 1.0) + 1.0)
    variance, freedom = combine_variances([(inside, degrees), (between, spread.between_degrees)])
    if boots == BOOTS_TO_MEASURE - 1 and spread.assumed:
        freedom = 0.0
    return _Design(math.sqrt(variance), freedom)


def welch_degrees(count: float) -> float:
    """What Welch's degrees of freedom come to over two sides of `count` values of equal spread.

    (n - 1) / (u^2 + (1 - u)^2) with u the share of one side's variance, beta distributed with
    variance 1 / (4 n): about 2 (n - 1) n / (n + 1), less than the 2 (n - 1) of a pooled variance.
    """
    return 2.0 * (count - 1.0) * count / (count + 1.0)


def detection_power(
    change_percent: float,
    spread: Spread,
    boots: int,
    trials: int,
    level: float,
    *,
    workloads: int = 1,
) -> float:
    """Chance that a true change is called faster or slower at a two-sided `level`.

    The limit on the side of no change must exclude it (Cohen 1988, Statistical Power Analysis,
    chapter 2; from three boots on the boot mean is the unit of analysis). From that chance the one
    is taken that the interval lies inside the margin although it excludes no change, at most
    level/2 for a change of the margin's size.
    """
    design = design_of(spread, boots, trials, workloads)
    if design.error == 0.0 or design.degrees < 1.0:
        return 0.0
    shift = math.log1p(abs(change_percent) / 100.0)
    terms = _terms(spread, boots, trials, workloads)
    above = chance_clear(shift, design.error**2, terms, level / 2.0)
    return max(0.0, above - level / 2.0)


def _terms(spread: Spread, boots: int, trials: int, workloads: int) -> list[Term]:
    """The variance terms that the comparison of two equal sides will find; see `design_of`."""
    if boots >= BOOTS_TO_MEASURE and spread.between_percent is not None:
        return [(spread.variance(boots, trials), boots - 1.0)] * 2
    worth = effective_count(trials, expected_used(trials, 2 * boots * workloads))
    inside = (spread.within_percent / 100.0) ** 2 / (worth * boots), boots * (worth - 1.0)
    return [(2.0 * spread.between_variance / boots, spread.between_degrees), inside, inside]


def plan_detection(
    change_percent: float,
    spread: Spread,
    *,
    power: float = 0.9,
    level: float = 0.025,
    costs: Costs | None = None,
    one_boot: bool = False,
    workloads: int = 1,
) -> Plan:
    """Cheapest boots and trials per side that find a change of this size with this power.

    `level` is two-sided and that of the look: the default is the first look of an open-ended
    comparison. It is divided by `workloads`, the first step of Holm's procedure. `one_boot` allows
    no restart.
    """
    require_positive(abs(change_percent), "change_percent")
    require_confidence(power, "power")

    def achieved(boots: int, trials: int) -> float:
        own = level / workloads
        return detection_power(change_percent, spread, boots, trials, own, workloads=workloads)

    target = f"a {abs(change_percent):g} % change with {100 * power:g} % power"
    return cheapest(achieved, power, costs or Costs(), target, 1 if one_boot else MOST_BOOTS)


def cheapest(
    achieved: Callable[[int, int], float],
    wanted: float,
    costs: Costs,
    target: str,
    most_boots: int = MOST_BOOTS,
) -> Plan:
    """The cheapest (boots, trials) with `achieved` >= `wanted`; `achieved` rises with trials."""
    best: tuple[float, int, int] | None = None
    for boots in range(1, most_boots + 1):
        if best is not None and costs.seconds(boots, 2) >= best[0]:
            break
        trials = _fewest_trials(lambda count, boots=boots: achieved(boots, count) >= wanted)  # type: ignore[misc]
        if trials is not None:
            candidate = (costs.seconds(boots, trials), boots, trials)
            best = candidate if best is None else min(best, candidate)
    if best is None:
        why = f"no plan up to {most_boots} boots of {MOST_TRIALS} trials reaches {target}"
        return Plan(None, None, None, None, why)
    seconds, boots, trials = best
    return Plan(boots, trials, seconds, achieved(boots, trials), _sentence(target, best))


def _sentence(target: str, best: tuple[float, int, int]) -> str:
    seconds, boots, trials = best
    total, minutes = boots * trials, max(1, math.ceil(seconds / 60.0))
    over = "1 boot" if boots == 1 else f"{boots} boots"
    return f"to see {target}, take {total} trials over {over} a side ({minutes} min)"


def _fewest_trials(suffices: Callable[[int], bool]) -> int | None:
    low, high = 2, MOST_TRIALS
    if not suffices(high):
        return None
    while low < high:
        middle = (low + high) // 2
        if suffices(middle):
            high = middle
        else:
            low = middle + 1
    return low


def plan_decision(
    log_ratio: float,
    spread: Spread,
    margin_percent: float,
    *,
    level: float,
    power: float = 0.9,
    costs: Costs | None = None,
    one_boot: bool = False,
    beyond: tuple[int, int] = (0, 0),
) -> Plan:
    """Cheapest boots and trials per side that decide a comparison which is still undecided.

    `beyond`: boots and trials that each side has already, which did not decide it: no plan has
    fewer boots, or no more trials.

    A half-width under half the margin decides whatever the truth is: an interval that wide either
    excludes no change or lies inside the margin. Where the estimate is far from 1, or near it, a
    wider interval does with the stated power if the truth is what was estimated.
    """
    margin = math.log1p(margin_percent / 100.0)
    clear = abs(log_ratio)

    def needed(design: _Design) -> float:
        spare = student_quantile(power, design.degrees) * design.error
        return max(margin / 2.0, clear - spare, margin - clear - spare)

    def achieved(boots: int, trials: int) -> float:
        design = design_of(spread, boots, trials)
        if design.degrees < 1.0 or boots < beyond[0] or boots * trials <= beyond[1]:
            return -math.inf
        half = student_quantile(1.0 - level / 2.0, design.degrees) * design.error
        return needed(design) - half

    limit = 1 if one_boot else MOST_BOOTS
    return cheapest(achieved, 0.0, costs or Costs(), "which it is", limit)


@dataclass(frozen=True)
class StopDecision:
    """Whether a workload has enough trials. `stop` with `reached` False means the maximum came."""

    stop: bool
    reached: bool
    half_width_percent: float | None
    why: str


def trials_until(
    values: Sequence[float],
    target_percent: float,
    *,
    minimum: int,
    maximum: int,
    confidence: float = 0.95,
) -> StopDecision:
    """Decide after each trial whether the interval of the mean is narrow enough.

    Stopping when the interval happens to be narrow makes it a little too sure of itself; with a
    minimum of 10 or more the loss is small (Chow and Robbins 1965, Annals of Mathematical
    Statistics 36:457-462, who prove that it vanishes). The rule looks at the width only, never at
    the mean.
    """
    count = len(values)
    interval = student_interval(values, confidence)
    width = _relative_half_width(interval.estimate, interval.half_width)
    if count < minimum:
        return StopDecision(False, False, width, f"{count} of at least {minimum} trials")
    if width is not None and width <= target_percent:
        return StopDecision(True, True, width, f"half-width {width:.3g} % <= {target_percent:g} %")
    if count >= maximum:
        return StopDecision(True, False, width, f"{maximum} trials are the maximum")
    return StopDecision(False, False, width, "the interval is still too wide")


def _relative_half_width(mean: float | None, half_width: float | None) -> float | None:
    if mean is None or half_width is None or mean == 0.0:
        return None
    return 100.0 * half_width / abs(mean)


def two_sided_p_value(log_ratio: float, error: float, degrees: float) -> float:
    """Chance of a ratio at least this far from 1 when nothing differs."""
    return 2.0 * student_cdf(-abs(log_ratio) / error, degrees)
