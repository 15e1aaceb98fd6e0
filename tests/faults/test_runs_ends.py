"""How a run may be ended from outside: a closed terminal, a stopped service, an impatient operator;
and that two runs never load one machine at once.

Oracle: the outcome table: what the operator ended is interrupted, and no failure of the machine.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from harness.outcome import Ending, ExitCode, Verdict
from harness.record.lock import LOCK_NAME
from harness.record.verify import verify_run
from harness.results import EventKind
from tests.faults.rigs import ENTRY, SOAK, TRIALS, Command, Rig, until

#: Every run sweeps the folder in memory that all runs share, so that a run of another test may be
#: the one that removes what a killed one left there. These runs have a base of their own.
OWN_BASE = (
    "import harness.scratch as s; from harness.record.files import temporary_folder; "
    f"s._base = temporary_folder; {ENTRY}"
)
OPERATORS = (signal.SIGHUP, signal.SIGTERM, signal.SIGINT)


@pytest.fixture(scope="module")
def signalled(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[dict[signal.Signals, tuple[Rig, Command]]]:
    """A run for each signal, every process of it signalled under load.

    A terminal, and a service manager, signal the whole group: the lanes must not die of it.
    """
    if not Path("/proc/self/environ").exists():
        pytest.skip("processes are looked for in /proc, which only Linux has")
    with ExitStack() as stack:
        rigs = {it: stack.enter_context(Rig(tmp_path_factory.mktemp(it.name))) for it in OPERATORS}
        found = {number: (rig, rig.run(SOAK)) for number, rig in rigs.items()}
        for number, (rig, command) in found.items():
            rig.await_load(command)
            os.killpg(command.pid, number)
        yield found


@pytest.mark.parametrize("number", OPERATORS)
def test_a_signal_to_every_process_of_the_run_is_the_operators_wish_and_no_failure(
    signalled: dict[signal.Signals, tuple[Rig, Command]], number: signal.Signals
) -> None:
    rig, command = signalled[number]
    assert command.ended() == ExitCode.INTERRUPTED, command.tail
    data = rig.data()
    assert (data.failures, data.ending) == ((), Ending.INTERRUPTED)
    (event,) = [event for event in data.events if event.kind is EventKind.INTERRUPTED]
    assert event.data == {"signal": number.name}
    folder = rig.folder()
    assert folder is not None
    assert json.loads((folder / "summary.json").read_text())["verdict"] == Verdict.INCONCLUSIVE
    assert rig.seconds_until_gone(2.0) < 2.0


def test_two_runs_at_once_are_refused_and_what_a_killed_one_left_is_explained_and_swept(
    tmp_path: Path,
) -> None:
    if not Path("/proc/self/environ").exists():
        pytest.skip("processes are looked for in /proc, which only Linux has")
    with Rig(tmp_path) as rig:
        command = rig.run(SOAK, code=OWN_BASE)
        rig.await_load(command)
        second = rig.run(TRIALS, code=OWN_BASE)
        assert second.ended() == ExitCode.REFUSED
        assert f"is under way on this machine (process {command.pid}, for " in second.stderr
        assert len(list(rig.runs_dir.iterdir())) == 1  # a refused run leaves nothing
        scratch = rig.board(command).path.parent
        assert scratch.parent == rig.temporary
        check_closed_by_force(rig, command)
        check_swept(rig, command, scratch)


def check_closed_by_force(rig: Rig, command: Command) -> None:
    """The terminal closes, and the run is killed before it can end."""
    # A stopped lane holds the end of the load up for two seconds; and what is stopped, the process
    # that lanes are forked from too, must not outlive its run.
    roles = rig.roles(command)
    for role in ("lane 0", "template"):
        os.kill(roles[role], signal.SIGSTOP)
    os.kill(command.pid, signal.SIGHUP)
    rig.await_record(
        lambda now: any(it.kind is EventKind.INTERRUPTED for it in now.events), "the wish", command
    )
    os.kill(command.pid, signal.SIGKILL)
    assert rig.seconds_until_gone(2.0) < 2.0  # with the load: it runs in these processes
    command.ended()
    folder = rig.folder()
    assert folder is not None
    line = rig.listed()[folder.name]
    assert (line["ending"], line["verdict"]) == (Ending.INTERRUPTED, Verdict.INCONCLUSIVE)
    assert "the terminal was closed" in rig.data().ending_text
    assert rig.data().failures == ()


def check_swept(rig: Rig, command: Command, scratch: Path) -> None:
    """The next run takes the lock over, says so, and removes the scratch folder."""
    assert (rig.temporary / LOCK_NAME).exists()
    assert scratch.is_dir()
    after = rig.run(TRIALS, code=OWN_BASE)
    note = "was stale, its process is gone, and was removed"
    until(lambda: note in after.stderr, "the note on the lock")
    assert not scratch.exists()
    os.kill(after.pid, signal.SIGINT)
    assert after.ended() == ExitCode.INTERRUPTED, after.tail
    (stale,) = [event for event in rig.data().events if event.data.get("name") == "stale lock"]
    assert f"(process {command.pid}, " in stale.text
    assert not (rig.temporary / LOCK_NAME).exists()
    assert rig.board_path(after) is None


PROGRAMS = """
format: 1
name: programs
loads:
  - {workload: command, parameters: {argv: ["PYTHON", "-c", "SLEEP"]}, trials: 3}
sampling:
  rate_hz: 10
  external:
    - {name: probe, argv: ["PYTHON", "-c", "SENSOR"], unit: V}
accept:
  - {criterion: no-failures}
"""
SLEEP = "import time; time.sleep(600)"
SENSOR = "import time; print('probe 1.2', flush=True); time.sleep(601)"


def test_programs_that_a_profile_started_do_not_outlive_a_killed_run(tmp_path: Path) -> None:
    if not Path("/proc/self/environ").exists():
        pytest.skip("processes are looked for in /proc, which only Linux has")
    text = PROGRAMS.replace("PYTHON", sys.executable).replace("SLEEP", SLEEP)
    with Rig(tmp_path) as rig:
        command = rig.run(text.replace("SENSOR", SENSOR), "--allow-commands")

        def both_run() -> bool:
            words = " ".join(it.command for it in rig.processes())
            return "sleep(600)" in words and "sleep(601)" in words

        until(both_run, f"both programs: {command.tail}")
        os.kill(command.pid, signal.SIGKILL)
        assert rig.seconds_until_gone(2.0) < 2.0


def test_a_terminal_that_is_closed_ends_the_run_whole(tmp_path: Path) -> None:
    """A real terminal: drawn on while the run goes on, and gone when it ends."""
    if not hasattr(os, "openpty") or not Path("/proc/self/environ").exists():
        pytest.skip("needs pseudo-terminals and /proc")
    ours, theirs = os.openpty()
    with Rig(tmp_path) as rig:
        command = rig.run(SOAK, terminal=theirs)
        os.close(theirs)
        reader = threading.Thread(target=read_all, args=(ours,), daemon=True)
        reader.start()
        rig.await_load(command)
        os.close(ours)
        assert command.ended() == ExitCode.INTERRUPTED  # although nobody can be told
        data = rig.data()
        assert (data.failures, data.ending) == ((), Ending.INTERRUPTED)
        assert [it.data for it in data.events if it.kind is EventKind.INTERRUPTED] == [
            {"signal": "SIGHUP"}
        ]
        folder = rig.folder()
        assert folder is not None
        assert verify_run(folder) == ()
        assert json.loads((folder / "summary.json").read_text())["verdict"] == "inconclusive"
        assert rig.seconds_until_gone(2.0) < 2.0


def read_all(descriptor: int) -> None:
    with contextlib.suppress(OSError):
        while os.read(descriptor, 1 << 16):
            pass
