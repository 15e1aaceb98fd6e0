"""The machine's lock where the file system has no hard links, as on a memory stick."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from owner_samples import gone, leave, this_process

from harness.clock import ManualClock
from harness.errors import RefusedStart
from harness.record import lock as lock_module
from harness.record.lock import LOCK_NAME, MachineLock
from harness.record.owner import Owner

FOREIGN = "foreign lock"


@pytest.fixture
def me() -> Owner:
    return this_process()


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def no_links(monkeypatch: pytest.MonkeyPatch) -> None:
    """As on FAT, where runs on a memory stick lie (link(2))."""

    def refused(self: Path, target: Path) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted", str(self))

    monkeypatch.setattr(Path, "hardlink_to", refused)


@pytest.mark.usefixtures("no_links")
def test_without_hard_links_a_lock_is_taken_refused_and_taken_over_all_the_same(
    tmp_path: Path, me: Owner, clock: ManualClock
) -> None:
    with MachineLock.acquire(me, "run-1", clock, folder=tmp_path) as lock:
        assert [path.name for path in tmp_path.iterdir()] == [LOCK_NAME]
        assert '"run_id": "run-1"' in lock.path.read_text()
        with pytest.raises(RefusedStart, match="run-1 is under way"):
            MachineLock.acquire(me, "run-2", clock, folder=tmp_path)
    leave(gone(me), "stale", clock, tmp_path)
    with MachineLock.acquire(me, "run-2", clock, folder=tmp_path) as lock:
        assert "its process is gone" in lock.stale_note
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("no_links")
@pytest.mark.parametrize("left", ["nothing", "another"])
def test_without_hard_links_a_lock_that_is_taken_away_before_it_is_held_is_made_anew(
    tmp_path: Path, me: Owner, clock: ManualClock, monkeypatch: pytest.MonkeyPatch, left: str
) -> None:
    """Who finds it half-written takes it for junk."""
    path = tmp_path / LOCK_NAME
    really_taken = lock_module.take_flock

    def taken(descriptor: int) -> bool:
        if path.exists():
            monkeypatch.setattr(lock_module, "take_flock", really_taken)
            path.rename(tmp_path / "removed")
            if left == "another":
                path.write_text("junk")
        return really_taken(descriptor)

    monkeypatch.setattr(lock_module, "take_flock", taken)
    with MachineLock.acquire(me, "run-1", clock, folder=tmp_path):
        assert '"run_id": "run-1"' in path.read_text()


@pytest.mark.usefixtures("no_links")
@pytest.mark.parametrize("removed", [True, False])
def test_without_hard_links_a_lock_that_somebody_judges_is_ours_only_once_it_is_held(
    tmp_path: Path, me: Owner, clock: ManualClock, monkeypatch: pytest.MonkeyPatch, removed: bool
) -> None:
    """Another run finds it half-written and holds it: it removes it as junk, or thinks better."""
    if os.name != "posix":
        pytest.skip("locks on files are POSIX")
    path = tmp_path / LOCK_NAME
    really_taken = lock_module.take_flock
    judging: list[int] = []
    answers: list[bool] = []

    def judged() -> None:
        if judging and removed:
            path.unlink()
        for descriptor in judging:
            os.close(descriptor)
        judging.clear()

    def taken(descriptor: int) -> bool:
        if path.exists() and not answers:
            judging.append(os.open(path, os.O_RDONLY))
            assert really_taken(judging[0])
        elif path.exists():
            judged()
        else:
            return really_taken(descriptor)
        answers.append(really_taken(descriptor))
        return answers[-1]

    monkeypatch.setattr(lock_module, "take_flock", taken)
    with MachineLock.acquire(me, "run-1", clock, folder=tmp_path):
        judged()
        assert answers[0] is False
        assert '"run_id": "run-1"' in path.read_text()
        descriptor = os.open(path, os.O_RDONLY)
        assert not really_taken(descriptor), "the lock is held"
        os.close(descriptor)


@pytest.mark.usefixtures("no_links")
def test_without_hard_links_a_lock_that_somebody_goes_on_holding_is_refused(
    tmp_path: Path, me: Owner, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lock_module, "take_flock", lambda _: False)
    monkeypatch.setattr(lock_module, "_HOLD_TRIES", 2, raising=False)
    with pytest.raises(RefusedStart, match="holds it from another container"):
        MachineLock.acquire(me, "run-1", clock, folder=tmp_path)
