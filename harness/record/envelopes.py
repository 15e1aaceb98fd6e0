"""From the envelopes of one-second blocks to channels over a whole run, in bounded memory.

A night at 100 channels has millions of block envelopes. Neighbouring ones are merged so that every
channel has at most :data:`MOST_ENVELOPES`; smallest, largest, mean and counts stay exact, only the
time within a merged envelope is given up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.errors import RecordError
from harness.record.blocks import Columns, DamagedBlock, unpack_envelopes, unpack_readings
from harness.record.database import Database
from harness.results import Channel, ChannelData, Envelope

MOST_ENVELOPES = 1_500
_MOST_CELLS = 1_000_000
_FEWEST_ENVELOPES = 50
#: Widths that a person reads off a time axis with ease.
_WIDTHS_SECONDS = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 21600, 86400)


@dataclass(frozen=True)
class NumberedChannel:
    """A channel and the number that blocks know it by."""

    number: int
    channel: Channel


class _Accumulator:
    """Merged envelopes of all channels: arrays of shape (bins, channels)."""

    def __init__(self, channels: int, start: float, span: float) -> None:
        most = max(min(MOST_ENVELOPES, _MOST_CELLS // max(channels, 1)), _FEWEST_ENVELOPES)
        fitting = (width for width in _WIDTHS_SECONDS if span / width < most)
        self.width = float(next(fitting, max(span / (most - 1), 1.0)))
        self.start = math.floor(start / self.width) * self.width
        self._bins = min(int((start + span - self.start) / self.width) + 1, most + 1)
        shape = (self._bins, channels)
        self.minimum = np.full(shape, np.nan)
        self.maximum = np.full(shape, np.nan)
        self.total = np.zeros(shape)
        self.count = np.zeros(shape, np.int64)
        self.samples, self.missing, self.flagged = np.zeros((3, channels), np.int64)
        self.first, self.last = np.full((2, channels), np.nan)
        #: Block in which each channel last missed a reading, -1 for none.
        self.missing_block = np.full(channels, -1, np.int64)

    def add(self, block: int, at_seconds: float, place: NDArray[Any], columns: Columns) -> None:
        """Merge one block; `place` is the channels' place in the arrays."""
        row = int(min(max((at_seconds - self.start) // self.width, 0), self._bins - 1))
        good = columns["samples"].astype(np.int64) - columns["flagged"]
        self.minimum[row, place] = np.fmin(self.minimum[row, place], columns["minimum"])
        self.maximum[row, place] = np.fmax(self.maximum[row, place], columns["maximum"])
        self.total[row, place] += np.where(good > 0, columns["mean"] * good, 0.0)
        self.count[row, place] += np.maximum(good, 0)
        for name in ("samples", "missing", "flagged"):
            getattr(self, name)[place] += columns[name]
        self.first[place] = np.where(
            np.isnan(self.first[place]), columns["first"], self.first[place]
        )
        self.last[place] = np.where(np.isnan(columns["last"]), self.last[place], columns["last"])
        self.missing_block[place[columns["missing"] > 0]] = block

    def envelopes(self, place: int) -> tuple[Envelope, ...]:
        """The merged envelopes of one channel, stretches without a value left out."""
        rows = np.flatnonzero(self.count[:, place])
        columns = (
            self.start + rows * self.width,
            np.full(len(rows), self.width),
            self.minimum[rows, place],
            self.total[rows, place] / self.count[rows, place],
            self.maximum[rows, place],
            self.count[rows, place],
        )
        return tuple(Envelope(*cells) for cells in zip(*(c.tolist() for c in columns), strict=True))


def channel_data(
    database: Database, channels: Sequence[NumberedChannel], banners: list[str]
) -> tuple[ChannelData, ...]:
    """Every channel over the run; damaged blocks are left out and told in `banners`."""
    merged = _merged(database, channels, banners)
    reasons = _missing_reasons(database, channels, merged)
    return tuple(
        ChannelData(
            channel=entry.channel,
            envelopes=merged.envelopes(place),
            samples=int(merged.samples[place]),
            missing=int(merged.missing[place]),
            flagged=int(merged.flagged[place]),
            missing_reason=reasons.get(place, "") or entry.channel.absent_reason,
            first_value=_or_none(merged.first[place]),
            last_value=_or_none(merged.last[place]),
        )
        for place, entry in enumerate(channels)
    )


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _merged(
    database: Database, channels: Sequence[NumberedChannel], banners: list[str]
) -> _Accumulator:
    places = {entry.number: place for place, entry in enumerate(channels)}
    merged = _Accumulator(len(channels), *_extent(database))
    damaged = 0
    sql = "SELECT id, start_seconds, envelopes FROM sample_blocks ORDER BY id"
    try:
        with np.errstate(all="ignore"):
            for number, start, packed in database.query(sql):
                damaged += not _add_block(merged, places, number, start, packed)
    except RecordError as error:
        banners.append(f"DAMAGED: sensor readings cannot be read to their end: {error}")
    if damaged:
        banners.append(f"DAMAGED: {damaged} blocks of sensor readings cannot be read")
    return merged


def _add_block(
    merged: _Accumulator, places: dict[int, int], number: Any, start: Any, packed: Any
) -> bool:
    if not (isinstance(start, float) and math.isfinite(start) and isinstance(packed, bytes)):
        return False
    try:
        columns = unpack_envelopes(packed)
        place = np.array([places[channel] for channel in columns["channel"].tolist()], np.int64)
    except (DamagedBlock, KeyError):
        return False
    merged.add(number, start, place, columns)
    return True


def _extent(database: Database) -> tuple[float, float]:
    """Start and length in seconds of all blocks; (0, 0) when there are none."""
    sql = "SELECT min(start_seconds), max(start_seconds) FROM sample_blocks"
    try:
        low, high = next(database.query(sql), (None, None))
    except RecordError:
        return 0.0, 86_400.0  # damage is told by whoever reads the blocks
    if not isinstance(low, float) or not isinstance(high, float):
        return 0.0, 0.0
    if not (math.isfinite(low) and math.isfinite(high - low)):
        return 0.0, 86_400.0
    return low, high - low


def _missing_reasons(
    database: Database, channels: Sequence[NumberedChannel], merged: _Accumulator
) -> dict[int, str]:
    """Why each channel last missed a reading, by its place."""
    reasons: dict[int, str] = {}
    for block in np.unique(merged.missing_block[merged.missing_block >= 0]).tolist():
        told = _reasons_in(database, block)
        for place in np.flatnonzero(merged.missing_block == block).tolist():
            reasons[place] = told.get(channels[place].number, "")
    return reasons


def _reasons_in(database: Database, block: int) -> dict[int, str]:
    try:
        packed = database.scalar("SELECT packed FROM sample_blocks WHERE id = ?", (block,))
        readings = unpack_readings(packed if isinstance(packed, bytes) else b"")
    except (RecordError, DamagedBlock):
        return {}
    pairs = zip(readings.channel.tolist(), readings.reason.tolist(), strict=True)
    return {channel: readings.texts[reason] for channel, reason in pairs if reason}
