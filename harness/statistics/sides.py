"""The error of one workload's log ratio: which variance terms two sides of boots and trials give.

Everything is on the log scale with the sign turned so that more is faster.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Sequence
from dataclasses import dataclass

from harness.statistics.dependence import effective_count
from harness.statistics.levels import BetweenBoot, variance_components
from harness.statistics.quantiles import chi2_quantile
from harness.statistics.summary import mean_of, sd_of, sum_of_squares

#: From this many boots on both sides on, their spread is taken from each side's own boot means.
BOOTS_TO_MEASURE = 3
#: Degrees of freedom from which the spread between boots pooled over both sides is trusted.
POOLED_DEGREES = 4
#: Chance of taking an assumed spread between boots for contradicted although it holds: so small
#: that ten workloads rarely meet it.
CONTRADICTED = 0.005

Term = tuple[float, float | None]


@dataclass(frozen=True)
class Side:
    """One side of one workload: logarithms of its trials, boot by boot (no empty boots)."""

    boots: tuple[tuple[float, ...], ...]

    @property
    def means(self) -> list[float]:
        """Mean logarithm of each boot."""
        return [mean_of(boot) for boot in self.boots]

    @property
    def mean(self) -> float:
        """Mean of the boot means: each boot counts alike."""
        return mean_of(self.means)

    @property
    def trials(self) -> int:
        """Trials over all boots."""
        return sum(len(boot) for boot in self.boots)

    @property
    def within_degrees(self) -> int:
        """Degrees of freedom of the spread inside boots."""
        return self.trials - len(self.boots)

    @property
    def within_squares(self) -> float:
        """Sum of squares inside boots."""
        return math.fsum(sum_of_squares(boot) for boot in self.boots)


@dataclass(frozen=True)
class ErrorTerms:
    """Independent variance terms of a log ratio with their degrees of freedom.

    `terms` is empty with a `reason` when the data hold none; `method` says where the spread
    between boots came from. `before_share` is the part of the variance that is BEFORE's.
    """

    terms: tuple[Term, ...]
    method: str
    reason: str | None = None
    before_share: float = 0.5


def make_side(boots: Sequence[Sequence[float]], better: str) -> Side | None:
    """Logarithms, turned so that a greater number is faster; None where a value is not positive."""
    sign = 1.0 if better == "higher" else -1.0
    filled = [boot for boot in boots if len(boot)]
    if any(value <= 0.0 for boot in filled for value in boot):
        return None
    return Side(tuple(tuple(sign * math.log(value) for value in boot) for boot in filled))


def error_terms(
    before: Side, after: Side, between: BetweenBoot | None, coefficient: float
) -> ErrorTerms:
    """Variance terms of `after.mean - before.mean`.

    `between` of None: both sides are one and the same boot, or values as typed, and only their
    trials scatter. Otherwise, in this order: each side's own boot means where both have three
    boots or more (Welch on boot means; Kalibera and Jones 2013); the spread pooled over both
    sides, or measured on earlier runs, whichever has more degrees of freedom; the declared
    assumption, or what the boots show where that is more. A side of one trial decides nothing.
    `coefficient` is the lag-1 correlation of trials inside a boot.
    """
    fewest = min(len(before.boots), len(after.boots))
    if between is None:
        return _finish(_within(before, after, coefficient), "Welch on logarithms")
    if fewest >= BOOTS_TO_MEASURE:
        return _finish(_over_boots(before, after), "Welch on boot means")
    return _few_boots(before, after, between, coefficient)


def spread_between(
    before: Side, after: Side, between: BetweenBoot | None, coefficient: float
) -> BetweenBoot | None:
    """The spread between boots that :func:`error_terms` rests on, for planning; None within a boot.

    Freed of what trials leave in the means of boots, where boot means show it.
    """
    if between is None:
        return None
    degrees = len(before.boots) + len(after.boots) - 2
    if min(len(before.boots), len(after.boots)) >= BOOTS_TO_MEASURE or _is_pooled(
        before, after, between
    ):
        held = _held(before, after, coefficient) * _trial_variance(before, after)
        return _shown(max(0.0, _boot_squares(before, after) / degrees - held), degrees)
    return _believed(before, after, between, coefficient)


def within_terms(before: Side, after: Side, coefficient: float) -> list[Term]:
    """Variance terms of the scatter of trials inside boots; empty where a side shows none."""
    return list(_within(before, after, coefficient).terms())


@dataclass(frozen=True)
class _Part:
    """One variance term that belongs to one side."""

    variance: float
    degrees: float | None


@dataclass(frozen=True)
class _Parts:
    """Variance terms by the side they belong to. `shared`: both sides' parts of a place hold the
    same estimate, and make one term; empty parts with a `reason`."""

    before: Sequence[_Part] = ()
    after: Sequence[_Part] = ()
    shared: int = 0
    reason: str | None = None

    def terms(self) -> tuple[Term, ...]:
        """The independent terms of the difference."""
        together = [
            (first.variance + second.variance, first.degrees)
            for first, second in zip(
                self.before[: self.shared], self.after[: self.shared], strict=True
            )
        ]
        own = [*self.before[self.shared :], *self.after[self.shared :]]
        return (*together, *((part.variance, part.degrees) for part in own))

    def variance(self) -> float:
        """The variance of the difference."""
        return math.fsum(variance for variance, _ in self.terms())


def _over_boots(before: Side, after: Side) -> _Parts:
    """Each side's own spread of boot means."""
    sides = (before, after)
    first, second = (
        [_Part(sd_of(side.means) ** 2 / len(side.boots), len(side.boots) - 1.0)] for side in sides
    )
    return _Parts(first, second)


def _few_boots(before: Side, after: Side, between: BetweenBoot, coefficient: float) -> ErrorTerms:
    if _is_pooled(before, after, between):
        pooled = _pooled(before, after, coefficient)
        return _finish(pooled, "boot means, spread pooled over both sides")
    inside = _within(before, after, coefficient)
    if inside.reason is not None:
        return _finish(inside, between.source)
    believed = _believed(before, after, between, coefficient)
    variance = (believed.percent / 100.0) ** 2
    first, second = (
        _Part(variance / len(side.boots), believed.degrees) for side in (before, after)
    )
    stated = _Parts([first, *inside.before], [second, *inside.after], shared=1)
    return _finish(stated, believed.source)


def _is_pooled(before: Side, after: Side, between: BetweenBoot) -> bool:
    """Whether few boots on one side take the spread that both sides' boots show together."""
    degrees = len(before.boots) + len(after.boots) - 2
    alone = min(before.trials, after.trials) < 2
    return degrees >= max(POOLED_DEGREES, between.degrees or 0) and not alone


def _believed(before: Side, after: Side, between: BetweenBoot, coefficient: float) -> BetweenBoot:
    """The measured or assumed spread between boots; an assumption gives way to worse data.

    Boots that differ more than assumed replace the assumption, as known as it was. Where they
    contradict it (chi-square, at `CONTRADICTED`) they bring their few degrees of freedom. Taken
    so from the start, scatter alone would make one of several unchanged workloads undecided in
    most comparisons of few boots; the price is that boots which truly differ three times as much
    as assumed let two boots a side call a difference in 12 % of comparisons of like with like.
    """
    degrees = len(before.boots) + len(after.boots) - 2
    if between.degrees is not None or not degrees:
        return between
    held = _held(before, after, coefficient) * _trial_variance(before, after)
    stated = (between.percent / 100.0) ** 2
    squares = _boot_squares(before, after)
    if squares > (stated + held) * chi2_quantile(1.0 - CONTRADICTED, degrees):
        return _shown(squares / degrees - held, degrees)
    components = (variance_components(side.boots).between for side in (before, after))
    largest = max(variance or 0.0 for variance in components)
    return _shown(largest, None) if largest > stated else between


def _shown(variance: float, degrees: int | None) -> BetweenBoot:
    percent = 100.0 * math.sqrt(variance)
    return BetweenBoot(percent, degrees, f"{percent:.2g} % between boots as seen here")


def _pooled(before: Side, after: Side, coefficient: float) -> _Parts:
    """Spread of boot means pooled over both sides: one estimate for both.

    It holds the error that trials leave in the mean of a boot, as large as in the boots that showed
    it. Where a side's boots have fewer trials than those, what is missing is added.
    """
    degrees = len(before.boots) + len(after.boots) - 2
    variance = _boot_squares(before, after) / degrees
    held = _held(before, after, coefficient)
    trial = _trial_variance(before, after)
    freedom = math.fsum(_effective_degrees(side, coefficient) for side in (before, after))
    first, second = (
        [
            _Part(variance / len(side.boots), float(degrees)),
            _Part(max(0.0, _worth(side, coefficient) - held) * trial / len(side.boots), freedom),
        ]
        for side in (before, after)
    )
    return _Parts(first, second, shared=2)


def _held(before: Side, after: Side, coefficient: float) -> float:
    """Share of a trial's variance that the boots showing the spread have in their means."""
    degrees = [len(side.boots) - 1 for side in (before, after)]
    worths = [_worth(side, coefficient) for side in (before, after)]
    return math.fsum(map(operator.mul, degrees, worths)) / sum(degrees)


def _trial_variance(before: Side, after: Side) -> float:
    """Variance of a trial inside its boot, pooled over both sides; 0 where no boot shows any."""
    degrees = before.within_degrees + after.within_degrees
    return (before.within_squares + after.within_squares) / degrees if degrees else 0.0


def _boot_squares(before: Side, after: Side) -> float:
    return sum_of_squares(before.means) + sum_of_squares(after.means)


def _worth(side: Side, coefficient: float) -> float:
    """Mean over a side's boots of 1 / (independent trials of the boot)."""
    return mean_of([1.0 / effective_count(len(boot), coefficient) for boot in side.boots])


def _within(before: Side, after: Side, coefficient: float) -> _Parts:
    """Variance of both means from the scatter of trials inside boots (Welch's two terms).

    None from a side that shows no scatter of its own: that its only trial was as good as the other
    side's is what a comparison must not take for granted.
    """
    sides = (before, after)
    degrees = [_effective_degrees(side, coefficient) for side in sides]
    if min(degrees) <= 0.0:
        return _Parts(reason=_why_no_spread(before, after))
    first, second = (
        [
            _Part(
                _worth(side, coefficient)
                / len(side.boots)
                * side.within_squares
                / side.within_degrees,
                freedom,
            )
        ]
        for side, freedom in zip(sides, degrees, strict=True)
    )
    return _Parts(first, second)


def _why_no_spread(before: Side, after: Side) -> str:
    silent = [
        (name, side)
        for name, side in (("before", before), ("after", after))
        if side.within_degrees <= 0
    ]
    if len(silent) == 2:
        return "one trial a side shows no spread: at least 2 are needed"
    name, side = silent[0]
    what = f"one trial {name}" if side.trials == 1 else f"one trial a boot {name}"
    return (
        f"{what} shows no spread, and the other side's is not borrowed for it: at least 2 are "
        "needed"
    )


def _effective_degrees(side: Side, coefficient: float) -> float:
    """Degrees of freedom of the within spread, fewer where trials depend on each other."""
    if side.within_degrees <= 0:
        return 0.0
    worth = math.fsum(effective_count(len(boot), coefficient) - 1.0 for boot in side.boots)
    return max(1.0, worth)


def _finish(parts: _Parts, method: str) -> ErrorTerms:
    total = parts.variance()
    if parts.reason is not None or total <= 0.0:
        return ErrorTerms((), method, parts.reason or "zero spread: the trials do not differ")
    share = math.fsum(part.variance for part in parts.before) / total
    terms = tuple(term for term in parts.terms() if term[0] > 0.0)
    return ErrorTerms(terms, method, before_share=share)
