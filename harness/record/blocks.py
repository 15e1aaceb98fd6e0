"""Packed blocks of sensor readings, and the envelopes made from them when they are written.

A block holds about one second of readings of all channels. Both formats begin with one version
byte and go on with one Zstandard frame (RFC 8878) that states its content size and carries a
checksum. Inside, little endian, columns are stored one after the other, and each column is stored
byte plane by byte plane (all lowest bytes, then all second bytes, ...): neighbouring readings are
alike, so equal planes compress to next to nothing, and nothing is rounded away.

Readings, version 1, n readings ordered by channel and then by arrival::

    n, t       two u4: number of readings, bytes of the text table
    start      f8: seconds on the run's axis that times count from
    channel    n x u4
    time       n x u4, microseconds after start
    value      n x f8, NaN where there was no value
    latency    n x u4, microseconds the read took, 2**32-1 where unknown
    reason     n x u2, index into the text table: why there was no value
    flag       n x u2, index into the text table: why the value is doubted, or no new one
    texts      t bytes: JSON list of texts, the first is empty

Envelopes, version 1: m (u4), then the columns of :data:`ENVELOPE_FIELDS`, m entries each. `samples`
counts readings with a value, of which `flagged` are implausible; the five values are over those
that are not, NaN when there are none. Values come back bit for bit, times to the microsecond.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import Any

import numpy as np
import zstandard
from numpy.typing import NDArray

from harness.sweeps import NOT_FINITE, PackedSweep, left_out

READINGS_VERSION = 1
ENVELOPES_VERSION = 1
#: A block is split before it holds more readings than this.
MOST_READINGS = 50_000
#: Readings that lie no further apart than this may share a block.
LONGEST_SECONDS = 1.5

_LARGEST_CONTENT_BYTES = 4 << 20
_HEAD = struct.Struct("<IId")
_COUNT = struct.Struct("<I")
_U4_MAX = (1 << 32) - 1
_MOST_TEXTS = (1 << 16) - 1
_LEVEL = 3
_MICROSECONDS = 1e6

_READING_FIELDS = (
    ("channel", "<u4"),
    ("time", "<u4"),
    ("value", "<f8"),
    ("latency", "<u4"),
    ("reason", "<u2"),
    ("flag", "<u2"),
)
ENVELOPE_FIELDS = (
    ("channel", "<u4"),
    ("samples", "<u4"),
    ("missing", "<u4"),
    ("flagged", "<u4"),
    ("minimum", "<f8"),
    ("mean", "<f8"),
    ("maximum", "<f8"),
    ("first", "<f8"),
    ("last", "<f8"),
)

Columns = dict[str, NDArray[Any]]


class DamagedBlock(ValueError):
    """Bytes that are no block of a known version."""


@dataclass(frozen=True)
class Readings:
    """One block's readings as columns of equal length; `value` is NaN where there was none.

    `reason` and `flag` are places in `texts`, whose first text is empty.
    """

    channel: NDArray[np.uint32]
    at_seconds: NDArray[np.float64]
    value: NDArray[np.float64]
    latency_seconds: NDArray[np.float64]
    reason: NDArray[np.uint16]
    flag: NDArray[np.uint16]
    texts: tuple[str, ...]


@dataclass(frozen=True)
class Block:
    """One block, packed, with what the record stores beside it."""

    start_seconds: float
    duration_seconds: float
    readings: int
    envelopes: bytes
    packed: bytes


def make_blocks(sweeps: Sequence[PackedSweep], numbers: Mapping[str, int]) -> list[Block]:
    """Pack `sweeps`, in order of arrival, into blocks; `numbers` gives the channels' numbers.

    What was collected in :data:`LONGEST_SECONDS` stays together; a longer backlog (slow storage,
    a late chip) is cut at whole seconds, so that no envelope covers more. Infinite values become
    missing ones with a reason. Raises KeyError for a channel without a number.
    """
    read = [sweep for sweep in sweeps if sweep.channels]
    times = [sweep.at_seconds for sweep in read]
    if not read or max(times) - min(times) <= LONGEST_SECONDS:
        return _blocks_of(read, numbers)
    seconds: dict[int, list[PackedSweep]] = {}
    for sweep in read:
        seconds.setdefault(math.floor(sweep.at_seconds), []).append(sweep)
    return [it for second in sorted(seconds) for it in _blocks_of(seconds[second], numbers)]


def _blocks_of(sweeps: Sequence[PackedSweep], numbers: Mapping[str, int]) -> list[Block]:
    if not sweeps:
        return []
    notes = _Notes()
    columns = _arrived_columns(sweeps, numbers, notes)
    pieces = range(0, len(columns["channel"]), MOST_READINGS)
    return [
        _make_block({name: it[at : at + MOST_READINGS] for name, it in columns.items()}, notes)
        for at in pieces
    ]


def _make_block(arrived: Columns, notes: _Notes) -> Block:
    start, end = float(arrived["time"].min()), float(arrived["time"].max())
    order = np.argsort(arrived["channel"], kind="stable")
    columns = {name: column[order] for name, column in arrived.items()}
    columns["time"] = np.rint((columns["time"] - start) * _MICROSECONDS).astype("<u4")
    texts = _Texts()
    noted = columns.pop("note")
    columns["reason"] = notes.places(noted, notes.reasons, texts)
    columns["flag"] = notes.places(noted, notes.flags, texts)
    doubted = notes.doubts()[noted]
    packed = _pack_readings(columns, start, texts.packed())
    return Block(
        start, end - start, len(order), pack_envelopes(envelopes_of(columns, doubted)), packed
    )


def _arrived_columns(
    sweeps: Sequence[PackedSweep], numbers: Mapping[str, int], notes: _Notes
) -> Columns:
    """Columns of all readings in order of arrival; `note` is a place in `notes`."""
    channels, times, latencies, packed, _, _ = zip(*sweeps, strict=True)
    counts = list(map(len, channels))
    values = np.frombuffer(b"".join(packed), "<f8")
    noted = notes.taken(sweeps, counts)
    for place in np.flatnonzero(np.isinf(values)):
        noted[place] = notes.infinite(int(noted[place]))
    return {
        "channel": _channel_numbers(channels, numbers),
        "time": np.repeat(np.array(times, "<f8"), counts),
        "value": np.where(np.isfinite(values), values, math.nan),
        "latency": np.repeat(_microseconds(latencies), counts),
        "note": noted,
    }


def _channel_numbers(
    channels: Sequence[tuple[str, ...]], numbers: Mapping[str, int]
) -> NDArray[np.uint32]:
    packed = {
        keys: np.array([numbers[key] for key in keys], "<u4").tobytes() for keys in set(channels)
    }
    return np.frombuffer(b"".join(packed[keys] for keys in channels), "<u4")


def _microseconds(latencies: Sequence[float | None]) -> NDArray[np.uint32]:
    seconds = np.array(latencies, "f8")  # None becomes NaN
    known = np.rint(np.clip(seconds, 0.0, (_U4_MAX - 1) / _MICROSECONDS) * _MICROSECONDS)
    return np.where(np.isnan(seconds), _U4_MAX, known).astype("<u4")


class _Notes:
    """The distinct pairs of reason and flag among some sweeps; most readings have neither."""

    def __init__(self) -> None:
        self._pairs = [("", "")]
        self._index = {("", ""): 0}

    @property
    def reasons(self) -> list[str]:
        return [reason for reason, _ in self._pairs]

    @property
    def flags(self) -> list[str]:
        return [flag for _, flag in self._pairs]

    def doubts(self) -> NDArray[np.bool_]:
        """Which pairs mark a value that must not be judged."""
        return np.array([left_out(flag) for flag in self.flags])

    def taken(self, sweeps: Sequence[PackedSweep], counts: Sequence[int]) -> NDArray[np.uint32]:
        """The place of each reading's pair, in order of arrival."""
        noted = np.zeros(sum(counts), "<u4")
        for sweep, end in zip(sweeps, accumulate(counts), strict=True):
            for place, reason, flag in sweep.notes:
                noted[end - len(sweep.channels) + place] = self._place(reason, flag)
        return noted

    def infinite(self, place: int) -> int:
        """The place of the pair at `place` for a value that is infinite."""
        reason, flag = self._pairs[place]
        return self._place(reason or NOT_FINITE, flag)

    def places(
        self, noted: NDArray[np.uint32], words: Sequence[str], texts: _Texts
    ) -> NDArray[np.uint16]:
        """The text of each reading, one of `words` for each pair; texts come in order of use."""
        if not noted.any():
            return np.zeros(len(noted), "<u2")
        found = np.zeros(len(words), "<u2")
        pairs, first = np.unique(noted, return_index=True)
        for pair in pairs[np.argsort(first)]:
            found[pair] = texts.index(words[pair])
        return found[noted]

    def _place(self, reason: str, flag: str) -> int:
        pair = (reason, flag)
        place = self._index.setdefault(pair, len(self._pairs))
        if place == len(self._pairs):
            self._pairs.append(pair)
        return place


class _Texts:
    """The distinct texts of one block; a block with too many keeps the first ones."""

    def __init__(self) -> None:
        self._index = {"": 0}

    def index(self, text: str) -> int:
        if text not in self._index and len(self._index) >= _MOST_TEXTS:
            return 0
        return self._index.setdefault(text, len(self._index))

    def packed(self) -> bytes:
        return json.dumps(list(self._index)).encode("ascii")


def _pack_readings(columns: Columns, start: float, texts: bytes) -> bytes:
    head = _HEAD.pack(len(columns["channel"]), len(texts), start)
    body = b"".join(
        _planes(columns[name].astype(kind, copy=False)) for name, kind in _READING_FIELDS
    )
    return bytes((READINGS_VERSION,)) + _compressed(head + body + texts)


def unpack_readings(data: bytes) -> Readings:
    """The readings of one packed block. Raises DamagedBlock, and nothing else, for other bytes."""
    content = _content(data, READINGS_VERSION)
    if len(content) < _HEAD.size:
        raise DamagedBlock("the block is shorter than its head")
    count, text_bytes, start = _HEAD.unpack_from(content)
    columns, end = _columns(content, _HEAD.size, count, _READING_FIELDS)
    if end + text_bytes != len(content):
        raise DamagedBlock("the block's length does not fit its head")
    texts = _text_table(content[end:])
    if any(columns[name].max(initial=0) >= len(texts) for name in ("reason", "flag")):
        raise DamagedBlock("the block names a text that it does not hold")
    known = columns["latency"] != _U4_MAX
    return Readings(
        columns["channel"],
        start + columns["time"] / _MICROSECONDS,
        columns["value"],
        np.where(known, columns["latency"] / _MICROSECONDS, math.nan),
        columns["reason"],
        columns["flag"],
        texts,
    )


def _text_table(data: bytes) -> tuple[str, ...]:
    try:
        texts = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise DamagedBlock("the block's text table is no JSON") from error
    if not isinstance(texts, list) or not all(isinstance(text, str) for text in texts):
        raise DamagedBlock("the block's text table is no list of texts")
    return tuple(texts)


def envelopes_of(columns: Columns, doubted: NDArray[np.bool_]) -> Columns:
    """Counts, smallest, mean, largest, first and last value per channel of one block's columns.

    `columns` are ordered by channel; `doubted` readings stay out of the values.
    """
    channel, value = columns["channel"], columns["value"]
    starts = np.flatnonzero(np.append(True, channel[1:] != channel[:-1]))
    read = ~np.isnan(value)
    good = read & ~doubted
    samples = _counts(read, starts)
    counts = {
        "samples": samples,
        "missing": np.diff(starts, append=len(value)) - samples,
        "flagged": _counts(read & doubted, starts),
    }
    return {"channel": channel[starts]} | counts | _extents(value[good], _counts(good, starts))


def _counts(mask: NDArray[np.bool_], starts: NDArray[np.intp]) -> NDArray[np.intp]:
    return np.add.reduceat(mask, starts, dtype=np.intp)


def _extents(values: NDArray[Any], counts: NDArray[np.intp]) -> Columns:
    """The five values of each channel, `counts` of whose `values` follow one another."""
    table = np.full((5, len(counts)), math.nan)
    found = counts > 0
    if len(values):
        counts = counts[found]
        starts = np.cumsum(counts) - counts
        low, high = np.minimum.reduceat(values, starts), np.maximum.reduceat(values, starts)
        mean = _means(values, counts, starts, np.maximum(np.abs(low), np.abs(high)))
        # The rounding of a mean may leave the interval of its values by one unit in the last
        # place, so it is put back.
        mean = np.where(low > mean, low, mean)
        mean = np.where(high < mean, high, mean)
        table[:, found] = low, mean, high, values[starts], values[starts + counts - 1]
    return dict(zip(("minimum", "mean", "maximum", "first", "last"), table, strict=True))


def _means(
    values: NDArray[Any], counts: NDArray[np.intp], starts: NDArray[np.intp], scale: NDArray[Any]
) -> NDArray[Any]:
    # Halves first: the sum of two large finite numbers may not be finite.
    parts = np.where(scale < 1e300, 1, counts)
    if (parts > 1).any():
        values = values / np.repeat(parts, counts)
    sums = np.empty(len(counts))
    # Channels with equally many values are rows of one array. Rows are added pairwise, as one
    # channel's values by themselves would be, which `add.reduceat` does not do to the last bit.
    for count in set(counts.tolist()):
        chosen = np.flatnonzero(counts == count)
        sums[chosen] = values[starts[chosen, None] + np.arange(count)].sum(axis=1)
    return sums / np.where(parts > 1, 1, counts)


def pack_envelopes(columns: Columns) -> bytes:
    """Envelope columns as stored."""
    body = b"".join(
        _planes(columns[name].astype(kind, copy=False)) for name, kind in ENVELOPE_FIELDS
    )
    head = _COUNT.pack(len(columns["channel"]))
    return bytes((ENVELOPES_VERSION,)) + _compressed(head + body)


def unpack_envelopes(data: bytes) -> Columns:
    """Envelope columns by name. Raises DamagedBlock, and nothing else, for other bytes."""
    content = _content(data, ENVELOPES_VERSION)
    if len(content) < _COUNT.size:
        raise DamagedBlock("the envelopes are shorter than their head")
    (count,) = _COUNT.unpack_from(content)
    columns, end = _columns(content, _COUNT.size, count, ENVELOPE_FIELDS)
    if end != len(content):
        raise DamagedBlock("the envelopes' length does not fit their head")
    return columns


def _planes(column: NDArray[Any]) -> bytes:
    octets = np.ascontiguousarray(column).view(np.uint8).reshape(-1, column.itemsize)
    return octets.T.tobytes()


def _columns(
    content: bytes, start: int, count: int, fields: Sequence[tuple[str, str]]
) -> tuple[Columns, int]:
    columns: Columns = {}
    for name, kind in fields:
        width = np.dtype(kind).itemsize
        end = start + count * width
        if end > len(content):
            raise DamagedBlock(f"the column '{name}' is cut off")
        planes = np.frombuffer(content[start:end], np.uint8).reshape(width, count)
        columns[name] = np.frombuffer(planes.T.tobytes(), kind)
        start = end
    return columns, start


def _compressed(content: bytes) -> bytes:
    return bytes(zstandard.ZstdCompressor(level=_LEVEL, write_checksum=True).compress(content))


def _content(data: bytes, version: int) -> bytes:
    if not data or data[0] != version:
        found = data[0] if data else "none"
        raise DamagedBlock(f"block format {found} is not known, only {version}")
    try:
        # The size in the frame's own header decides how much memory the library takes, so it is
        # looked at first: a few bytes may claim gigabytes.
        size = zstandard.get_frame_parameters(data[1:]).content_size
        if size > _LARGEST_CONTENT_BYTES:
            raise DamagedBlock(f"the block claims {size} bytes, at most 4 MiB are allowed")
        return bytes(zstandard.ZstdDecompressor().decompress(data[1:]))
    except zstandard.ZstdError as error:
        raise DamagedBlock(f"the block does not decompress: {error}") from error
