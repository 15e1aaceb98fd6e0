"""Legs of a pair that end by the clock: each end looks at it alone, and neither calls that a fault.

Oracle: both ends count the same passes, every one of them right, in two processes on two CPUs.
"""

from __future__ import annotations

import multiprocessing
import os
import threading
from multiprocessing.synchronize import Barrier
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from workloads.clock import perf_ns
from workloads.contract import PairContext
from workloads.fabric import FabricRoundTrip, FabricTask, PeerSilent
from workloads.words import FOUND, WRONG

LOAD = FabricRoundTrip()
PARAMETERS = {"round_trips": 200}
GOLDEN = LOAD.golden(PARAMETERS, 1)
LEGS = 300
WAIT_SECONDS = 60.0
SOON_NS = 20_000_000
ASKING_LINE = 16


def leg(task: FabricTask, nanoseconds: int) -> tuple[int, int]:
    """Passes and wrong ones until the time is over or the peer has left: what a lane does."""
    end_ns = perf_ns() + nanoseconds
    passes = wrong = 0
    while True:
        task.execute()
        if not task.began:
            break
        passes += 1
        wrong += task.digest() != GOLDEN
        if perf_ns() >= end_ns:
            break
    task.finish()
    return passes, wrong


def one_end(end: int, memory: Any, ready: Barrier, results: Any) -> None:
    """A process: all legs of one end, pinned where the system can pin."""
    if hasattr(os, "sched_setaffinity"):
        cpus = sorted(os.sched_getaffinity(0))
        os.sched_setaffinity(0, {cpus[end % len(cpus)]})
    LOAD.warm()
    words = np.frombuffer(memory, np.uint64)
    found: list[object] = []
    try:
        for number in range(LEGS):
            task = LOAD.prepare_pair(PARAMETERS, 1, PairContext(words, end))
            ready.wait(WAIT_SECONDS)
            # The ends differ in length, so that now the one and now the other leaves first.
            found.append(leg(task, 500_000 + 1_000 * (number * (37 + 20 * end) % 211)))
            ready.wait(WAIT_SECONDS)
    except (PeerSilent, threading.BrokenBarrierError) as error:
        ready.abort()
        found.append(repr(error))
    results.put((end, found))


def test_hundreds_of_legs_between_two_processes_end_without_a_false_failure() -> None:
    context = multiprocessing.get_context("spawn")
    shared, ready, results = context.RawArray("Q", 128), context.Barrier(2), context.Queue()
    ends = [context.Process(target=one_end, args=(end, shared, ready, results)) for end in (0, 1)]
    for process in ends:
        process.start()
    found = dict(results.get(timeout=2 * WAIT_SECONDS) for _ in ends)
    for process in ends:
        process.join()
    assert found[0] == found[1]
    assert len(found[0]) == LEGS
    assert all(passes > 0 and wrong == 0 for passes, wrong in found[0])


# --- the same, move by move, in two threads -----------------------------------------------------


@pytest.fixture(autouse=True, scope="module")
def compiled() -> None:
    LOAD.warm()


@pytest.fixture
def shared() -> NDArray[np.uint64]:
    return np.zeros(128, np.uint64)


def both_ends(shared: NDArray[np.uint64]) -> list[FabricTask]:
    return [LOAD.prepare_pair(PARAMETERS, 1, PairContext(shared, end, (4, 7))) for end in (0, 1)]


def stretch(ends: list[FabricTask], passes: list[int]) -> list[tuple[int, bool]]:
    """Each end does at most its own number of passes, then leaves: (whole passes, last began)."""
    counts = [(0, True)] * 2

    def work(end: int) -> None:
        done = 0
        while done < passes[end]:
            ends[end].execute()
            if not ends[end].began:
                break
            done += 1
        ends[end].finish()
        counts[end] = done, ends[end].began

    threads = [threading.Thread(target=work, args=(end,)) for end in (0, 1)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return counts


@pytest.mark.parametrize("first", [0, 1])
def test_the_end_that_stays_does_not_begin_a_pass_that_the_other_does_not(
    shared: NDArray[np.uint64], first: int
) -> None:
    ends = both_ends(shared)
    passes = [5, 5]
    passes[first] = 3
    counts = stretch(ends, passes)
    assert counts[first] == (3, True)
    assert counts[1 - first] == (3, False)
    assert [end.digest() for end in ends] == [GOLDEN, GOLDEN]
    assert all(finding.ok for end in ends for finding in end.invariants())


def test_a_pass_that_was_not_begun_does_not_count_in_the_reading(
    shared: NDArray[np.uint64],
) -> None:
    ends = both_ends(shared)
    stretch(ends, [1, 1])
    before = dict(ends[0].readings)
    assert stretch(ends, [2, 1])[0] == (1, False)
    assert len(ends[0]._times_ns) == 2
    assert before.keys() == ends[0].readings.keys() == {"round_trip_ns"}


def test_the_next_stretch_of_the_same_pair_goes_on_with_the_numbers(
    shared: NDArray[np.uint64],
) -> None:
    ends = both_ends(shared)
    for passes in ([3, 2], [1, 4], [2, 2], [5, 1]):
        fewest = min(passes)
        assert [count for count, _ in stretch(ends, passes)] == [fewest, fewest]
        assert [end.digest() for end in ends] == [GOLDEN, GOLDEN]


@pytest.mark.parametrize("staying", [0, 1])
def test_silence_between_passes_is_no_fault_and_takes_the_pass_back(
    shared: NDArray[np.uint64], staying: int
) -> None:
    ends = both_ends(shared)
    threads = [threading.Thread(target=end.execute) for end in ends]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    ends[staying].patience_ns = SOON_NS
    ends[staying].execute()
    assert not ends[staying].began
    assert ends[staying].digest() == GOLDEN


def test_leaving_inside_a_pass_is_a_fault_of_the_end_that_left(
    shared: NDArray[np.uint64],
) -> None:
    """End 0 has sent one message of its second pass when it dies: no farewell is right there."""
    asking, answering = both_ends(shared)
    stretch([asking, answering], [1, 1])
    shared[ASKING_LINE + 1 : ASKING_LINE + 8] = asking.payload ^ np.uint64(
        202 * 0x9E3779B97F4A7C15 % 2**64
    )
    shared[ASKING_LINE] = 202
    answering.patience_ns = SOON_NS
    with pytest.raises(PeerSilent, match=r"CPU 4 to CPU 7 for 0\.02 s: waiting for message 203"):
        answering.execute()


def test_an_end_that_left_before_any_pass_is_a_fault(shared: NDArray[np.uint64]) -> None:
    asking, answering = both_ends(shared)
    asking.finish()
    with pytest.raises(PeerSilent, match="CPU 4 to CPU 7 which has left: waiting for message 1"):
        answering.execute()


@pytest.mark.parametrize("bit", [0, 17, 63])
def test_a_farewell_that_lost_a_bit_is_not_believed(shared: NDArray[np.uint64], bit: int) -> None:
    """The pass goes on with a peer that is still there."""
    ends = both_ends(shared)
    stretch(ends, [1, 1])
    shared[0] ^= np.uint64(1 << bit)
    assert stretch(ends, [2, 2]) == [(2, True), (2, True)]


@pytest.mark.parametrize("wrong_end", [0, 1])
def test_a_wrong_number_is_never_taken_back_and_its_sender_is_named(
    shared: NDArray[np.uint64], wrong_end: int
) -> None:
    """Even where the sender then leaves: the number was wrong, whatever came after."""
    ends = both_ends(shared)
    stretch(ends, [1, 1])
    stretch(ends, [1, 1])
    sender, watcher = ends[wrong_end], ends[1 - wrong_end]
    line = ASKING_LINE if wrong_end == 0 else 40
    shared[line] = 999
    sender.finish()
    watcher.patience_ns = SOON_NS
    way = "from CPU 4 to CPU 7" if wrong_end == 0 else "from CPU 7 to CPU 4"
    with pytest.raises(PeerSilent, match=f"wrong message number {way}.*seen 999"):
        watcher.execute()
    assert watcher.log[1, WRONG] > 0
    assert watcher.log[1, FOUND] == 999
    assert watcher.digest() != GOLDEN
    assert way in next(item.detail for item in watcher.invariants() if not item.ok)
