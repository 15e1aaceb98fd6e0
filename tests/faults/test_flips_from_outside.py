"""Bits flipped in a lane's memory by another process while the lane works.

The process that flips is this one: it writes to ``/proc/<pid>/mem`` of a lane that real runs have
started (proc(5); allowed to a tracer, see ptrace(2), "Ptrace access mode checking"). Inputs are
found by what they hold, which a task built here from the same seed tells. Oracles: the flips made,
/proc, and the run's record.
"""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pytest

from harness.clock import SYSTEM
from harness.outcome import Ending, ExitCode
from harness.plan import INPUT_SEED
from harness.record.verify import verify_run
from harness.results import FailureKind
from tests.faults.rigs import Command, Rig
from workloads import registry

FLIPS = int(os.environ.get("RIGPROOF_OUTSIDE_FLIPS", "300"))
SEED = int(os.environ.get("RIGPROOF_SEED", "20261201"))
SPOILT_LANE = 0
NEEDLE_BYTES = 2048
_BETWEEN_SECONDS = 0.002

PROFILE = """
format: 1
name: rig-outside
loads:
  - workload: {workload}
    parameters: {parameters}
    soak_seconds: {seconds}
sampling: {{rate_hz: 10}}
on_failure: {on_failure}
accept:
  - {{criterion: no-failures}}
  - {{criterion: no-crash}}
"""


@dataclass(frozen=True)
class Region:
    """A stretch of a process's memory: private, readable and writable."""

    begin: int
    size: int


def regions(pid: int) -> list[Region]:
    """The lane's own writable memory; what it shares with its parent is the parent's too."""
    found = []
    for line in Path(f"/proc/{pid}/maps").read_text().splitlines():
        span, rights, *_ = line.split()
        begin, end = (int(word, 16) for word in span.split("-"))
        if rights.startswith("rw") and rights.endswith("p"):
            found.append(Region(begin, end - begin))
    return found


@contextmanager
def memory_of(pid: int) -> Iterator[BinaryIO]:
    """The memory of another process, open for writing."""
    try:
        file = Path(f"/proc/{pid}/mem").open("r+b", buffering=0)  # noqa: SIM115 - closed below
    except (PermissionError, FileNotFoundError) as error:
        pytest.skip(f"this kernel lets no process write into its child's memory: {error}")
    with file:
        yield file


def flip(memory: BinaryIO, address: int, bit: int) -> None:
    """Change one bit of one byte."""
    memory.seek(address)
    byte = memory.read(1)[0]
    memory.seek(address)
    memory.write(bytes([byte ^ 1 << bit]))


def places(memory: BinaryIO, pid: int, needle: bytes) -> list[int]:
    """Every address at which `needle` lies."""
    found = []
    for region in regions(pid):
        memory.seek(region.begin)
        try:
            content = memory.read(region.size)
        except OSError:
            continue  # a guard page, or memory that has gone meanwhile
        at = content.find(needle)
        while at >= 0:
            found.append(region.begin + at)
            at = content.find(needle, at + 1)
    return found


def needle_of(workload: str, parameters: dict[str, int]) -> bytes:
    """Bytes out of the middle of the largest input buffer."""
    found = registry.load(workload)
    task = found.prepare(found.complete(parameters), INPUT_SEED)
    inputs = [array for name, array in task.buffers().items() if name.startswith("input")]
    content = np.ascontiguousarray(max(inputs, key=lambda array: array.nbytes)).tobytes()
    task.close()
    middle = len(content) // 2
    return content[middle : middle + NEEDLE_BYTES]


@contextmanager
def soaking(
    place: Path, workload: str, parameters: dict[str, int], seconds: int, on_failure: str
) -> Iterator[tuple[Rig, Command, int]]:
    """A run whose lanes are at work; the pid of the lane to spoil."""
    if not Path("/proc/self/mem").exists():
        pytest.skip("another process's memory is reached through /proc, which only Linux has")
    text = PROFILE.format(
        workload=workload, parameters=parameters, seconds=seconds, on_failure=on_failure
    )
    with Rig(place) as rig:
        command = rig.run(text)
        rig.await_load(command)
        yield rig, command, rig.roles(command)[f"lane {SPOILT_LANE}"]


@pytest.mark.parametrize(
    ("workload", "parameters"),
    [("matmul-fp64", {"n": 128}), ("zstandard", {"corpus_bytes": 262_144})],
)
def test_a_bit_flipped_in_an_input_from_outside_is_caught_and_placed(
    workload: str, parameters: dict[str, int], tmp_path: Path
) -> None:
    needle = needle_of(workload, parameters)
    with soaking(tmp_path, workload, parameters, 120, "stop") as (rig, command, pid):
        with memory_of(pid) as memory:
            found = places(memory, pid, needle)
            assert found, "the lane's inputs are not where its memory can be read"
            for address in found:
                flip(memory, address + NEEDLE_BYTES // 2, 6)
        assert command.ended() == ExitCode.FAIL, command.tail
        data = rig.data()
    failures = {(it.kind, it.workload, it.lane) for it in data.failures}
    assert failures == {(FailureKind.WRONG_RESULT, workload, SPOILT_LANE)}
    first = data.failures[0].detail
    assert first.startswith("memory or cache")
    assert "inputs changed" in first


def spoil(pid: int, chance: random.Random, flips: int) -> int:
    """Flip random bits all over a lane's memory until it is gone; how many there were."""
    with memory_of(pid) as memory:
        for number in range(flips):
            try:
                around = regions(pid)
                (region,) = chance.choices(around, [each.size for each in around])
                flip(memory, region.begin + chance.randrange(region.size), chance.randrange(8))
            except (OSError, IndexError, ValueError):
                return number  # the lane is gone, and its memory with it
            SYSTEM.sleep(_BETWEEN_SECONDS)
    return flips


def test_bits_flipped_anywhere_in_a_lane_are_caught_or_harmless_and_the_run_ends_well(
    tmp_path: Path,
) -> None:
    """Code, stack and interpreter included: the lane may die of it, the run may not."""
    chance = random.Random(SEED)
    with soaking(tmp_path, "matmul-fp64", {"n": 128}, 4, "continue") as (rig, command, pid):
        flips = spoil(pid, chance, FLIPS)
        code = command.ended()
        assert "Traceback" not in command.stderr, command.tail
        data, folder = rig.data(), rig.folder()
    assert flips > 0
    assert code in {ExitCode.PASS, ExitCode.FAIL}, command.tail
    assert (code == ExitCode.FAIL) == bool(data.failures)
    assert {it.lane for it in data.failures} <= {SPOILT_LANE}
    assert data.ending is Ending.COMPLETED
    assert folder is not None
    assert verify_run(folder) == ()
