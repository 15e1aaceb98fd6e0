"""Shared memory that parent, lanes and sampler all see: the stop flag and the heartbeats.

A small file mapped by every process of a run, made of 64-bit slots. Each slot has exactly one
writer (the stop flag may be raised by anybody, and is only ever raised), and an aligned 64-bit
store is not torn on the machines CPython runs on, so no lock is needed and nobody ever waits.
The guard's direct path runs through here: the sampler raises the flag, every lane polls it
between passes; a starved parent delays nothing.
"""

from __future__ import annotations

import mmap
from enum import IntEnum
from pathlib import Path

from harness.errors import StorageError

_MAGIC = 0x7269_6770_726F_6F66  # "rigproof"
_HEADER_SLOTS = 16
_LANE_SLOTS = 16
#: Words of each pair's shared area (paired workloads meet there).
PAIR_WORDS = 128
#: A lane stops by itself when the parent's heartbeat is older than this.
SILENCE_NS = 5_000_000_000


class StopReason(IntEnum):
    """Why the load must stop; 0 means it need not."""

    NONE = 0
    LIMIT = 1
    PARENT = 2
    SILENT_PARENT = 3


class Slot(IntEnum):
    """Header slots."""

    MAGIC = 0
    LANES = 1
    STOP = 2
    PARENT_NS = 3
    SAMPLER_NS = 4
    STOPPED_AT_NS = 5
    #: Up to this stretch, lanes need not keep the load up for others that will not finish.
    RELEASED = 6
    WRITER_NS = 7


class LaneSlot(IntEnum):
    """Slots of one lane; the lane is their only writer."""

    PID = 0
    CPU = 1
    STATE = 2
    HEARTBEAT_NS = 3
    LOAD = 4
    PASSES = 5
    VERIFIED = 6
    FAILURES = 7
    CLOCK_HZ = 8
    LAST_VERIFIED_NS = 9
    #: When the lane saw the stop flag and its load was off.
    OFF_NS = 10
    #: The last stretch whose counted work the lane has done.
    FINISHED = 11


class LaneState(IntEnum):
    """What a lane is doing."""

    STARTING = 0
    IDLE = 1
    PREPARING = 2
    READY = 3
    WORKING = 4
    PAUSED = 5
    GONE = 6


class Board:
    """A view of the shared file. Create it once, open it everywhere else."""

    def __init__(self, path: Path, lanes: int) -> None:
        self.path = path
        self.lanes = lanes
        with path.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), 0)
        self._slots = memoryview(self._map).cast("q")

    @classmethod
    def create(cls, path: Path, lanes: int) -> Board:
        """Make the file (private to the user) and open it.

        Every byte is written before it is mapped: a mapped page that finds no room kills whoever
        touches it (SIGBUS, mmap(2)). Raises StorageError when there is no room.
        """
        pairs_words = PAIR_WORDS * max(lanes // 2, 1)
        slots = _HEADER_SLOTS + lanes * _LANE_SLOTS + pairs_words
        path.touch(mode=0o600, exist_ok=False)
        try:
            path.write_bytes(bytes(slots * 8))
        except OSError as error:
            raise StorageError(
                f"{path.parent}: no room for the {slots * 8} bytes that the processes of a run "
                f"share: {error.strerror}: free some space there"
            ) from error
        board = cls(path, lanes)
        board._slots[Slot.MAGIC] = _MAGIC
        board._slots[Slot.LANES] = lanes
        return board

    @classmethod
    def open(cls, path: Path) -> Board:
        """Open a board that another process made. Raises ValueError when it is something else."""
        board = cls(path, 0)
        if board._slots[Slot.MAGIC] != _MAGIC:
            raise ValueError(f"{path} is no board: create it with Board.create first")
        board.lanes = board._slots[Slot.LANES]
        return board

    def close(self) -> None:
        """Unmap. Views handed out by `pair_area` must be gone."""
        self._slots.release()
        self._map.close()

    def get(self, slot: Slot) -> int:
        """A header slot."""
        return self._slots[slot]

    def put(self, slot: Slot, value: int) -> None:
        """Set a header slot (its one writer only)."""
        self._slots[slot] = value

    @property
    def stop(self) -> StopReason:
        """Why the load must stop, or NONE."""
        return StopReason(self._slots[Slot.STOP])

    def trip(self, reason: StopReason, now_ns: int) -> None:
        """Raise the stop flag; the first reason stays."""
        if self._slots[Slot.STOP] == StopReason.NONE:
            self._slots[Slot.STOPPED_AT_NS] = now_ns
            self._slots[Slot.STOP] = reason

    def lane(self, lane: int, slot: LaneSlot) -> int:
        """One slot of one lane."""
        return self._slots[_HEADER_SLOTS + lane * _LANE_SLOTS + slot]

    def set_lane(self, lane: int, slot: LaneSlot, value: int) -> None:
        """Set one slot of one lane (that lane only)."""
        self._slots[_HEADER_SLOTS + lane * _LANE_SLOTS + slot] = value

    def pair_area(self, pair: int) -> memoryview:
        """The shared words of pair number `pair` (lanes 2*pair and 2*pair+1, or any two)."""
        start = _HEADER_SLOTS + self.lanes * _LANE_SLOTS + pair * PAIR_WORDS
        return self._slots[start : start + PAIR_WORDS]
