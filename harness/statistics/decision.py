"""Decisions: a value against a limit, and a ratio against a margin.

Both use the whole interval and never a point estimate.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from harness.outcome import Verdict


class Sense(StrEnum):
    """On which side of its limit a value conforms."""

    AT_LEAST = "at least"
    AT_MOST = "at most"


class Change(StrEnum):
    """What a comparison concludes of one workload, in order of precedence."""

    EQUIVALENT = "equivalent"
    FASTER = "faster"
    SLOWER = "slower"
    UNDECIDED = "undecided"


@dataclass(frozen=True)
class LimitDecision:
    """Verdict of an interval against a limit, with the reason in one sentence."""

    verdict: Verdict
    why: str


def decide_against_limit(
    low: float | None, high: float | None, limit: float, sense: Sense
) -> LimitDecision:
    """Decide with the interval as guard band.

    Conformity is shown only when the whole interval lies on the conforming side, non-conformity
    only when all of it lies on the other: ISO 14253-1:2017 and JCGM 106:2012, 8.3 (guarded
    acceptance and guarded rejection). Anything else is inconclusive, and so is a missing interval.
    A limit that is touched counts as kept.
    """
    if low is None or high is None:
        return LimitDecision(Verdict.INCONCLUSIVE, "no interval to decide with")
    if low > high:
        raise ValueError(f"low={low!r} exceeds high={high!r}: limits must be in order")
    conforming, violating = _sides(low, high, limit, sense)
    if conforming:
        return LimitDecision(Verdict.PASS, "the whole interval keeps the limit")
    if violating:
        return LimitDecision(Verdict.FAIL, "the whole interval breaks the limit")
    return LimitDecision(Verdict.INCONCLUSIVE, "the interval straddles the limit")


def _sides(low: float, high: float, limit: float, sense: Sense) -> tuple[bool, bool]:
    if sense is Sense.AT_LEAST:
        return low >= limit, high < limit
    return high <= limit, low > limit


def decide_with_and_without(without: LimitDecision, with_all: LimitDecision) -> LimitDecision:
    """Combine the decision after rejection with the one on every verified trial.

    Only what both say is said: where they differ, the verdict hangs on the rejection and is
    inconclusive. That includes the case that one decides and the other straddles its limit. A
    recorded cause tells why a trial was disturbed, not by how much, nor that the trials kept were
    not; so a cause may sharpen the numbers that are shown, but never turns an open question into
    an answer. What decides it is to remove the cause and measure again. The rule is the same for
    rejection without a cause, which differs in what it leaves out and not in what that may prove
    (common practice, no source; that data dropped after seeing them break intervals is in the
    simulation study).
    """
    if without.verdict is with_all.verdict:
        return without
    return LimitDecision(
        Verdict.INCONCLUSIVE,
        f"{without.verdict} without the rejected trials, {with_all.verdict} with them: "
        "remove what disturbed them and measure again",
    )


def decide_change(low: float | None, high: float | None, margin_percent: float) -> Change:
    """Decide on a ratio (above 1 means AFTER is faster) whose interval is [low, high].

    In order of precedence: `equivalent` when the interval lies wholly inside the margin, `faster`
    or `slower` when it lies wholly on one side of 1, else `undecided`. The margin is symmetric on
    the log scale: from 1/(1 + m) to 1 + m, so that swapping the sides swaps the answer.
    Equivalence by an interval is that of two one-sided tests: Schuirmann (1987), J.
    Pharmacokinet. Biopharm. 15:657-680.
    """
    if low is None or high is None:
        return Change.UNDECIDED
    upper = 1.0 + margin_percent / 100.0
    if low > 1.0 / upper and high < upper:
        return Change.EQUIVALENT
    if low > 1.0:
        return Change.FASTER
    if high < 1.0:
        return Change.SLOWER
    return Change.UNDECIDED


def holm_levels(
    p_values: Sequence[float | None],
    alpha: float,
    level_of: Callable[[float], float] | None = None,
) -> tuple[float, ...]:
    """Level at which each member of the family is judged after Holm's step-down procedure.

    Holm (1979), Scandinavian Journal of Statistics 6:65-70: the smallest of m p-values is judged
    at alpha/m, the next at alpha/(m-1), and so on; the first that is not shown ends it, and the
    rest are judged at the same level as that one. A None (nothing measured) is no member and
    keeps `alpha`. `level_of` turns a member's share of alpha into the level of this look, since
    each member spends its own share over the looks (Maurer and Bretz 2013, Statistics in
    Biopharmaceutical Research 5:311-320, from memory): dividing the whole family's level of a look
    instead would spend 5.6 % over five looks at ten workloads.
    """
    level_of = level_of or float
    members = [index for index, value in enumerate(p_values) if value is not None]
    order = sorted(members, key=lambda index: p_values[index] or 0.0)
    levels = [level_of(alpha)] * len(p_values)
    stopped: float | None = None
    for place, index in enumerate(order):
        level = stopped if stopped is not None else level_of(alpha / (len(order) - place))
        levels[index] = level
        p_value = p_values[index]
        if stopped is None and p_value is not None and p_value > level:
            stopped = level
    return tuple(levels)
