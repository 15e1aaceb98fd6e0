"""The compression workloads: determinism, round trip, damage of every kind, detection."""

from __future__ import annotations

import bz2
import lzma
import zlib
from collections.abc import Callable
from random import Random

import numpy as np
import pytest
import zstandard
from bit_flips import flip_inputs, flip_results, flip_within

from workloads.compression import (
    Bzip2Workload,
    Compression,
    CompressionTask,
    DeflateWorkload,
    LzmaWorkload,
    ZstandardWorkload,
)
from workloads.faults import flip

KINDS = (DeflateWorkload, Bzip2Workload, LzmaWorkload, ZstandardWorkload)
SIZE = 8192
UNPACK: dict[str, Callable[[bytes], bytes]] = {
    "deflate": zlib.decompress,
    "bzip2": bz2.decompress,
    "lzma": lzma.decompress,
    "zstandard": lambda stream: zstandard.ZstdDecompressor().decompress(stream),
}

each_kind = pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)


def prepared(kind: type[Compression], size: int = SIZE, seed: int = 1) -> CompressionTask:
    workload = kind()
    task = workload.prepare(workload.complete({"corpus_bytes": size}), seed)
    assert isinstance(task, CompressionTask)
    return task


def stream_of(task: CompressionTask) -> np.ndarray:
    return task.buffers()["result_stream"]


@each_kind
def test_every_pass_of_every_task_gives_one_digest(kind: type[Compression]) -> None:
    digests = set()
    for _ in range(3):
        task = prepared(kind)
        for _ in range(4):
            task.execute()
            digests.add(task.digest())
    assert len(digests) == 1
    other = prepared(kind, seed=2)
    other.execute()
    assert other.digest() not in digests


@each_kind
def test_the_stream_is_one_that_the_format_s_own_reader_unpacks(kind: type[Compression]) -> None:
    task = prepared(kind)
    task.execute()
    stream = stream_of(task).tobytes()
    assert UNPACK[kind.name](stream) == task.buffers()["input_corpus"].tobytes()
    assert SIZE / 5 < len(stream) < SIZE / 1.5


@each_kind
def test_the_invariants_of_a_right_pass_hold(kind: type[Compression]) -> None:
    task = prepared(kind)
    task.execute()
    findings = task.invariants()
    assert [finding.name for finding in findings] == ["stream unpacks", "round trip"]
    assert all(finding.ok for finding in findings)


@each_kind
def test_the_work_is_the_corpus_and_the_inputs_stay_as_they_are(kind: type[Compression]) -> None:
    task = prepared(kind)
    before = task.inputs_digest()
    task.execute()
    assert task.work_per_pass == SIZE
    assert task.inputs_digest() == before


@each_kind
def test_every_flip_in_a_result_is_caught(kind: type[Compression]) -> None:
    campaign = flip_results(prepared(kind))
    assert campaign.caught == campaign.flips


@each_kind
def test_every_flip_in_the_corpus_is_caught(kind: type[Compression]) -> None:
    """Rate 100 %: what is unpacked is the flipped corpus, and it belongs to the digest."""
    campaign = flip_inputs(prepared(kind))
    assert campaign.caught == campaign.flips


@each_kind
def test_every_flip_in_the_stream_before_it_is_unpacked_is_caught_without_a_crash(
    kind: type[Compression],
) -> None:
    """Rate 100 %: the stream itself belongs to the digest, whatever the library makes of it."""
    task = prepared(kind)

    def disturbed_pass(rng: Random) -> None:
        task.pack()
        flip(stream_of(task), rng.randrange(stream_of(task).size), rng.randrange(8))
        task.unpack()

    campaign = flip_within(task, disturbed_pass)
    assert campaign.caught == campaign.flips


@each_kind
def test_the_invariants_alone_notice_all_damage_to_a_stream_that_changes_the_output(
    kind: type[Compression],
) -> None:
    """A few bits of a header mean nothing (a level hint, a flag): at least 95 % are noticed."""
    task, rng, noticed = prepared(kind), Random(4), 0
    for _ in range(200):
        task.pack()
        flip(stream_of(task), rng.randrange(stream_of(task).size), rng.randrange(8))
        task.unpack()
        ok = all(finding.ok for finding in task.invariants())
        noticed += not ok
        buffers = task.buffers()
        assert ok == np.array_equal(buffers["result_output"], buffers["input_corpus"])
    assert noticed >= 190


class Meddler:
    """A codec that does to the stream or the output what a faulty machine might."""

    errors = (zlib.error,)

    def __init__(self, meddle: Callable[[bytes], bytes]) -> None:
        self.meddle = meddle

    def pack(self, data: memoryview) -> bytes:
        return bytes(data)

    def unpack(self, stream: memoryview, most: int) -> bytes:
        return self.meddle(bytes(stream))[:most]


@pytest.mark.parametrize(
    ("meddle", "told"),
    [
        (lambda data: data[:-1], "expected 100 bytes, unpacked 99"),
        (lambda data: data + b"x", "expected 100 bytes, unpacked 101"),
        (lambda data: data * 50, "expected 100 bytes, unpacked 101"),
        (lambda _: b"", "expected 100 bytes, unpacked 0"),
        (
            lambda data: data[:40] + b"\x07" + data[41:],
            "1 bytes differ, first at 40: expected 0x28, found 0x07",
        ),
    ],
    ids=["short", "long", "endless", "empty", "wrong"],
)
def test_a_wrong_output_changes_the_digest_and_is_described(
    meddle: Callable[[bytes], bytes], told: str
) -> None:
    right = CompressionTask(Meddler(bytes), np.arange(100, dtype=np.uint8))
    wrong = CompressionTask(Meddler(meddle), np.arange(100, dtype=np.uint8))
    for task in (right, wrong):
        task.execute()
    assert right.digest() != wrong.digest()
    round_trip = wrong.invariants()[-1]
    assert (round_trip.ok, round_trip.detail) == (False, told)


@each_kind
def test_a_stream_cut_short_is_told_and_caught(kind: type[Compression]) -> None:
    task = prepared(kind)
    task.execute()
    golden = task.digest()
    whole = stream_of(task).tobytes()
    task._stream.fill(whole[: len(whole) // 2])
    task.unpack()
    assert task.digest() != golden
    assert not all(finding.ok for finding in task.invariants())


@each_kind
def test_a_difference_names_the_buffer_and_the_place(kind: type[Compression]) -> None:
    task = prepared(kind)
    task.execute()
    right = {name: array.copy() for name, array in task.buffers().items() if "result" in name}
    assert task.compare(right) is None
    task.buffers()["result_output"][77] ^= 0x10
    difference = task.compare(right)
    assert difference is not None
    assert (difference.buffer, difference.index) == ("result_output", (77,))


@each_kind
@pytest.mark.parametrize("level", ["low", "high"])
def test_the_bounds_of_the_level_work(kind: type[Compression], level: str) -> None:
    bound = getattr(kind.parameters["level"], level)
    workload = kind()
    parameters = workload.complete({"corpus_bytes": 4096, "level": int(bound)})
    task = workload.prepare(parameters, seed=1)
    task.execute()
    assert all(finding.ok for finding in task.invariants())
    assert workload.memory_bytes(parameters) > 4096


@each_kind
def test_the_library_s_version_is_the_code_path_and_no_golden_ships(
    kind: type[Compression],
) -> None:
    workload = kind()
    assert workload.golden(workload.complete({}), seed=1) is None
    assert not workload.shipped_golden
    assert any(character.isdigit() for character in workload.code_path(workload.complete({})))


def test_code_paths_name_the_loaded_libraries() -> None:
    assert zlib.ZLIB_RUNTIME_VERSION in DeflateWorkload().code_path({})
    assert ".".join(map(str, zstandard.ZSTD_VERSION)) in ZstandardWorkload().code_path({})


@each_kind
def test_parameters_out_of_bounds_are_refused_with_the_rule(kind: type[Compression]) -> None:
    with pytest.raises(ValueError, match=r"level: received 40, must lie in"):
        kind().complete({"level": 40})
    with pytest.raises(ValueError, match=r"corpus_bytes: received 'much', needs int"):
        kind().complete({"corpus_bytes": "much"})
