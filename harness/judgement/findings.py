"""What a load's trials showed, in sentences: warm-up, drift, dependence, what was left out."""

from __future__ import annotations

from collections.abc import Iterator

from harness.criteria.judging import plural
from harness.statistics.intervals import Interval
from harness.statistics.within_run import TrialStatistics
from harness.units import interval, percent, quantity

#: Dependence that costs less than this share of the trials is not worth a sentence.
_DEPENDENCE_WORTH_TELLING = 0.1


def findings_of(statistics: TrialStatistics, unit: str) -> tuple[str, ...]:
    """One sentence for each thing a reader of the mean should know."""
    return tuple(
        sentence
        for part in (_left_out, _steadiness, _dependence, _others)
        for sentence in part(statistics, unit)
    )


def _left_out(statistics: TrialStatistics, unit: str) -> Iterator[str]:
    if statistics.failed:
        number = plural(len(statistics.failed), "trial")
        yield f"{number} failed a check or was cut short and gives no value"
    if statistics.warm_up_trials:
        number = plural(len(statistics.warm_up_trials), "trial")
        yield f"{number} at the start belong to the warm-up and are left out"
    if statistics.rejected:
        number = plural(len(statistics.rejected), "trial")
        blind = any(
            flag.cause is None and flag.index in statistics.rejected for flag in statistics.flagged
        )
        why = "without a recorded cause, as the profile asks" if blind else "for a recorded cause"
        was = "was" if len(statistics.rejected) == 1 else "were"
        yield f"{number} stood out and {was} left out {why}{_with_all(statistics, unit)}"
    kept = len(statistics.flagged) - len(statistics.rejected)
    if kept > 0:
        was = "was" if kept == 1 else "were"
        yield f"{plural(kept, 'trial')} stood out without a cause that explains it and {was} kept"


def _with_all(statistics: TrialStatistics, unit: str) -> str:
    mean, low, high = statistics.mean_all, statistics.low_all, statistics.high_all
    if mean is None or low is None or high is None:
        return ""
    return f"; with every trial: {interval(mean, low, high, unit)}"


def _steadiness(statistics: TrialStatistics, unit: str) -> Iterator[str]:
    if statistics.steadiness.steady is not True or "drift of" in statistics.steadiness.why:
        yield statistics.steadiness.why


def _dependence(statistics: TrialStatistics, unit: str) -> Iterator[str]:
    kept, worth = len(statistics.kept), statistics.effective_trials
    if worth is not None and worth < (1 - _DEPENDENCE_WORTH_TELLING) * kept:
        yield (
            f"neighbouring trials resemble each other: {kept} trials are worth {worth:.1f} "
            "independent ones, and the interval is widened accordingly"
        )


def _others(statistics: TrialStatistics, unit: str) -> Iterator[str]:
    if statistics.why and statistics.low is not None:
        yield statistics.why
    if statistics.median is not None and statistics.median.low is not None:
        yield f"median {_shown(statistics.median, unit)}"
    following = statistics.next_trial
    if following is not None and following.low is not None and following.high is not None:
        yield (
            f"one more trial would fall between {quantity(following.low, unit)} and "
            f"{quantity(following.high, unit)} ({percent(100 * following.confidence)} prediction)"
        )


def _shown(found: Interval, unit: str) -> str:
    if found.estimate is None or found.low is None or found.high is None:
        return "not known"
    return interval(found.estimate, found.low, found.high, unit)
