"""Runs over several boots, planned and not: restarts are played by changing the boot id that the
machine's tree shows.

Oracle: the profile's rounds, each of which must be in the record exactly once.
"""

from __future__ import annotations

import os
import signal
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.errors import RefusedStart
from harness.outcome import Ending, ExitCode, Verdict
from harness.record.verify import verify_run
from harness.results import EventKind, FailureKind
from harness.resuming import resume_run
from harness.startup import RunOptions
from tests.faults.rigs import BOOT_A, BOOT_B, Command, Rig, machine_of

BOOT_C = "cccccccc-0000-4000-8000-000000000003"

ONE_LOAD = """
format: 1
name: one-load
boots: 2
loads:
  - {workload: zstandard, parameters: {corpus_bytes: 65536}, trials: 4, trial_seconds: 0.1}
sampling: {rate_hz: 10}
accept:
  - {criterion: no-failures}
  - {criterion: no-crash}
"""

#: Four rounds over two boots, of which each load has its share; the soak belongs to the last.
TWO_BOOTS = """
format: 1
name: two-boots
boots: 2
loads:
  - {workload: zstandard, parameters: {corpus_bytes: 65536}, trials: 4, trial_seconds: 0.1}
  - {workload: matmul-fp64, parameters: {n: 256}, trials: 2, trial_seconds: 0.1}
  - {workload: fma-fp64, soak_seconds: 1}
sampling: {rate_hz: 10}
accept:
  - {criterion: no-failures}
  - {criterion: no-crash}
"""
ROUNDS = {(0, 1): 1, (0, 2): 1, (0, 3): 1, (0, 4): 1, (1, 1): 1, (1, 2): 1}


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    if not Path("/proc/self/environ").exists():
        pytest.skip("the boot id is read from /proc, which only Linux has")
    root = tmp_path / "root"
    machine_of(root)
    with Rig(tmp_path, root) as made:
        yield made


def restart(rig: Rig, boot_id: str, microcode: str = "0x100") -> None:
    assert rig.root is not None
    machine_of(rig.root, boot_id, microcode)


def name(rig: Rig) -> str:
    folder = rig.folder()
    assert folder is not None
    return folder.name


def check_whole(rig: Rig) -> None:
    """Every round was measured once, the soak is complete, no load was forgotten."""
    data = rig.data()
    assert data.ending is Ending.COMPLETED
    rounds = Counter((trial.load, trial.round) for trial in data.trials if trial.valid)
    assert rounds == ROUNDS
    assert len({trial.number for trial in data.trials}) == len(data.trials)
    assert [soak.load for soak in data.soaks if soak.complete] == [2]
    assert all(load.available and load.golden for load in data.loads)
    folder = rig.folder()
    assert folder is not None
    assert verify_run(folder) == ()


def test_a_run_over_two_boots_waits_for_the_restart_and_ends_with_both(rig: Rig) -> None:
    first = rig.run(ONE_LOAD, "--cold")
    assert first.ended() == ExitCode.INCONCLUSIVE, first.tail
    run_id = name(rig)
    data = rig.data()
    assert data.ending is Ending.AWAITING_BOOT
    assert data.ending_text == "boot 1 of 2 done: restart, then `rigproof resume`"
    assert [trial.round for trial in data.trials] == [1, 2]

    refused = rig.call("resume", run_id)
    assert refused.popen.returncode == ExitCode.REFUSED
    assert "has not been restarted" in refused.stderr
    assert refused.stderr.count("\n") == 2  # the runs folder, and one clear line

    restart(rig, BOOT_B, microcode="0x200")
    second = rig.call("resume", run_id, "--warm")
    assert second.popen.returncode == ExitCode.PASS, second.tail
    data = rig.data()
    assert [(boot.boot_id, boot.cold) for boot in data.boots] == [(BOOT_A, True), (BOOT_B, False)]
    assert [(trial.boot, trial.round) for trial in data.trials] == [(1, 1), (1, 2), (2, 3), (2, 4)]
    moved = "changed since the run was left: cpu.microcode: 0x100 -> 0x200"
    assert moved in [event.text for event in data.events if event.kind is EventKind.WARNING]
    assert moved in second.stderr
    refused_to_resume(rig, "is complete")


def test_a_restart_under_load_is_explained_and_stays_in_the_verdict(rig: Rig) -> None:
    crash(rig, rig.run(TWO_BOOTS, "--set", "vcore=1.10V"))
    run_id = name(rig)
    restart(rig, BOOT_B, microcode="0x200")

    assert rig.listed()[run_id]["verdict"] == Verdict.FAIL
    data = rig.data()
    (failure,) = data.failures
    assert failure.kind is FailureKind.MACHINE_RESTARTED
    assert "the machine restarted" in failure.detail
    report = (rig.runs_dir / run_id / "report.html").read_text("utf-8")
    assert "the machine restarted" in report
    refused_to_resume(rig, "vcore=1.10V")
    refused_to_resume(rig, "cpu.microcode: 0x100 -> 0x200")

    # What was left of planned boot 1 is measured on the machine's second boot; the restart that
    # the crash cost does not count as the planned one.
    resumed = rig.call("resume", run_id, "--settings-confirmed")
    assert resumed.popen.returncode == ExitCode.FAIL, resumed.tail
    assert rig.data().ending is Ending.AWAITING_BOOT
    refused_to_resume(rig, "has not been restarted")
    restart(rig, BOOT_C)
    last = rig.call("resume", run_id)
    assert last.popen.returncode == ExitCode.FAIL, last.tail
    check_whole(rig)
    assert [boot.boot_id for boot in rig.data().boots] == [BOOT_A, BOOT_B, BOOT_C]
    assert len(rig.data().failures) == 1


def crash(rig: Rig, command: Command) -> None:
    """Kill everything at once, as a power cut does, when a trial is there and load is on."""
    rig.await_load(command, trials=1)
    os.killpg(command.pid, signal.SIGKILL)
    command.ended()
    rig.seconds_until_gone()


def refused_to_resume(rig: Rig, why: str) -> None:
    """In this process: what is refused takes no lock and touches no record."""
    folder = rig.folder()
    assert folder is not None and rig.root is not None
    with pytest.raises(RefusedStart) as caught:
        resume_run(folder, RunOptions(runs_dir=rig.runs_dir, sysfs_root=rig.root))
    assert why in str(caught.value)


def test_a_run_is_not_carried_on_by_another_machine_or_on_other_cpus(rig: Rig) -> None:
    crash(rig, rig.run(TWO_BOOTS))
    assert rig.root is not None
    (rig.root / "etc/machine-id").write_text("f" * 32 + "\n")
    refused_to_resume(rig, "began on another machine")
    machine_of(rig.root)
    cpus = os.sched_getaffinity(0)
    if len(cpus) < 2:
        pytest.skip("this process may use one CPU and so cannot have fewer")
    try:
        os.sched_setaffinity(0, {min(cpus)})
        refused_to_resume(rig, "its trials would not be alike")
    finally:
        os.sched_setaffinity(0, cpus)
