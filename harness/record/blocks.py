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
    flag       n x u2, index into the text table: why the value is doubted
    texts      t bytes: JSON list of texts, the first is empty

Envelopes, version 1: m (u4), then the columns of :data:`ENVELOPE_FIELDS`, m entries each. `samples`
counts readings with a value, of which `flagged` are doubted; the five values are over those that
are not doubted, NaN when there are none. Values come back bit for bit, times to the microsecond.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import zstandard
from numpy.typing import NDArray

from harness.results import Sample

READINGS_VERSION = 1
ENVELOPES_VERSION = 1
#: A block is split before it holds more readings than this.
MOST_READINGS = 50_000
#: Readings that lie no further apart than this may share a block.
LONGEST_SECONDS = 1.5
NOT_FINITE = "not a finite number"

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


def make_blocks(samples: Sequence[Sample], numbers: Mapping[str, int]) -> list[Block]:
    """Pack `samples`, in order of arrival, into blocks; `numbers` gives the channels' numbers.

    What was collected in :data:`LONGEST_SECONDS` stays together; a longer backlog (slow storage,
    a late chip) is cut at whole seconds, so that no envelope covers more. Infinite and NaN values
    become missing ones with a reason. Raises KeyError for a channel without a number.
    """
    seconds: dict[int, list[Sample]] = {}
    for sample in samples:
        seconds.setdefault(math.floor(sample.at_seconds), []).append(sample)
    times = [sample.at_seconds for sample in samples]
    short = bool(times) and max(times) - min(times) <= LONGEST_SECONDS
    groups = [list(samples)] if short else [seconds[second] for second in sorted(seconds)]
    return [_make_block(piece, numbers) for group in groups for piece in _pieces(group)]


def _pieces(samples: list[Sample]) -> list[list[Sample]]:
    starts = range(0, len(samples), MOST_READINGS)
    return [samples[start : start + MOST_READINGS] for start in starts]


def _make_block(samples: Sequence[Sample], numbers: Mapping[str, int]) -> Block:
    start = min(sample.at_seconds for sample in samples)
    end = max(sample.at_seconds for sample in samples)
    texts = _Texts()
    columns = _reading_columns(sorted(samples, key=lambda item: numbers[item.channel]), numbers)
    columns["time"] = _microseconds([at - start for at in columns["time"]])
    columns["reason"] = np.array([texts.index(text) for text in columns["reason"]], "<u2")
    columns["flag"] = np.array([texts.index(text) for text in columns["flag"]], "<u2")
    packed = _pack_readings(columns, start, texts.packed())
    return Block(start, end - start, len(samples), pack_envelopes(envelopes_of(columns)), packed)


def _reading_columns(samples: Sequence[Sample], numbers: Mapping[str, int]) -> Columns:
    values = np.array([math.nan if s.value is None else s.value for s in samples], "<f8")
    finite = np.isfinite(values)
    reasons = [
        sample.reason or ("" if good or sample.value is None else NOT_FINITE)
        for sample, good in zip(samples, finite, strict=True)
    ]
    return {
        "channel": np.array([numbers[sample.channel] for sample in samples], "<u4"),
        "time": np.array([sample.at_seconds for sample in samples], "<f8"),
        "value": np.where(finite, values, math.nan),
        "latency": _latencies(samples),
        "reason": np.array(reasons, object),
        "flag": np.array([sample.flag for sample in samples], object),
    }


def _microseconds(seconds: Iterable[float]) -> NDArray[np.uint32]:
    return np.array([round(value * _MICROSECONDS) for value in seconds], "<u4")


def _latencies(samples: Sequence[Sample]) -> NDArray[np.uint32]:
    limit = (_U4_MAX - 1) / _MICROSECONDS
    known = [
        _U4_MAX
        if s.latency_seconds is None
        else round(min(max(s.latency_seconds, 0.0), limit) * _MICROSECONDS)
        for s in samples
    ]
    return np.array(known, "<u4")


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
    body = b"".join(_planes(columns[name].astype(kind)) for name, kind in _READING_FIELDS)
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


def envelopes_of(columns: Columns) -> Columns:
    """Counts, smallest, mean, largest, first and last value per channel of one block's columns.

    `columns` are ordered by channel; doubted readings (`flag` not 0) stay out of the values.
    """
    channels, starts = np.unique(columns["channel"], return_index=True)
    ends = np.append(starts[1:], len(columns["channel"]))
    rows = [
        _envelope(columns["value"][low:high], columns["flag"][low:high] != 0)
        for low, high in zip(starts, ends, strict=True)
    ]
    table = np.array(rows, "f8").reshape(len(rows), len(ENVELOPE_FIELDS) - 1)
    named = {name: table[:, place] for place, (name, _) in enumerate(ENVELOPE_FIELDS[1:])}
    return {"channel": channels} | named


def _envelope(values: NDArray[Any], flagged: NDArray[Any]) -> tuple[float, ...]:
    read = ~np.isnan(values)
    good = values[read & ~flagged]
    counts = (int(read.sum()), int((~read).sum()), int((read & flagged).sum()))
    if not good.size:
        return (*counts, *(math.nan,) * 5)
    return (*counts, good.min(), _mean(good), good.max(), good[0], good[-1])


def _mean(values: NDArray[Any]) -> float:
    # Halves first: the sum of two large finite numbers may not be finite. The rounding of a mean
    # may leave the interval of its values by one unit in the last place, so it is put back.
    scale = float(np.abs(values).max())
    mean = float(values.mean()) if scale < 1e300 else float((values / values.size).sum())
    return min(max(mean, float(values.min())), float(values.max()))


def pack_envelopes(columns: Columns) -> bytes:
    """Envelope columns as stored."""
    body = b"".join(_planes(columns[name].astype(kind)) for name, kind in ENVELOPE_FIELDS)
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
    octets = np.frombuffer(column.tobytes(), np.uint8).reshape(-1, column.itemsize)
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
