"""The board: shared slots, a stop flag that is only ever raised, bad files refused."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from harness.board import PAIR_WORDS, Board, LaneSlot, Slot, StopReason
from harness.errors import StorageError


def test_what_one_process_writes_another_view_reads(tmp_path: Path) -> None:
    board = Board.create(tmp_path / "board", 4)
    other = Board.open(tmp_path / "board")
    board.set_lane(3, LaneSlot.VERIFIED, 17)
    board.put(Slot.PARENT_NS, 5)
    assert other.lanes == 4
    assert other.lane(3, LaneSlot.VERIFIED) == 17
    assert other.get(Slot.PARENT_NS) == 5
    assert other.lane(2, LaneSlot.VERIFIED) == 0


def test_the_first_reason_to_stop_stays(tmp_path: Path) -> None:
    board = Board.create(tmp_path / "board", 1)
    assert board.stop is StopReason.NONE
    board.trip(StopReason.LIMIT, 100)
    board.trip(StopReason.PARENT, 200)
    assert board.stop is StopReason.LIMIT
    assert board.get(Slot.STOPPED_AT_NS) == 100


def test_pair_areas_do_not_touch_lanes_or_each_other(tmp_path: Path) -> None:
    board = Board.create(tmp_path / "board", 4)
    first, second = board.pair_area(0), board.pair_area(1)
    for index in range(PAIR_WORDS):
        first[index] = -1
    assert second[0] == 0
    assert board.lane(3, LaneSlot.OFF_NS) == 0
    first.release()
    second.release()


def test_the_file_is_private_and_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "board"
    Board.create(path, 1)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    with pytest.raises(FileExistsError):
        Board.create(path, 1)


def test_without_room_for_all_of_it_there_is_no_board_and_one_clear_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(StorageError, match=r"no room for the .* bytes .*No space left"):
        Board.create(tmp_path / "board", 2)


def test_a_foreign_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "board"
    path.write_bytes(bytes(4096))
    with pytest.raises(ValueError, match=r"no board.*Board\.create"):
        Board.open(path)
