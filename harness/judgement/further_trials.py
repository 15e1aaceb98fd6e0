"""Where further trials of a benchmark would fall: a tolerance interval in one plain sentence.

Within one boot it speaks of single trials in that boot; over several boots of the means that
further boots would give, since a restart moves the level of all trials after it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from harness.criteria.evidence import LoadEvidence
from harness.criteria.judging import plural
from harness.judgement.throughput import trial_value, value_unit
from harness.results import Statement
from harness.statistics.intervals import Interval
from harness.statistics.summary import mean_of
from harness.statistics.tolerance import FREE_METHOD, where_trials_fall
from harness.statistics.within_run import TrialStatistics
from harness.units import quantity

TOPIC = "further trials"
#: Share of the further trials that the limits are to hold.
CONTENT = 0.95
_UNCHANGED = "machine, settings and room stay as they were"
ASSUMPTION = (
    "It assumes that trials scatter normally about one level, as far as these can show, and that "
    f"{_UNCHANGED}."
)
FREE_ASSUMPTION = (
    "It assumes no shape of the scatter, but that further trials scatter as these did, and that "
    f"{_UNCHANGED}."
)


def further_trials(loads: Sequence[LoadEvidence], confidence: float) -> tuple[Statement, ...]:
    """One statement for each load that was timed."""
    return tuple(
        _statement(load, load.statistics, confidence)
        for load in loads
        if load.statistics is not None
    )


def _statement(load: LoadEvidence, statistics: TrialStatistics, confidence: float) -> Statement:
    boots = _kept(load, statistics)
    found = _interval(boots, statistics, confidence)
    assumption = FREE_ASSUMPTION if found.method == FREE_METHOD else ASSUMPTION
    return Statement(TOPIC, _sentence(load, boots, found), assumption)


def _sentence(load: LoadEvidence, boots: Sequence[Sequence[float]], found: Interval) -> str:
    several = len(boots) > 1
    what = "the means of further boots" if several else "further trials in this boot"
    if found.low is None or found.high is None or found.low <= 0:
        few = f"{plural(_worth(boots), 'boot' if several else 'trial')} of such spread are too few"
        return f"{load.name}: where {what} would fall is not known: {found.reason or few}."
    unit = value_unit(load.info)
    return (
        f"{load.name}: at least {100 * CONTENT:g} % of {what} would fall between "
        f"{quantity(found.low, unit)} and {quantity(found.high, unit)} "
        f"({found.method} interval with {100 * found.confidence:g} % confidence, from "
        f"{plural(_worth(boots), 'boot' if several else 'trial')})."
    )


def _interval(
    boots: Sequence[Sequence[float]], statistics: TrialStatistics, confidence: float
) -> Interval:
    """Where the mean has no interval, no single trial has one either."""
    if statistics.low is None:
        reason = statistics.reason or "the mean itself has no interval"
        return Interval(None, None, None, confidence, "tolerance", None, reason)
    if len(boots) > 1:
        return where_trials_fall([mean_of(boot) for boot in boots], CONTENT, confidence)
    kept = set(statistics.kept)
    return where_trials_fall(
        boots[0] if boots else [],
        CONTENT,
        confidence,
        effective_count=statistics.effective_trials,
        straying=any(flag.index in kept for flag in statistics.flagged),
    )


def _kept(load: LoadEvidence, statistics: TrialStatistics) -> list[list[float]]:
    """The trials behind the mean, boot by boot."""
    boots: dict[int, list[float]] = defaultdict(list)
    for index in statistics.kept:
        value = trial_value(load.trials[index], load.info)
        if value is not None:
            boots[load.trials[index].boot].append(value)
    return list(boots.values())


def _worth(boots: Sequence[Sequence[float]]) -> int:
    """How many boots, or trials of the one boot, a sentence speaks of."""
    return len(boots) if len(boots) > 1 else sum(map(len, boots))
