"""The error of one workload's log ratio: which variance terms two sides of boots and trials give.

Everything is on the log scale with the sign turned so that more is faster.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.statistics.dependence import effective_count
from harness.statistics.levels import BetweenBoot, variance_components
from harness.statistics.summary import mean_of, sd_of, sum_of_squares

#: From this many boots on both sides on, their spread is taken from each side's own boot means.
BOOTS_TO_MEASURE = 3
#: Degrees of freedom from which the spread between boots pooled over both sides is trusted.
POOLED_DEGREES = 4

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
    between boots came from.
    """

    terms: tuple[Term, ...]
    method: str
    reason: str | None = None


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
    assumption, or what the boots show where that is more. `coefficient` is the lag-1 correlation
    of trials inside a boot.
    """
    fewest = min(len(before.boots), len(after.boots))
    if between is None:
        return _finish(within_terms(before, after, coefficient), "Welch on logarithms")
    if fewest >= BOOTS_TO_MEASURE:
        terms = [
            (sd_of(side.means) ** 2 / len(side.boots), len(side.boots) - 1.0)
            for side in (before, after)
        ]
        return _finish(terms, "Welch on boot means")
    return _few_boots(before, after, between, coefficient)


def _few_boots(before: Side, after: Side, between: BetweenBoot, coefficient: float) -> ErrorTerms:
    degrees = len(before.boots) + len(after.boots) - 2
    shares = 1.0 / len(before.boots) + 1.0 / len(after.boots)
    if degrees >= max(POOLED_DEGREES, between.degrees or 0):
        squares = sum_of_squares(before.means) + sum_of_squares(after.means)
        terms = [(shares * squares / degrees, float(degrees))]
        return _finish(terms, "boot means, spread pooled over both sides")
    inside = within_terms(before, after, coefficient)
    if not inside:
        return _finish([], between.source)
    variance, source = _stated_variance(before, after, between)
    return _finish([(shares * variance, between.degrees), *inside], source)


def _stated_variance(before: Side, after: Side, between: BetweenBoot) -> tuple[float, str]:
    """The measured or assumed variance between boots; an assumption gives way to worse data."""
    stated = (between.percent / 100.0) ** 2
    if between.degrees is not None:
        return stated, between.source
    shown = max(variance_components(side.boots).between or 0.0 for side in (before, after))
    if shown > stated:
        return shown, f"{100.0 * math.sqrt(shown):.2g} % between boots as seen here"
    return stated, between.source


def within_terms(before: Side, after: Side, coefficient: float) -> list[Term]:
    """Variance of both means from the scatter of trials inside boots (Welch's two terms).

    A side of single trials shows no scatter of its own: it borrows the other side's, which is then
    one term. Empty when neither side shows any.
    """
    sides = (before, after)
    shares = [_share(side, coefficient) for side in sides]
    degrees = [_effective_degrees(side, coefficient) for side in sides]
    if min(degrees) > 0.0:
        return [
            (share * side.within_squares / side.within_degrees, freedom)
            for share, side, freedom in zip(shares, sides, degrees, strict=True)
        ]
    giver = max(range(2), key=lambda index: degrees[index])
    if degrees[giver] <= 0.0:
        return []
    variance = sides[giver].within_squares / sides[giver].within_degrees
    return [(sum(shares) * variance, degrees[giver])]


def _share(side: Side, coefficient: float) -> float:
    """What multiplies the variance of a trial to give that of the side's mean."""
    worth = math.fsum(1.0 / effective_count(len(boot), coefficient) for boot in side.boots)
    return worth / len(side.boots) ** 2


def _effective_degrees(side: Side, coefficient: float) -> float:
    """Degrees of freedom of the within spread, fewer where trials depend on each other."""
    if side.within_degrees <= 0:
        return 0.0
    worth = math.fsum(effective_count(len(boot), coefficient) - 1.0 for boot in side.boots)
    return max(1.0, worth)


def _finish(terms: Sequence[Term], method: str) -> ErrorTerms:
    if not terms:
        return ErrorTerms((), method, "one trial a side shows no spread: at least 2 are needed")
    if math.fsum(variance for variance, _ in terms) <= 0.0:
        return ErrorTerms((), method, "zero spread: the trials do not differ")
    return ErrorTerms(tuple(terms), method)
