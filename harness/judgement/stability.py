"""What verified passes and failures allow to be said about stability, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator

from harness.criteria.evidence import Evidence
from harness.criteria.exposure import Exposure, exposure_of
from harness.criteria.judging import plural
from harness.results import Statement
from harness.statistics.reliability import (
    ASSUMPTION,
    RateBounds,
    StabilityStatement,
    hours_to_demonstrate,
    stability_statement,
)
from harness.units import count, duration, number

TOPIC = "stability"
#: A soak shorter than this is a screen, and the report says what that is worth.
SCREEN_HOURS = 1.0
#: The claim that the planner's inverse is shown for.
_CLAIM_HOURS = 100.0
_SECONDS_PER_HOUR = 3600.0


def stability_statements(evidence: Evidence) -> tuple[Statement, ...]:
    """One statement for each load that was soaked or failed, and one on what it would take."""
    done = [
        exposure_of(load, evidence)
        for load in evidence.loads
        if load.soaks or exposure_of(load, evidence).failures
    ]
    stated = [_stated(item, evidence.confidence) for item in done if item.passes or item.failures]
    if not stated:
        return ()
    shortest = min(item.rate.hours for item in stated)
    failed = any(item.rate.failures for item in stated)
    closing = () if failed else tuple(_closing(shortest, evidence.confidence))
    return (*(_statement(item) for item in stated), *closing)


def _stated(done: Exposure, confidence: float) -> StabilityStatement:
    return stability_statement(
        done.load, done.machine_hours, done.passes, done.failures, confidence, done.cores
    )


def _statement(stated: StabilityStatement) -> Statement:
    return Statement(TOPIC, " ".join(_sentences(stated)), f"It {stated.assumption}.")


def _sentences(stated: StabilityStatement) -> Iterator[str]:
    rate = stated.rate
    certainty = f"{100 * rate.confidence:g} % confidence"
    seen = plural(rate.failures, "error") if rate.failures else "no error"
    time = duration(rate.hours * _SECONDS_PER_HOUR)
    if rate.upper is None:
        yield f"{stated.load}: nothing is shown, the load did not run."
        return
    yield (
        f"{stated.load}: {seen} in {time} and {count(stated.success.trials)} passes shows, with "
        f"{certainty}, at most one error per {_per_error(rate)} of this load."
    )
    if stated.success.lower is not None and stated.success.lower > 0:
        wrong = 1.0 - stated.success.lower
        yield f"A single pass is wrong in at most {number(100 * wrong, digits=2)} % of cases."
    # Failures without a place count on every core, and make none the weakest.
    differ = len({bounds.failures for _, bounds in stated.cores}) > 1 or len(stated.cores) == 1
    if rate.failures and differ and stated.weakest_core is not None:
        yield f"The weakest is {stated.weakest_core}."


def _per_error(rate: RateBounds) -> str:
    return duration(_SECONDS_PER_HOUR / rate.upper) if rate.upper else "unknown time"


def _closing(shortest_hours: float, confidence: float) -> Iterator[Statement]:
    needed = hours_to_demonstrate(1.0 / _CLAIM_HOURS, confidence)
    claim = (
        f"To claim at most one error per {_CLAIM_HOURS:.0f} hours of a load with "
        f"{100 * confidence:g} % confidence, run it for {needed:.0f} hours without an error."
    )
    if shortest_hours < SCREEN_HOURS:
        claim = (
            f"{duration(shortest_hours * _SECONDS_PER_HOUR)} without an error is a quick screen "
            "(common practice, no source): it finds settings that are far too bold and proves "
            f"little about rare errors. {claim}"
        )
    yield Statement(TOPIC, claim, f"It {ASSUMPTION}.")
