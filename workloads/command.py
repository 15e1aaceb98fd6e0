"""`command`: run a program of your own, once a pass, and check how it ended.

The program is an argument list and is started directly, never through a shell. It runs in a folder
of the caller's choice on the lane's CPU, with the environment that rigproof was started in (not the
one-thread variables of the lanes) and nothing on its standard input, and dies with the lane.
Profiles that use it must be granted the right to start programs.

Three checks: `exit-status` (nothing but the status), `output` (the same standard output every time,
or the one whose SHA-256 is given), `pattern` (a regular expression that standard output must
contain). Which one fits is the user's knowledge; the report says which one was used.
"""

from __future__ import annotations

import hashlib
import re
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np

from workloads import surroundings
from workloads.children import OUTPUT_LIMIT_BYTES, Children, Ended
from workloads.contract import (
    AVAILABLE,
    Availability,
    Finding,
    Parameter,
    Parameters,
    Task,
    Value,
    Workload,
)
from workloads.digest import combine, fold
from workloads.room import Room

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

_CHECKS = ("exit-status", "output", "pattern")
_HEXADECIMAL_SHA256 = re.compile(r"[0-9a-f]{64}\Z")
#: Stands for "the program did not end by itself" where an exit status is expected.
_NO_STATUS = np.iinfo(np.int64).min
#: What the digest takes in for a check that held, and for one that did not.
_HELD, _FAILED = 1, 0


class CommandTask(Task):
    """One lane's program."""

    def __init__(self, parameters: Parameters) -> None:
        super().__init__()
        self.work_per_pass = 1.0
        self._parameters = parameters
        self._argv = _argv(parameters)
        self._status = np.zeros(1, np.int64)
        self._output = Room(OUTPUT_LIMIT_BYTES)
        self._ended: Ended | None = None
        self._children = Children()

    def execute(self) -> None:
        """Run the program to its end, or to the end of its time."""
        self._ended = self._children.run(
            self._argv,
            timeout_seconds=float(str(self._parameters["timeout_seconds"])),
            folder=_folder(self._parameters),
            environment=surroundings.of_the_user(),
        )
        status = self._ended.status
        self._status[0] = _NO_STATUS if status is None else status
        self._output.fill(self._ended.output)

    def digest(self) -> int:
        """Of what the chosen check looks at, and of nothing else."""
        return _judgement(self._parameters, self._status, self._output.content, self._overflow())

    def inputs_digest(self) -> int:
        """Of the argument list; what the program reads besides is its own affair."""
        joined = "\0".join(self._argv).encode()
        return fold(np.frombuffer(joined, np.uint8))

    def buffers(self) -> dict[str, Buffer]:
        """Exit status (negative: the signal) and standard output."""
        return {"result_status": self._status, "result_output": self._output.content}

    def invariants(self) -> tuple[Finding, ...]:
        """How the program ended, what it said on standard error, and whether the check held."""
        if self._ended is None:
            return ()
        wanted = int(str(self._parameters["exit_status"]))
        said = f"; standard error ends: {self._ended.error_tail[-200:]}"
        detail = f"expected exit status {wanted}, {self._ended.describe()}"
        detail += said if self._ended.error_tail else ""
        status = Finding("program ended", int(self._status[0]) == wanted, detail)
        return (status, *self._output_findings())

    def _output_findings(self) -> tuple[Finding, ...]:
        if self._parameters["check"] == "exit-status":
            return ()
        content = self._output.content
        if self._overflow():
            limit = f"printed more than {OUTPUT_LIMIT_BYTES} bytes, which cannot be checked"
            return (Finding("output", False, limit),)
        if self._parameters["check"] == "pattern":
            detail = f"/{self._parameters['pattern']}/ in {content.size} bytes"
            return (Finding("pattern found", _matches(self._parameters, content), detail),)
        wanted = str(self._parameters["output_sha256"])
        found = hashlib.sha256(content.tobytes()).hexdigest()
        return (Finding("output's SHA-256", wanted in ("", found), f"found {found}"),)

    def _overflow(self) -> bool:
        return self._ended is not None and self._ended.output_bytes > OUTPUT_LIMIT_BYTES

    def close(self) -> None:
        """Kill the program and whatever it started."""
        self._children.close()


def _judgement(
    parameters: Parameters, status: NDArray[np.int64], output: NDArray[np.uint8], overflow: bool
) -> int:
    """The digest: a constant for a check that held, except for outputs not known beforehand."""
    held = int(status[0]) == int(str(parameters["exit_status"]))
    check = parameters["check"]
    if check == "exit-status":
        return combine(_HELD if held else _FAILED)
    if check == "pattern":
        return combine(_HELD if held and not overflow and _matches(parameters, output) else _FAILED)
    if not held or overflow:
        return combine(_FAILED)
    return combine(_HELD, _text_digest(hashlib.sha256(output.tobytes()).hexdigest()))


def _text_digest(text: str) -> int:
    return fold(np.frombuffer(text.encode("ascii"), np.uint8))


def _matches(parameters: Parameters, output: NDArray[np.uint8]) -> bool:
    text = output.tobytes().decode(errors="replace")
    return re.search(str(parameters["pattern"]), text, re.MULTILINE) is not None


def _argv(parameters: Parameters) -> tuple[str, ...]:
    argv = parameters["argv"]
    assert isinstance(argv, tuple)  # noqa: S101 - `complete` has checked it
    return argv


def _folder(parameters: Parameters) -> Path | None:
    folder = str(parameters["folder"])
    return Path(folder) if folder else None


class CommandWorkload(Workload):
    """Any program, run and timed."""

    name = "command"
    version = 1
    family = "your own"
    unit = "run"
    purpose = "whatever your program does"
    check = "exit status, and on request the output or a pattern in it"
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "argv": Parameter((), "program and arguments, a list of strings; never a shell line"),
        "check": Parameter("exit-status", "what decides whether a run was right", choices=_CHECKS),
        "exit_status": Parameter(0, "the status a right run ends with", low=0, high=255),
        "output_sha256": Parameter("", "SHA-256 of the right output (check: output)"),
        "pattern": Parameter("", "regular expression the output must contain (check: pattern)"),
        "folder": Parameter("", "working folder; empty means the one rigproof was started in"),
        "timeout_seconds": Parameter(
            600.0, "a run that lasts longer is killed and has failed", "s", 0.01, 86_400.0
        ),
    }
    needs_permission = True

    def complete(self, given: Mapping[str, Any]) -> dict[str, Value]:
        """See :class:`Workload`; also the rules that tie parameters together."""
        values = super().complete(given)
        if not values["argv"] or not _argv(values)[0]:
            raise ValueError("argv: received an empty list, needs a program and its arguments")
        _check_digest(values)
        _check_pattern(values)
        return values

    def availability_with(self, parameters: Parameters) -> Availability:
        """See :class:`Workload`: the folder and the program have to be there."""
        trouble = _missing(parameters)
        return Availability(False, trouble) if trouble else AVAILABLE

    def pass_limit_seconds(self, parameters: Parameters) -> float:
        """See :class:`Workload`: a program may take its time; nothing is known of it."""
        return float(str(parameters["timeout_seconds"]))

    def memory_bytes(self, parameters: Parameters) -> int:
        """Room for the output, kept twice; the program's own memory is not known."""
        return 2 * OUTPUT_LIMIT_BYTES

    def prepare(self, parameters: Parameters, seed: int) -> Task:
        """Raises ValueError where the program or the folder cannot be found."""
        if trouble := _missing(parameters):
            raise ValueError(trouble)
        return CommandTask(parameters)

    def golden(self, parameters: Parameters, seed: int) -> int | None:
        """Known beforehand, except for an output that only has to be the same every time."""
        if parameters["check"] != "output":
            return combine(_HELD)
        wanted = str(parameters["output_sha256"])
        return combine(_HELD, _text_digest(wanted)) if wanted else None


def _missing(parameters: Parameters) -> str:
    """What of the command is not on this machine; empty when all of it is."""
    program, folder = _argv(parameters)[0], _folder(parameters)
    if folder is not None and not folder.is_dir():
        return f"folder: received {str(folder)!r}, which is no folder here"
    # A relative path with a slash counts from the working folder, as the system does it.
    relative = "/" in program and not Path(program).is_absolute()
    place = str((folder or Path()) / program) if relative else program
    if shutil.which(place) is None:
        return f"argv: received {program!r}, which is no program that runs here"
    return ""


def _check_digest(values: Mapping[str, Value]) -> None:
    wanted = str(values["output_sha256"])
    if wanted and not _HEXADECIMAL_SHA256.match(wanted):
        raise ValueError(f"output_sha256: received {wanted!r}, needs 64 digits 0-9 a-f")
    if wanted and values["check"] != "output":
        raise ValueError(f"output_sha256: unused with check: {values['check']}; set check: output")


def _check_pattern(values: Mapping[str, Value]) -> None:
    pattern = str(values["pattern"])
    if bool(pattern) != (values["check"] == "pattern"):
        raise ValueError(
            f"pattern: received {pattern!r} with check: {values['check']};"
            " give a pattern and check: pattern, or neither"
        )
    try:
        re.compile(pattern)
    except re.error as error:
        raise ValueError(f"pattern: received {pattern!r}: {error}") from None
