"""The oracle of packed blocks: one reading, one channel, one byte plane at a time, as first told.

It shares no code with `harness.record.blocks` beyond numpy and the compressor, and is slow.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import zstandard

from harness.results import Sample

LONGEST_SECONDS = 1.5
MOST_READINGS = 50_000
MOST_TEXTS = 2**16 - 1
UNKNOWN = 2**32 - 1
NOT_FINITE = "not a finite number"


@dataclass(frozen=True)
class PlainBlock:
    """What a block must be, byte for byte."""

    start_seconds: float
    duration_seconds: float
    readings: int
    envelopes: bytes
    packed: bytes


def plain_blocks(samples: Sequence[Sample], numbers: Mapping[str, int]) -> list[PlainBlock]:
    """The blocks of `samples`, which are in order of arrival."""
    seconds: dict[int, list[Sample]] = {}
    for sample in samples:
        seconds.setdefault(math.floor(sample.at_seconds), []).append(sample)
    times = [sample.at_seconds for sample in samples]
    short = bool(times) and max(times) - min(times) <= LONGEST_SECONDS
    groups = [list(samples)] if short else [seconds[second] for second in sorted(seconds)]
    return [
        _block(group[start : start + MOST_READINGS], numbers)
        for group in groups
        for start in range(0, len(group), MOST_READINGS)
    ]


def _block(samples: list[Sample], numbers: Mapping[str, int]) -> PlainBlock:
    start = min(sample.at_seconds for sample in samples)
    end = max(sample.at_seconds for sample in samples)
    ordered = sorted(samples, key=lambda sample: numbers[sample.channel])
    texts = {"": 0}
    reasons = [_place(_reason(sample), texts) for sample in ordered]
    flags = [_place(sample.flag, texts) for sample in ordered]
    table = json.dumps(list(texts)).encode("ascii")
    content = struct.pack("<IId", len(ordered), len(table), start)
    content += _planes("<I", [numbers[sample.channel] for sample in ordered])
    content += _planes("<I", [round((sample.at_seconds - start) * 1e6) for sample in ordered])
    content += _planes("<d", [_value(sample) for sample in ordered])
    content += _planes("<I", [_latency(sample) for sample in ordered])
    content += _planes("<H", reasons) + _planes("<H", flags) + table
    doubts = [sample.flag.startswith("implausible") for sample in ordered]
    envelopes = _envelopes(ordered, doubts, numbers)
    return PlainBlock(start, end - start, len(ordered), envelopes, b"\x01" + _compressed(content))


def _place(text: str, texts: dict[str, int]) -> int:
    if text not in texts and len(texts) < MOST_TEXTS:
        texts[text] = len(texts)
    return texts.get(text, 0)


def _value(sample: Sample) -> float:
    value = sample.value
    return value if value is not None and math.isfinite(value) else math.nan


def _reason(sample: Sample) -> str:
    finite = sample.value is None or math.isfinite(sample.value)
    return sample.reason or ("" if finite else NOT_FINITE)


def _latency(sample: Sample) -> int:
    if sample.latency_seconds is None:
        return UNKNOWN
    return round(min(max(sample.latency_seconds, 0.0), (UNKNOWN - 1) / 1e6) * 1e6)


def _envelopes(ordered: list[Sample], doubts: list[bool], numbers: Mapping[str, int]) -> bytes:
    channels: dict[int, list[tuple[float, bool]]] = {}
    for sample, doubt in zip(ordered, doubts, strict=True):
        channels.setdefault(numbers[sample.channel], []).append((_value(sample), doubt))
    rows = [(number, *_envelope(mine)) for number, mine in channels.items()]
    content = struct.pack("<I", len(rows))
    for kind, column in zip(("<I",) * 4 + ("<d",) * 5, zip(*rows, strict=True), strict=True):
        content += _planes(kind, column)
    return b"\x01" + _compressed(content)


def _envelope(mine: list[tuple[float, bool]]) -> tuple[float, ...]:
    read = [(value, doubt) for value, doubt in mine if not math.isnan(value)]
    good = np.array([value for value, doubt in read if not doubt], "f8")
    counts = (len(read), len(mine) - len(read), len(read) - len(good))
    if not good.size:
        return (*counts, *(math.nan,) * 5)
    return (*counts, float(good.min()), _mean(good), float(good.max()), good[0], good[-1])


def _mean(good: Any) -> float:
    scale = float(np.abs(good).max())
    mean = float(good.mean()) if scale < 1e300 else float((good / good.size).sum())
    return min(max(mean, float(good.min())), float(good.max()))


def _planes(kind: str, column: Sequence[float]) -> bytes:
    entries = [struct.pack(kind, entry) for entry in column]
    return b"".join(bytes(entry[place] for entry in entries) for place in range(len(entries[0])))


def _compressed(content: bytes) -> bytes:
    return bytes(zstandard.ZstdCompressor(level=3, write_checksum=True).compress(content))
