"""The one outcome table: what happened, what the run's verdict is, which exit code follows.

Verdict values follow the idea of ETSI ES 201 873-1 (a test component's verdict: none, pass,
inconc, fail, error). Every verb, JUnit and the pytest plugin decide through this module.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum


class Verdict(StrEnum):
    """Verdict of a criterion or a run."""

    PASS = "pass"
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    NOT_TESTED = "not tested"
    #: Of a run only: a bug or a broken environment kept it from saying anything.
    ERROR = "error"


class ExitCode(IntEnum):
    """What the command returns to the shell."""

    PASS = 0
    FAIL = 1
    REFUSED = 2
    INCONCLUSIVE = 3
    SAFETY_STOP = 4
    ERROR = 5
    INTERRUPTED = 130


class Ending(StrEnum):
    """How the measuring part of a run ended."""

    COMPLETED = "completed"
    STOPPED_ON_FAILURE = "stopped on failure"
    SAFETY_STOP = "safety stop"
    INTERRUPTED = "interrupted"
    CRASHED = "crashed"
    ERROR = "error"
    AWAITING_BOOT = "awaiting boot"


@dataclass(frozen=True)
class Outcome:
    """A run's verdict, its exit code, and the reason in one sentence."""

    verdict: Verdict
    exit_code: ExitCode
    why: str


@dataclass(frozen=True)
class Requirement:
    """What the table needs to know of one criterion."""

    name: str
    required: bool
    verdict: Verdict


def decide(
    requirements: Iterable[Requirement],
    *,
    ending: Ending,
    failures: int,
    partial: bool = False,
    safety_stop: bool = False,
    damaged: bool = False,
    lacking: Sequence[str] = (),
) -> Outcome:
    """Apply the outcome table.

    `failures` counts failed checks, dead or hung lanes and unexplained deaths under load;
    `partial` says that only a selection of the profile ran, `safety_stop` that the guard stopped
    the load in any part of the run, `damaged` that part of the record cannot be read, `lacking`
    names loads that the profile asks for and the record does not hold. What was seen to fail
    outranks everything that keeps a run from being whole: an interruption, a broken harness, a
    damaged record.
    """
    required = [item for item in requirements if item.required]
    failed = [item.name for item in required if item.verdict is Verdict.FAIL]
    seen = _decide_failed(failed, ending, failures, safety_stop)
    if seen is not None:
        return seen
    if ending is Ending.ERROR:
        return Outcome(Verdict.ERROR, ExitCode.ERROR, "the harness or its storage failed")
    if ending is Ending.INTERRUPTED:
        return Outcome(Verdict.INCONCLUSIVE, ExitCode.INTERRUPTED, "interrupted before the end")
    why = _why_undecided(required, ending) or _why_not_whole(partial, damaged, lacking)
    if why:
        return Outcome(Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE, why)
    return Outcome(Verdict.PASS, ExitCode.PASS, "every required criterion passes")


def _decide_failed(
    failed: Sequence[str], ending: Ending, failures: int, safety_stop: bool
) -> Outcome | None:
    """The table's rows of what was seen to go wrong, the most telling first."""
    if safety_stop or ending is Ending.SAFETY_STOP:
        return Outcome(Verdict.FAIL, ExitCode.SAFETY_STOP, "stopped by a safety limit")
    if ending is Ending.CRASHED:
        return Outcome(Verdict.FAIL, ExitCode.FAIL, "the run ended without its end event")
    if failures:
        plural = "s" if failures > 1 else ""
        return Outcome(Verdict.FAIL, ExitCode.FAIL, f"{failures} failure{plural} under load")
    if failed:
        return Outcome(Verdict.FAIL, ExitCode.FAIL, "failed: " + ", ".join(failed))
    return None


def _why_undecided(required: Sequence[Requirement], ending: Ending) -> str:
    if ending is Ending.AWAITING_BOOT:
        return "more boots are planned: restart, resume"
    undecided = [item.name for item in required if item.verdict is not Verdict.PASS]
    if undecided:
        return "undecided: " + ", ".join(undecided)
    return "" if required else "no criterion was required"


def _why_not_whole(partial: bool, damaged: bool, lacking: Sequence[str]) -> str:
    """Why a run whose criteria all pass has still not shown what its profile asks for."""
    if damaged:
        return "the record is damaged: what cannot be read may have failed"
    if lacking:
        return "the record does not hold what the profile asks for: " + ", ".join(lacking)
    return "only part of the profile was selected" if partial else ""


class CaseOutcome(StrEnum):
    """What a test case (in JUnit XML, in pytest) says of one criterion."""

    PASSED = "passed"
    FAILURE = "failure"
    #: A failure of its own type, so that a build server can tell the two apart.
    INCONCLUSIVE = "inconclusive"
    SKIPPED = "skipped"
    ERROR = "error"


def case_outcome(
    verdict: Verdict, *, required: bool, allow_inconclusive: bool = False
) -> CaseOutcome:
    """The table's last column for one criterion.

    An optional criterion never fails a build: unless it passes it is skipped, and says why.
    """
    if verdict is Verdict.ERROR:
        return CaseOutcome.ERROR
    if verdict is Verdict.PASS:
        return CaseOutcome.PASSED
    if not required:
        return CaseOutcome.SKIPPED
    if verdict is Verdict.FAIL:
        return CaseOutcome.FAILURE
    return CaseOutcome.PASSED if allow_inconclusive else CaseOutcome.INCONCLUSIVE
