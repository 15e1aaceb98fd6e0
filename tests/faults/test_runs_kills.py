"""Kill -9 of every process of whole runs, at random moments: the trials that the record showed
before are there afterwards, nothing is left running, the next command explains the run and writes
its report, and `resume` completes it with the crash in its verdict.

Oracle: what another process read from the record before the kill, and /proc. RIGPROOF_KILLS says
how often (`make faults`).
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sys
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree

import pytest

from harness.clock import SYSTEM
from harness.errors import RigproofError
from harness.outcome import Ending, ExitCode, Verdict
from harness.record.reader import read_run
from harness.record.verify import verify_run
from harness.results import FailureKind
from tests.faults.rigs import TRIALS, Command, Rig, load_is_on, until

KILLS = int(os.environ.get("RIGPROOF_KILLS", "4"))
SEED = int(os.environ.get("RIGPROOF_SEED", "20261201"))
#: Kills of one run before it is left to complete.
MOST_A_RUN = 4
ROUNDS = 16
#: The stated time within which a dead parent's load is off and its processes are gone.
GONE_SECONDS = 2.0
#: The record's writer is a thread of the parent.
VICTIMS = ("parent", "parent", "lane", "sampler", "template")


@dataclass
class Tally:
    """What the campaign saw."""

    victims: Counter[str] = field(default_factory=Counter)
    runs: int = 0
    trials_seen: int = 0
    lost: int = 0
    longest_gone_seconds: float = 0.0
    deck: list[str] = field(default_factory=list)

    def next_victim(self, chance: random.Random) -> str:
        """Every kind in turn, in a random order."""
        if not self.deck:
            self.deck = chance.sample(VICTIMS, len(VICTIMS))
        return self.deck.pop()

    def describe(self) -> str:
        killed = ", ".join(f"{name} {count}" for name, count in sorted(self.victims.items()))
        return (
            f"{self.victims.total()} kills of {self.runs} runs ({killed}): {self.trials_seen} "
            f"trials seen before, {self.lost} lost; all processes gone after at most "
            f"{self.longest_gone_seconds:.3f} s"
        )


def test_no_kill_loses_a_trial_leaves_a_process_or_stays_unexplained(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    if not Path("/proc/self/environ").exists():
        pytest.skip("orphans are looked for in /proc, which only Linux has")
    chance = random.Random(SEED)
    tally = Tally()
    while tally.victims.total() < KILLS:
        tally.runs += 1
        place = tmp_path / f"run-{tally.runs}"
        place.mkdir()
        with Rig(place) as rig:
            one_run(rig, chance, tally, min(MOST_A_RUN, KILLS - tally.victims.total()))
        shutil.rmtree(place)
    with capsys.disabled():
        sys.stdout.write(f"\n{tally.describe()}\n")
    assert tally.lost == 0
    assert tally.victims.total() >= KILLS


def one_run(rig: Rig, chance: random.Random, tally: Tally, most: int) -> None:
    """Kill it up to `most` times, then let it complete."""
    command = rig.run(TRIALS)
    failures = 0
    for number in range(most):
        if number:
            folder = rig.folder()
            assert folder is not None
            command = rig.start("resume", folder.name, "--settings-confirmed")
        if not kill_once(rig, command, chance, tally):
            check_whole(rig, command, failures)
            return
        failures += check_explained(rig, failures)
    folder = rig.folder()
    assert folder is not None
    check_whole(rig, rig.call("resume", folder.name, "--settings-confirmed"), failures)


def kill_once(rig: Rig, command: Command, chance: random.Random, tally: Tally) -> bool:
    """Kill one process at a random moment; False when the run had ended before."""
    victim = tally.next_victim(chance)
    before = numbers(rig) if rig.folder() else set()
    if not await_moment(rig, command, chance, victim, len(before)):
        return False
    pid = command.pid if victim == "parent" else rig.roles(command)[pick(victim, chance)]
    SYSTEM.sleep(chance.random() * 0.3)  # anywhere inside a trial, a commit, a calibration
    kept = numbers(rig) | before
    if command.popen.poll() is not None:
        return False
    os.kill(pid, signal.SIGKILL)
    tally.victims[victim] += 1
    if victim != "parent":
        assert command.ended() in {ExitCode.FAIL, ExitCode.ERROR}, command.tail
    tally.longest_gone_seconds = max(
        tally.longest_gone_seconds, rig.seconds_until_gone(GONE_SECONDS)
    )
    tally.trials_seen += len(kept)
    tally.lost += len(kept - numbers(rig))
    return True


def pick(victim: str, chance: random.Random) -> str:
    lanes = len(os.sched_getaffinity(0))
    return f"lane {chance.randrange(lanes)}" if victim == "lane" else victim


def await_moment(rig: Rig, command: Command, chance: random.Random, victim: str, had: int) -> bool:
    """Some state of the run: its record grows, or load is on and so many trials are done.

    False when the run had ended before.
    """
    early = victim == "parent" and chance.random() < 0.3
    wanted = had + chance.randrange(4)

    def is_there() -> bool:
        now = rig.glance()
        if now is None or command.popen.poll() is not None:
            return command.popen.poll() is not None
        return now.end.ending is None if early else load_is_on(now, wanted)

    until(is_there, f"{wanted} trials: {command.tail}")
    return command.popen.poll() is None


def numbers(rig: Rig) -> set[int]:
    """Trials that the record shows now."""
    folder = rig.folder()
    assert folder is not None
    while True:
        try:
            return {trial.number for trial in read_run(folder).trials}
        except RigproofError:  # its writer is just sealing it
            assert rig.processes(), "a record without a writer must be readable"


def check_explained(rig: Rig, failures_before: int) -> int:
    """The next command explains the run and reports it; returns its new failures."""
    folder = rig.folder()
    assert folder is not None
    line = rig.listed()[folder.name]
    assert line["ending"] is not None
    assert line["problem"] is None
    data = rig.data()
    assert data.ending in {Ending.CRASHED, Ending.STOPPED_ON_FAILURE, Ending.ERROR}
    assert verify_run(folder) == ()
    fresh = len(data.failures) - failures_before
    if data.ending is not Ending.ERROR:
        assert fresh >= 1
        assert line["verdict"] == Verdict.FAIL
    words = " ".join([data.ending_text, *(item.detail for item in data.failures)])
    assert "killed" in words or "template" in words or "sampler" in words
    suite = ElementTree.parse(folder / "junit.xml").getroot()  # noqa: S314 - our own file
    assert suite.findall(".//failure") or suite.findall(".//error")
    assert (folder / "report.html").stat().st_size > 1000
    return fresh


def check_whole(rig: Rig, done: Command, failures: int) -> None:
    """A command that ended by itself: every round is there once, with every failure before."""
    folder = rig.folder()
    assert folder is not None
    done.ended()
    data = rig.data()
    assert data.ending is Ending.COMPLETED, done.tail
    assert len(data.failures) == failures
    assert done.popen.returncode == (ExitCode.FAIL if failures else ExitCode.PASS), done.tail
    rounds = Counter((trial.load, trial.round) for trial in data.trials if trial.valid)
    assert rounds == {(0, number): 1 for number in range(1, ROUNDS + 1)}
    assert all(load.available and load.golden for load in data.loads)
    kinds = {failure.kind for failure in data.failures}
    assert kinds <= {FailureKind.PROCESS_DIED, FailureKind.LANE_DIED}
    assert verify_run(folder) == ()
