"""What verified passes and failures allow to be said about stability, in plain sentences."""

from __future__ import annotations

import math
from collections.abc import Iterator
from decimal import ROUND_FLOOR, Decimal

from harness.criteria.evidence import Evidence
from harness.criteria.exposure import Exposure, exposure_of
from harness.criteria.judging import listed, plural
from harness.results import Statement
from harness.statistics.reliability import (
    ASSUMPTION,
    RateBounds,
    ShareBounds,
    StabilityStatement,
    hours_to_demonstrate,
    passes_to_demonstrate,
    stability_statement,
)
from harness.units import count, duration

TOPIC = "stability"
#: A soak shorter than this is a screen, and the report says what that is worth.
SCREEN_HOURS = 1.0
#: The claims that the planner's inverse is shown for.
_CLAIM_HOURS = 100.0
_CLAIM_SUCCESS = 0.9999
#: Cores whose times differ by less were under the load for the same time.
_SAME_SHARE = 0.01
_SECONDS_PER_HOUR = 3600.0


def stability_statements(evidence: Evidence) -> tuple[Statement, ...]:
    """One statement for each load that was soaked or failed, and one on what it would take."""
    done = [
        (load, exposure)
        for load in evidence.loads
        if (exposure := exposure_of(load, evidence)).failures or (load.soaks and exposure.passes)
    ]
    stated = [_stated(exposure, evidence.confidence) for _, exposure in done]
    quiet = [item.rate.hours for item in stated if item.rate.upper is not None]
    failed = any(item.rate.failures for item in stated)
    closing = () if failed or not quiet else tuple(_closing(min(quiet), evidence.confidence))
    return (*(_statement(item) for item in stated), *closing)


def _stated(done: Exposure, confidence: float) -> StabilityStatement:
    return stability_statement(
        done.load, done.machine_hours, done.elapsed_hours, done.failures, done.cores, confidence
    )


def _statement(stated: StabilityStatement) -> Statement:
    return Statement(TOPIC, " ".join(_sentences(stated)), f"It {stated.assumption}.")


def _sentences(stated: StabilityStatement) -> Iterator[str]:
    rate = stated.rate
    seen = plural(rate.failures, "error") if rate.failures else "no error"
    if rate.upper is None:
        silent = [name for name, bounds in stated.cores if bounds.upper is None]
        where = listed(silent) if silent else "the machine"
        yield f"{stated.load}: {seen}; {where} verified no pass, so no rate of errors is shown."
        return
    yield (
        f"{stated.load}: {seen}, with {duration(rate.hours * _SECONDS_PER_HOUR)} in verified "
        f"passes on {_where(stated)}, shows with {_certainty(rate)} at most one error per "
        f"{_per_error(rate)} of this load."
    )
    yield from _success(stated.success)
    yield from _core_by_core(stated)


def _where(stated: StabilityStatement) -> str:
    """Whose time it is that counts: that of the core with the least, where they differ."""
    hours = {name: bounds.hours for name, bounds in stated.cores}
    if len(hours) < 2:
        return next(iter(hours), "the machine")
    least = min(hours, key=lambda name: hours[name])
    if max(hours.values()) <= (1.0 + _SAME_SHARE) * hours[least]:
        return f"each of {len(hours)} cores"
    return f"{least}, which has the least (hours of cores are never added up)"


def _certainty(rate: RateBounds) -> str:
    return f"{100 * rate.confidence:g} % confidence"


def _success(success: ShareBounds) -> Iterator[str]:
    """The demonstrated success rate, rounded to the side of caution."""
    if not success.lower:
        return
    wrong = 100.0 * (1.0 - success.lower)
    places = max(1, 1 - math.floor(math.log10(wrong)))
    step = Decimal(1).scaleb(-places)
    right = Decimal(100.0 * success.lower).quantize(step, rounding=ROUND_FLOOR)
    yield (
        f"Demonstrated success rate per pass, on whichever core: at least {right} % "
        f"(Clopper-Pearson); a single pass is wrong in at most {100 - right} % of cases."
    )


def _core_by_core(stated: StabilityStatement) -> Iterator[str]:
    """Failures without a place count on every core, and make none the weakest."""
    if len(stated.cores) < 2:
        return
    if not stated.rate.failures:
        yield "The same holds for each core by itself."
    elif len({bounds.failures for _, bounds in stated.cores}) > 1:
        yield from _weakest(stated)


def _weakest(stated: StabilityStatement) -> Iterator[str]:
    bounds = dict(stated.cores)
    name = stated.weakest_core or ""
    failed = plural(bounds[name].failures, "error")
    others = [item for other, item in stated.cores if other != name and item.upper]
    shown = f"at most one per {_per_error(bounds[name])}" if bounds[name].upper else "no rate shown"
    rest = ""
    if others:
        least = max(others, key=lambda item: item.upper or 0.0)
        rest = f"; every other core by itself at most one per {_per_error(least)}"
    yield f"The weakest is {name}: {failed}, {shown}{rest}."


def _per_error(rate: RateBounds) -> str:
    return duration(_SECONDS_PER_HOUR / rate.upper) if rate.upper else "unknown time"


def _closing(shortest_hours: float, confidence: float) -> Iterator[Statement]:
    needed = hours_to_demonstrate(1.0 / _CLAIM_HOURS, confidence)
    passes = passes_to_demonstrate(_CLAIM_SUCCESS, confidence)
    claim = (
        f"To claim at most one error per {_CLAIM_HOURS:.0f} hours of a load with "
        f"{100 * confidence:g} % confidence, run it for {needed:.0f} hours without an error; to "
        f"claim that {100 * _CLAIM_SUCCESS:g} % of its passes are right, let every core verify "
        f"{count(passes)} without an error."
    )
    if shortest_hours < SCREEN_HOURS:
        claim = (
            f"{duration(shortest_hours * _SECONDS_PER_HOUR)} without an error is a quick screen "
            "(common practice, no source): it finds settings that are far too bold and proves "
            f"little about rare errors. {claim}"
        )
    yield Statement(TOPIC, claim, f"It {ASSUMPTION}.")
