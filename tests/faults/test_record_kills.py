"""Kill -9 of the process that writes the record, at random moments.

Oracle: what the writer acknowledged before it died. RIGPROOF_KILLS says how often (`make faults`).
"""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from harness.clock import SYSTEM
from harness.outcome import Ending
from harness.record.database import RECORD_NAME
from harness.record.endings import LossCause, close_lost_runs
from harness.record.listing import list_runs
from harness.record.owner import Owner, owner_is_alive
from harness.record.reader import NO_END_EVENT, read_run
from harness.record.verify import verify_run
from harness.results import FailureKind

from record_nursery import BOOT_ID, Nursery, kept  # isort: skip

KILLS = int(os.environ.get("RIGPROOF_KILLS", "12"))
RUN_ID = "20260921T141320Z-kills-0000"


def alive(owner: Owner) -> bool:
    return owner_is_alive(owner, BOOT_ID)


@pytest.fixture
def nursery() -> Nursery:
    if not hasattr(os, "fork"):
        pytest.skip("this system cannot fork, and starting afresh for each kill takes too long")
    return Nursery()


def test_nothing_acknowledged_is_lost_by_kills_and_every_run_goes_on(
    tmp_path: Path, nursery: Nursery
) -> None:
    chance = random.Random(20260921)
    folder = tmp_path / RUN_ID
    acknowledged: set[int] = set()
    with nursery:
        for kill in range(1, KILLS + 1):
            child = nursery.start(folder, kill)
            acknowledged.update(nursery.acknowledged(chance.randrange(1, 12)))
            SYSTEM.sleep(chance.random() * 0.01)  # anywhere inside a commit
            acknowledged.update(nursery.kill(child))
            run = read_run(folder)
            assert acknowledged <= kept(run)
            assert run.banners == (NO_END_EVENT,)
            (lost,) = close_lost_runs(tmp_path, SYSTEM, BOOT_ID, alive)
            assert (lost.cause, lost.ending) == (LossCause.HARNESS_KILLED, Ending.CRASHED)
    run = read_run(folder)
    kinds = {failure.kind for failure in run.failures}
    assert (kinds, len(run.failures)) == ({FailureKind.PROCESS_DIED}, KILLS)
    assert acknowledged <= kept(run)
    assert all(len(trial.lanes) == 4 for trial in run.trials)
    assert verify_run(folder) == ()


def test_a_kill_while_the_record_is_made_leaves_a_record_or_none(
    tmp_path: Path, nursery: Nursery
) -> None:
    chance = random.Random(7)
    with nursery:
        for kill in range(1, KILLS + 1):
            folder = tmp_path / f"20260921T141320Z-made-{kill:04x}"
            child = nursery.start(folder, kill)
            SYSTEM.sleep(chance.random() * 0.03)
            acknowledged = nursery.kill(child)
            if (folder / RECORD_NAME).exists():
                run = read_run(folder)
                assert run.profile_name == "faults"
                assert set(acknowledged) <= kept(run)
            else:
                assert acknowledged == []
    lost = close_lost_runs(tmp_path, SYSTEM, BOOT_ID, alive)
    assert all(item.closed for item in lost)
    for line in list_runs(tmp_path):
        assert line.ending is not None or "no such record" in line.problem


def test_a_run_whose_writer_lives_is_not_touched_by_other_commands(
    tmp_path: Path, nursery: Nursery
) -> None:
    folder = tmp_path / RUN_ID
    with nursery:
        child = nursery.start(folder, 1)
        nursery.acknowledged(1)
        assert close_lost_runs(tmp_path, SYSTEM, BOOT_ID, alive) == ()
        acknowledged = nursery.acknowledged(3)
        acknowledged += nursery.kill(child)
    assert set(acknowledged) <= kept(read_run(folder))
