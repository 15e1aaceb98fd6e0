"""Whole runs as real commands in processes of their own, to be killed, stopped and starved.

A rig has its own runs folder, temporary folder and machine lock, and marks every process that
descends from its commands by an environment variable, so that an orphan is found whatever its
parent, group or session has become. Nothing here waits for time to pass: it waits for what the
record, the board or /proc shows.
"""

from __future__ import annotations

import json
import os
import secrets
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from harness.board import Board, LaneSlot
from harness.clock import NS_PER_SECOND, SYSTEM
from harness.errors import RigproofError
from harness.record.database import RECORD_NAME
from harness.record.places import SHARED_FOLDER_VARIABLE
from harness.record.progress import Progress, progress
from harness.record.reader import read_run
from harness.results import EventKind, RunData
from tests.sysfs_trees import Tree

T = TypeVar("T")

HERE = Path(__file__).resolve().parents[2]
ENTRY = "import sys; from harness.cli.main import entry; sys.argv[0] = 'rigproof'; entry()"
#: A session's leader takes the first terminal that it opens for its controlling one.
TERMINAL = "import os; os.close(os.open(os.ttyname(0), os.O_RDWR)); "
MARK = "RIGPROOF_RIG"
PATIENCE_SECONDS = 90.0
_LOOK_SECONDS = 0.01
_EDGES = (EventKind.LOAD_STARTED, EventKind.LOAD_ENDED)
BOOT_A = "aaaaaaaa-0000-4000-8000-000000000001"
BOOT_B = "bbbbbbbb-0000-4000-8000-000000000002"

TRIALS = """
format: 1
name: rig-trials
loads:
  - {workload: zstandard, parameters: {corpus_bytes: 262144}, trials: 16, trial_seconds: 0.1}
sampling: {rate_hz: 10}
accept:
  - {criterion: no-failures}
  - {criterion: no-crash}
"""

#: Long, and light on the machine: one part in ten of the time.
SOAK = """
format: 1
name: rig-soak
loads:
  - workload: fma-fp64
    parameters: {steps: 4096}
    soak_seconds: 600
    pattern: {kind: load-steps, frequency_hz: 5, duty_percent: 10}
sampling: {rate_hz: 10}
accept:
  - {criterion: no-failures}
  - {criterion: no-crash}
"""


def until(look: Callable[[], T | None], what: str, seconds: float = PATIENCE_SECONDS) -> T:
    """The first answer of `look` that is neither None nor False."""
    deadline = SYSTEM.monotonic_ns() + round(seconds * NS_PER_SECOND)
    while True:
        found = look()
        if found is not None and found is not False:
            return found
        assert SYSTEM.monotonic_ns() < deadline, f"not within {seconds:g} s: {what}"
        SYSTEM.sleep(_LOOK_SECONDS)


@dataclass(frozen=True)
class Process:
    """One living process of a rig, as /proc shows it."""

    pid: int
    parent: int
    state: str
    command: str


@dataclass
class Command:
    """A started command; `stderr` grows while it runs."""

    popen: subprocess.Popen[bytes]
    stdout_path: Path
    stderr_path: Path

    @property
    def pid(self) -> int:
        """The process that is the run's parent."""
        return self.popen.pid

    @property
    def stdout(self) -> str:
        """What it has printed."""
        return self.stdout_path.read_text("utf-8", "replace")

    @property
    def stderr(self) -> str:
        """What it has said to people."""
        return self.stderr_path.read_text("utf-8", "replace")

    def ended(self, seconds: float = PATIENCE_SECONDS) -> int:
        """Its exit code, once it has ended by itself."""
        return until(self.popen.poll, f"the end of the command; it said: {self.tail}", seconds)

    @property
    def tail(self) -> str:
        """The end of what it said, for failing tests."""
        return self.stderr[-2000:]


@dataclass
class Rig:
    """A place where commands run. Leaving it kills what is left of them."""

    place: Path
    #: A tree for --sysfs-root, or None for the machine itself.
    root: Path | None = None
    token: str = field(default_factory=lambda: secrets.token_hex(8))

    def __post_init__(self) -> None:
        self.runs_dir = self.place / "runs"
        # A short path: sockets of multiprocessing lie below it, and their names may not be long.
        self.temporary = Path(tempfile.mkdtemp(prefix="rig-"))
        for folder in (self.runs_dir, self.temporary):
            folder.mkdir(exist_ok=True)
        self._commands: list[Command] = []

    def __enter__(self) -> Rig:
        return self

    def __exit__(self, *_: object) -> None:
        for process in self.processes():
            _signal(process.pid, signal.SIGKILL)
        for command in self._commands:
            command.popen.wait()

    # -- commands ------------------------------------------------------------------------------

    def start(
        self,
        *words: str,
        terminal: int | None = None,
        code: str = ENTRY,
        before: tuple[str, ...] = (),
        **environment: str,
    ) -> Command:
        """Start a command in a session of its own, its output in files.

        With a `terminal` (a descriptor) it is the session's, and gets the output instead. `code`
        is what Python runs, and `before` what Python is started by.
        """
        number = len(self._commands)
        stdout, stderr = (self.place / f"{kind}-{number}" for kind in ("stdout", "stderr"))
        with stdout.open("wb") as out, stderr.open("wb") as err:
            popen = subprocess.Popen(
                [
                    *before,
                    sys.executable,
                    "-c",
                    code if terminal is None else TERMINAL + code,
                    *words,
                ],
                stdin=subprocess.DEVNULL if terminal is None else terminal,
                stdout=out if terminal is None else terminal,
                stderr=err if terminal is None else terminal,
                cwd=HERE,
                env=self.environment(**environment),
                start_new_session=True,
            )
        self._commands.append(Command(popen, stdout, stderr))
        return self._commands[-1]

    def environment(self, **more: str) -> dict[str, str]:
        """What this rig's commands find in their environment, and `more`."""
        found = {**os.environ, MARK: self.token, "TMPDIR": str(self.temporary)}
        found[SHARED_FOLDER_VARIABLE] = str(self.temporary)
        found["RIGPROOF_RUNS_DIR"] = str(self.runs_dir)
        if self.root is not None:
            found["RIGPROOF_SYSFS_ROOT"] = str(self.root)
        return {**found, **more}

    def call(self, *words: str, **environment: str) -> Command:
        """A command run to its end."""
        command = self.start(*words, **environment)
        command.ended()
        return command

    def run(
        self, profile: str, *words: str, terminal: int | None = None, code: str = ENTRY
    ) -> Command:
        """Start a run of a profile text."""
        path = self.place / f"profile-{len(self._commands)}.yaml"
        path.write_text(profile)
        return self.start("run", str(path), *words, terminal=terminal, code=code)

    def listed(self) -> dict[str, Mapping[str, Any]]:
        """What the next command on this runs folder says of every run, by run id."""
        command = self.call("runs", "--json")
        assert command.popen.returncode == 0, command.tail
        return {line["run_id"]: line for line in json.loads(command.stdout)["runs"]}

    # -- what the record shows -----------------------------------------------------------------

    def folder(self) -> Path | None:
        """The newest run's folder once it holds a record that can be read."""
        folders = sorted(self.runs_dir.iterdir())
        return folders[-1] if folders and (folders[-1] / RECORD_NAME).is_file() else None

    def glance(self) -> Progress | None:
        """Where the newest run stands, None while its record is being made."""
        folder = self.folder()
        try:
            return None if folder is None else progress(folder)
        except RigproofError:
            return None

    def await_record(self, look: Callable[[Progress], bool], what: str, of: Command) -> Progress:
        """The first glance that `look` likes; the command must live until then."""

        def seen() -> Progress | None:
            now = self.glance()
            if now is not None and look(now):
                return now
            assert of.popen.poll() is None, f"ended before {what}: {of.tail}"
            return None

        return until(seen, what)

    def await_load(self, of: Command, trials: int = 0) -> None:
        """Until load is on in this part of the run, and so many trials have been kept."""
        self.await_record(lambda now: load_is_on(now, trials), f"load after {trials} trials", of)

    def data(self) -> RunData:
        """The newest run."""
        folder = self.folder()
        assert folder is not None
        return read_run(folder)

    # -- processes -----------------------------------------------------------------------------

    def processes(self) -> list[Process]:
        """Every living process that descends from this rig's commands."""
        mark = f"{MARK}={self.token}".encode()
        found = []
        for folder in Path("/proc").iterdir():
            if folder.name.isdigit() and int(folder.name) != os.getpid():
                process = _look_at(folder, mark)
                if process is not None:
                    found.append(process)
        return found

    def seconds_until_gone(self, seconds: float = 10.0) -> float:
        """How long from now until no process of this rig is left."""
        begun = SYSTEM.monotonic_ns()
        until(lambda: not self.processes(), f"no orphans, but {self.processes()}", seconds)
        return (SYSTEM.monotonic_ns() - begun) / NS_PER_SECOND

    def board(self, command: Command) -> Board:
        """The board of the run that `command` measures."""
        return until(lambda: self._board(command), "the run's board")

    def board_path(self, command: Command) -> Path | None:
        """Where that board lies, None while or when there is none."""
        for base in (Path("/dev/shm"), self.temporary):
            for path in base.glob(f"rigproof-{command.pid}-*/board"):
                return path
        return None

    def _board(self, command: Command) -> Board | None:
        path = self.board_path(command)
        try:
            return None if path is None else Board.open(path)
        except (ValueError, OSError):
            return None

    def roles(self, command: Command) -> dict[str, int]:
        """Process ids by role: parent, template, sampler, lane 0, lane 1, ..."""
        return until(lambda: self._roles(command), "all processes of the run")

    def _roles(self, command: Command) -> dict[str, int] | None:
        processes = self.processes()
        board = self._board(command)
        template = [
            it.pid for it in processes if it.parent == command.pid and "forkserver" in it.command
        ]
        if board is None or len(template) != 1:
            return None
        lanes = [board.lane(lane, LaneSlot.PID) for lane in range(board.lanes)]
        forked = {it.pid for it in processes if it.parent == template[0]}
        samplers = forked - set(lanes)
        if len(samplers) != 1 or not set(lanes) <= forked:
            return None
        named = {f"lane {lane}": pid for lane, pid in enumerate(lanes)}
        return {
            "parent": command.pid,
            "template": template[0],
            "sampler": samplers.pop(),
            **named,
        }


def _look_at(folder: Path, mark: bytes) -> Process | None:
    """A process that carries the mark; zombies and those that are just ending carry nothing."""
    try:
        if mark not in (folder / "environ").read_bytes().split(b"\0"):
            return None
        fields = (folder / "stat").read_text("utf-8", "replace").rpartition(")")[2].split()
        words = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode("utf-8", "replace")
    except OSError:
        return None
    return (
        None if fields[0] in "ZX" else Process(int(folder.name), int(fields[1]), fields[0], words)
    )


def _signal(pid: int, number: int) -> None:
    try:
        os.kill(pid, number)
    except ProcessLookupError:
        return


def load_is_on(now: Progress, trials: int = 0) -> bool:
    """Whether load is on in this part of the run, after so many trials."""
    kinds = [event.kind for event in now.events]
    if EventKind.RESUMED in kinds:
        kinds = kinds[len(kinds) - kinds[::-1].index(EventKind.RESUMED) :]
    edges = [kind for kind in kinds if kind in _EDGES]
    on = bool(edges) and edges[-1] is EventKind.LOAD_STARTED
    return now.end.ending is None and on and now.trials >= trials


def machine_of(root: Path, boot_id: str = BOOT_A, microcode: str = "0x100") -> Tree:
    """An invented machine whose boot id and microcode a test can change."""
    tree = Tree(root)
    tree.cpus(2)
    tree.memory(32 * 1024**2, 28 * 1024**2)
    tree.cpuinfo({"vendor_id": "AVendor", "model name": "A CPU", "microcode": microcode})
    tree.boot(boot_id)
    return tree
