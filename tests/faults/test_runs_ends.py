"""How a run may be ended from outside: a closed terminal, a stopped service, an impatient operator;
and that two runs never load one machine at once.

Oracle: the outcome table: what the operator ended is interrupted, and no failure of the machine.
"""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.outcome import Ending, ExitCode, Verdict
from harness.record.lock import LOCK_NAME
from harness.results import EventKind
from tests.faults.rigs import SOAK, TRIALS, Command, Rig, until


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    if not Path("/proc/self/environ").exists():
        pytest.skip("processes are looked for in /proc, which only Linux has")
    with Rig(tmp_path) as made:
        yield made


def under_load(rig: Rig, command: Command) -> None:
    rig.await_record(
        lambda now: any(it.kind is EventKind.LOAD_STARTED for it in now.events), "load", command
    )


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTERM, signal.SIGINT])
def test_a_signal_to_every_process_of_the_run_is_the_operators_wish_and_no_failure(
    rig: Rig, number: signal.Signals
) -> None:
    command = rig.run(SOAK)
    under_load(rig, command)
    # A terminal, and a service manager, signal the whole group: the lanes must not die of it.
    os.killpg(command.pid, number)
    assert command.ended() == ExitCode.INTERRUPTED, command.tail
    data = rig.data()
    assert (data.failures, data.ending) == ((), Ending.INTERRUPTED)
    (event,) = [event for event in data.events if event.kind is EventKind.INTERRUPTED]
    assert event.data == {"signal": number.name}
    folder = rig.folder()
    assert folder is not None
    assert json.loads((folder / "summary.json").read_text())["verdict"] == Verdict.INCONCLUSIVE
    assert rig.seconds_until_gone(2.0) < 2.0


def test_two_runs_at_once_are_refused_and_a_terminal_closed_by_force_is_explained(
    rig: Rig,
) -> None:
    command = rig.run(SOAK)
    under_load(rig, command)
    second = rig.run(TRIALS)
    assert second.ended() == ExitCode.REFUSED
    assert f"is under way on this machine (process {command.pid}, for " in second.stderr
    assert len(list(rig.runs_dir.iterdir())) == 1  # a refused run leaves nothing

    # A stopped lane holds the end of the load up for two seconds, in which everything is killed.
    os.kill(rig.roles(command)["lane 0"], signal.SIGSTOP)
    os.kill(command.pid, signal.SIGHUP)
    rig.await_record(
        lambda now: any(it.kind is EventKind.INTERRUPTED for it in now.events), "the wish", command
    )
    os.killpg(command.pid, signal.SIGKILL)
    command.ended()
    rig.seconds_until_gone(2.0)
    folder = rig.folder()
    assert folder is not None
    line = rig.listed()[folder.name]
    assert (line["ending"], line["verdict"]) == (Ending.INTERRUPTED, Verdict.INCONCLUSIVE)
    assert "the terminal was closed" in rig.data().ending_text
    assert rig.data().failures == ()

    # Its lock is stale now: the next run takes it over, and says so.
    assert (rig.temporary / LOCK_NAME).exists()
    third = rig.run(TRIALS)
    until(lambda: "was stale, its process is gone, and was removed" in third.stderr, "the note")
    os.kill(third.pid, signal.SIGINT)
    assert third.ended() == ExitCode.INTERRUPTED
    stale = [event for event in rig.data().events if event.data.get("name") == "stale lock"]
    assert str(command.pid) in stale[0].text
    assert not (rig.temporary / LOCK_NAME).exists()


def test_what_died_with_a_run_is_swept_away_by_the_next(rig: Rig) -> None:
    command = rig.run(SOAK)
    under_load(rig, command)
    left = rig.board(command).path.parent
    os.kill(command.pid, signal.SIGKILL)
    assert rig.seconds_until_gone(2.0) < 2.0  # the load, too: it runs in these processes
    command.ended()
    assert left.is_dir()
    after = rig.run(TRIALS)
    until(lambda: not left.exists(), "the sweep")
    os.kill(after.pid, signal.SIGINT)
    assert after.ended() == ExitCode.INTERRUPTED
    assert not rig.board_path(after)
