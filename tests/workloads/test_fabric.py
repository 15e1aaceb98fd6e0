"""Messages between two ends, run as two threads of one process (the kernels release the lock)."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from numpy.typing import NDArray

from workloads import fabric
from workloads.contract import PairContext
from workloads.fabric import FabricRoundTrip, FabricTask, PeerSilent
from workloads.prng import splitmix64
from workloads.words import COMPARED, EXPECTED, FIRST, FOUND, WRONG

LOAD = FabricRoundTrip()
PARAMETERS = {"round_trips": 40}
SEED = 3
GOLDEN = LOAD.golden(PARAMETERS, SEED)
ASKING_LINE, ANSWERING_LINE = 16, 40
SOON_NS = 20_000_000


@pytest.fixture(autouse=True, scope="module")
def compiled() -> None:
    LOAD.warm()  # else one end may wait for the other to be compiled


@pytest.fixture
def shared() -> NDArray[np.uint64]:
    return np.zeros(128, np.uint64)


def both_ends(shared: NDArray[np.uint64]) -> tuple[FabricTask, FabricTask]:
    asking, answering = (
        LOAD.prepare_pair(PARAMETERS, SEED, PairContext(shared, end, (4, 7))) for end in (0, 1)
    )
    return asking, answering


def run(*tasks: FabricTask, passes: int = 1) -> list[str]:
    """Run all ends at once; returns what they raised."""
    errors: list[str] = []

    def work(task: FabricTask) -> None:
        try:
            for _ in range(passes):
                task.execute()
        except PeerSilent as error:
            errors.append(str(error))

    threads = [threading.Thread(target=work, args=(task,)) for task in tasks]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return errors


def test_both_ends_give_the_golden_pass_after_pass(shared: NDArray[np.uint64]) -> None:
    ends = both_ends(shared)
    inputs = [end.inputs_digest() for end in ends]
    for _ in range(3):
        assert run(*ends) == []
        assert [end.digest() for end in ends] == [GOLDEN, GOLDEN]
    assert [end.inputs_digest() for end in ends] == inputs
    assert all(finding.ok for end in ends for finding in end.invariants())


def test_numbers_go_on_over_passes_and_are_the_same_at_both_ends(
    shared: NDArray[np.uint64],
) -> None:
    assert run(*both_ends(shared), passes=5) == []
    assert shared[ASKING_LINE] == shared[ANSWERING_LINE] == 5 * 41


def test_answers_are_the_questions_inverted(shared: NDArray[np.uint64]) -> None:
    run(*both_ends(shared))
    question, answer = (shared[line + 1 : line + 8] for line in (ASKING_LINE, ANSWERING_LINE))
    assert np.array_equal(question, ~answer)
    assert len(set(question.tolist())) == 7


def test_the_log_of_a_right_pass_counts_all_messages_and_words(shared: NDArray[np.uint64]) -> None:
    asking, answering = both_ends(shared)
    run(asking, answering)
    payload = 41 * sum(int(word) for word in splitmix64(SEED, 7)) % 2**64
    for end in (asking, answering):
        assert end.log.tolist() == [[41 * 7, payload, *[0] * 5], [41, *[0] * 6]]


def test_only_the_end_that_asks_measures(shared: NDArray[np.uint64]) -> None:
    asking, answering = both_ends(shared)
    run(asking, answering)
    assert list(asking.readings) == ["round_trip_ns"]
    assert asking.readings["round_trip_ns"] > 0
    assert answering.readings == {}


@pytest.mark.parametrize("spoiled", [0, 1])
@pytest.mark.parametrize("bit", [0, 31, 63])
def test_a_wrong_bit_of_payload_is_seen_at_the_other_end(
    shared: NDArray[np.uint64], spoiled: int, bit: int
) -> None:
    ends = both_ends(shared)
    ends[spoiled].payload[4] ^= np.uint64(1 << bit)
    assert run(*ends) == []
    other = ends[1 - spoiled]
    assert other.digest() != GOLDEN
    payload = other.log[0]
    assert payload[WRONG] == 41
    assert int(payload[EXPECTED]) ^ int(payload[FOUND]) == 1 << bit
    broken = [finding for finding in other.invariants() if not finding.ok]
    assert [finding.name for finding in broken] == ["payload"]
    assert "41 wrong, 287 compared, first in message 1 " in broken[0].detail
    way = "from CPU 4 to CPU 7:" if spoiled == 0 else "from CPU 7 to CPU 4:"
    assert way in broken[0].detail


def test_a_number_that_skips_is_seen_and_is_no_message(shared: NDArray[np.uint64]) -> None:
    _, answering = both_ends(shared)
    answering.patience_ns = SOON_NS
    shared[ASKING_LINE] = 2  # message 1 never came
    assert len(run(answering)) == 1
    numbers = answering.log[1]
    assert numbers[COMPARED] == 0
    assert numbers[WRONG] > 0
    assert (numbers[FIRST], numbers[EXPECTED], numbers[FOUND]) == (1, 1, 2)
    assert [item.name for item in answering.invariants() if not item.ok] == ["sequence numbers"]


def test_a_number_that_goes_back_is_seen(shared: NDArray[np.uint64]) -> None:
    asking, answering = both_ends(shared)
    run(asking, answering)
    asking.patience_ns = SOON_NS
    shared[ANSWERING_LINE] = 7
    assert len(run(asking)) == 1
    assert asking.log[1, FOUND] == 7
    assert asking.digest() != GOLDEN


@pytest.mark.parametrize(("end", "silent", "waiting"), [(0, 7, 4), (1, 4, 7)])
def test_a_silent_peer_ends_the_wait_with_who_and_what(
    shared: NDArray[np.uint64], end: int, silent: int, waiting: int
) -> None:
    task = both_ends(shared)[end]
    assert task.patience_ns == 2_000_000_000
    task.patience_ns = SOON_NS
    with pytest.raises(PeerSilent) as caught:
        task.execute()
    told = str(caught.value)
    assert f"no answer from CPU {silent} to CPU {waiting} for 0.02 s" in told
    assert "waiting for message 1, seen 0" in told


def test_a_stale_line_of_an_earlier_pair_is_cleared_by_its_new_owner() -> None:
    shared = np.full(128, 99, np.uint64)
    ends = both_ends(shared)
    assert run(*ends) == []
    assert [end.digest() for end in ends] == [GOLDEN, GOLDEN]


def test_too_little_shared_memory_is_refused_with_the_size_needed() -> None:
    with pytest.raises(ValueError, match="received 32 words, needs 64"):
        LOAD.prepare_pair(PARAMETERS, SEED, PairContext(np.zeros(32, np.uint64), 0))


def test_one_lane_alone_is_refused_with_the_remedy() -> None:
    with pytest.raises(ValueError, match="received one lane, needs a pair; use pattern: pairs"):
        LOAD.prepare(PARAMETERS, SEED)


def test_warming_needs_no_peer_and_leaves_both_kernels_compiled() -> None:
    LOAD.warm()
    assert fabric._ask.signatures == fabric._answer.signatures
    assert len(fabric._ask.signatures) == 1


def test_lines_do_not_share_a_pair_of_cache_lines() -> None:
    assert ASKING_LINE * 8 // 128 != ANSWERING_LINE * 8 // 128
    assert all(line * 8 % 64 == 0 for line in (ASKING_LINE, ANSWERING_LINE))
