"""The one outcome table: what happened, what the run's verdict is, which exit code follows.

Verdict values follow the idea of ETSI ES 201 873-1 (a test component's verdict: none, pass,
inconc, fail, error). Every verb, JUnit and the pytest plugin decide through this module.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum, StrEnum


class Verdict(StrEnum):
    """Verdict of a criterion or a run."""

    PASS = "pass"
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    NOT_TESTED = "not tested"


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
) -> Outcome:
    """Apply the outcome table.

    `failures` counts failed checks, dead or hung lanes and unexplained deaths under load;
    `partial` says that only a selection of the profile ran. A failure outranks an interruption:
    what was seen to fail does not become undecided because somebody then pressed a key.
    """
    required = [item for item in requirements if item.required]
    failed = [item.name for item in required if item.verdict is Verdict.FAIL]
    early = _decide_ending(ending)
    if early is not None:
        return early
    if failures:
        plural = "s" if failures > 1 else ""
        return Outcome(Verdict.FAIL, ExitCode.FAIL, f"{failures} failure{plural} under load")
    if failed:
        return Outcome(Verdict.FAIL, ExitCode.FAIL, "failed: " + ", ".join(failed))
    return _decide_undecided(required, ending, partial)


def _decide_ending(ending: Ending) -> Outcome | None:
    if ending is Ending.SAFETY_STOP:
        return Outcome(Verdict.FAIL, ExitCode.SAFETY_STOP, "stopped by a safety limit")
    if ending is Ending.CRASHED:
        return Outcome(Verdict.FAIL, ExitCode.FAIL, "the run ended without its end event")
    if ending is Ending.ERROR:
        return Outcome(Verdict.INCONCLUSIVE, ExitCode.ERROR, "the harness or its storage failed")
    return None


def _decide_undecided(required: list[Requirement], ending: Ending, partial: bool) -> Outcome:
    if ending is Ending.INTERRUPTED:
        return Outcome(Verdict.INCONCLUSIVE, ExitCode.INTERRUPTED, "interrupted before the end")
    if ending is Ending.AWAITING_BOOT:
        return Outcome(
            Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE, "more boots are planned: restart, resume"
        )
    undecided = [item.name for item in required if item.verdict is not Verdict.PASS]
    if undecided:
        why = "undecided: " + ", ".join(undecided)
    elif not required:
        why = "no criterion was required"
    elif partial:
        why = "only part of the profile was selected"
    else:
        return Outcome(Verdict.PASS, ExitCode.PASS, "every required criterion passes")
    return Outcome(Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE, why)


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
    if verdict is Verdict.PASS:
        return CaseOutcome.PASSED
    if not required:
        return CaseOutcome.SKIPPED
    if verdict is Verdict.FAIL:
        return CaseOutcome.FAILURE
    return CaseOutcome.PASSED if allow_inconclusive else CaseOutcome.INCONCLUSIVE
