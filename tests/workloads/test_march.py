"""March tests over real memory; the sequences' coverage is tested in tests/published."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import psutil
import pytest
from numpy.typing import NDArray

from workloads.march import (
    SEQUENCES,
    Element,
    MarchTask,
    MemoryMarch,
    parse,
    perform,
    reads,
)
from workloads.words import (
    ALL_ONES,
    BLOCK,
    COMPARED,
    FIRST,
    STEP,
    SUM,
    WRONG,
    aligned_words,
    fill_words,
    new_log,
)

Words = NDArray[np.uint64]

MIB = 1 << 20
SEED = 4
START = 0xFEDCBA9876543210
SMALL = {"mebibytes": 4, "window_mebibytes": 1}


def complete(**given: object) -> dict[str, object]:
    return dict(MemoryMarch().complete({**SMALL, **given}))


def prepared(**given: object) -> tuple[MarchTask, int]:
    load, parameters = MemoryMarch(), MemoryMarch().complete({**SMALL, **given})
    return load.prepare(parameters, SEED), load.golden(parameters, SEED)


def test_notation_is_read_into_orders_and_operations() -> None:
    assert parse(" {any(w0); up( r0 , w1 );down(r1,w0)} ") == (
        Element("any", ("w0",)),
        Element("up", ("r0", "w1")),
        Element("down", ("r1", "w0")),
    )


@pytest.mark.parametrize(
    "text", ["{sideways(r0)}", "{up(r2)}", "{up()}", "{}", "{up(r0) down(w0)}"]
)
def test_notation_that_is_no_march_is_refused_with_the_rule(text: str) -> None:
    with pytest.raises(ValueError, match=r"march element: received .*, needs order"):
        parse(text)


@pytest.mark.parametrize(
    "element",
    [Element("up", ("r0", "w1", "r1")), Element("down", ("r0",)), Element("up", ("w0", "w1"))],
)
def test_an_element_that_no_sweep_performs_is_refused_rather_than_performed_otherwise(
    element: Element,
) -> None:
    with pytest.raises(ValueError, match="no sweep performs it"):
        perform(element, aligned_words(BLOCK), START, new_log(1)[0])


def slow_perform(element: Element, memory: list[int], log: list[int]) -> None:
    """An element cell by cell, as the notation defines it; `log` collects the values read."""
    places = range(len(memory))
    for place in reversed(places) if element.order == "down" else places:
        for operation in element.operations:
            word = (START + place * STEP) & ALL_ONES
            word ^= ALL_ONES if operation[1] == "1" else 0
            if operation[0] == "w":
                memory[place] = word
            else:
                log.append(memory[place])


@pytest.mark.parametrize("name", SEQUENCES)
def test_compiled_sweeps_do_to_memory_what_the_notation_says(name: str) -> None:
    words, row = aligned_words(2 * BLOCK), new_log(1)[0]
    words[:] = 0
    memory, log = [0] * words.size, list[int]()
    for element in parse(SEQUENCES[name]):
        perform(element, words, START, row)
        slow_perform(element, memory, log)
        assert words.tolist() == memory
    assert (row[COMPARED], row[WRONG]) == (len(log), 0)


@pytest.mark.parametrize(
    ("name", "count"), [("mats-plus", 2), ("march-x", 3), ("march-c-minus", 5)]
)
def test_reads_counts_the_read_operations(name: str, count: int) -> None:
    assert reads(parse(SEQUENCES[name])) == count


@pytest.mark.parametrize("name", SEQUENCES)
def test_a_word_that_changes_between_two_elements_is_found_by_the_next_read(name: str) -> None:
    elements = parse(SEQUENCES[name])
    for spoiled in range(1, len(elements)):
        words, row = aligned_words(4 * BLOCK), new_log(1)[0]
        for number, element in enumerate(elements):
            if number == spoiled:
                words[1500] ^= np.uint64(1 << 63)
            perform(element, words, START, row)
        assert (row[WRONG], row[FIRST]) == (1, 1500)


@pytest.mark.parametrize("name", SEQUENCES)
def test_two_addresses_with_one_memory_behind_them_are_found(
    name: str, aliased_words: Words
) -> None:
    row = new_log(1)[0]
    for element in parse(SEQUENCES[name]):
        perform(element, aliased_words, START, row)
    assert row[WRONG] > 0


@pytest.mark.parametrize("name", SEQUENCES)
def test_every_window_gives_the_golden_and_all_are_visited_in_turn(name: str) -> None:
    task, golden = prepared(sequence=name)
    inputs = task.inputs_digest()
    visited = []
    for _ in range(9):
        task.execute()
        visited.append(task.window)
        assert task.digest() == golden
        assert task.inputs_digest() == inputs
    assert visited == [0, 1, 2, 3, 0, 1, 2, 3, 0]


def test_the_sum_of_the_golden_is_that_of_the_first_window_read_by_numpy() -> None:
    task, golden = prepared()
    times = 1 + 5  # the read before, and the reads of March C-
    first = task.region[: task.window_words]
    task.execute()
    assert task.digest() == golden
    assert task.log[0, COMPARED] == times * first.size
    assert int(task.log[0, SUM]) == times * int(first.sum(dtype=np.uint64)) % 2**64


@pytest.mark.parametrize("name", SEQUENCES)
def test_each_bit_of_a_word_is_seen_when_its_window_is_visited(name: str) -> None:
    task, golden = prepared(sequence=name, mebibytes=1)
    for bit in range(64):
        task.region[40_000] ^= np.uint64(1 << bit)
        task.execute()
        assert task.digest() != golden
        task.execute()
        assert task.digest() == golden


def test_a_change_while_other_windows_are_tested_is_found_at_the_next_visit() -> None:
    task, golden = prepared()
    task.execute()
    task.region[17] ^= np.uint64(2)  # in window 0, whose turn is over
    digests = []
    for _ in range(4):
        task.execute()
        digests.append(task.digest() == golden)
    assert digests == [True, True, True, False]


def test_a_failed_window_is_visited_again_but_not_for_ever() -> None:
    task, _ = prepared()
    visited = []
    for _ in range(6):
        task.region[5] ^= np.uint64(1)  # a cell of window 0 that does not hold what is written
        task.execute()
        visited.append(task.window)
    assert visited == [0, 0, 0, 0, 1, 2]


def test_a_window_that_came_right_again_lets_the_march_go_on() -> None:
    task, golden = prepared()
    task.region[5] ^= np.uint64(1)
    visited = []
    for _ in range(4):
        task.execute()
        visited.append((task.window, task.digest() == golden))
    assert visited == [(0, False), (0, True), (1, True), (2, True)]


def test_a_wrong_word_is_told_by_its_place_in_the_region() -> None:
    task, _ = prepared()
    task.execute()
    inputs = task.inputs_digest()
    place = task.window_words + 1000  # in window 1, whose turn it is
    right = int(task.region[place])
    task.region[place] ^= np.uint64(1 << 7)
    task.execute()
    (finding,) = task.invariants()
    assert not finding.ok
    assert f"offset 0x{8 * place:x}" in finding.detail
    assert f"virtual address 0x{task.region.ctypes.data + 8 * place:x}" in finding.detail
    assert f"expected 0x{right:016x}, found 0x{right ^ 128:016x}" in finding.detail
    assert task.inputs_digest() != inputs
    wrong_log = {"result_log": np.array(task.log)}
    task.execute()
    difference = task.compare(wrong_log)
    assert difference is not None
    assert (difference.buffer, difference.index) == ("region", (place,))


def test_region_and_window_sizes_follow_the_parameters() -> None:
    load = MemoryMarch()
    assert load.layout(complete(mebibytes=5, window_mebibytes=2)) == (2, 2 * MIB // 8)
    assert load.layout(complete(mebibytes=1, window_mebibytes=2)) == (1, MIB // 8)
    assert load.memory_bytes(complete(mebibytes=5, window_mebibytes=2)) == 4 * MIB


def test_a_share_is_of_the_memory_that_is_free_divided_among_the_lanes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    free = SimpleNamespace(available=1000 * MIB, total=4000 * MIB)
    monkeypatch.setattr(psutil, "virtual_memory", lambda: free)
    share = complete(share_percent_of_free=50.0, lanes_sharing=5, window_mebibytes=10)
    assert MemoryMarch().layout(share) == (10, 10 * MIB // 8)


def test_a_share_smaller_than_a_window_still_has_one_so_that_lanes_agree(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(psutil, "virtual_memory", lambda: SimpleNamespace(available=3 * MIB))
    share = complete(share_percent_of_free=10.0, lanes_sharing=1, window_mebibytes=1)
    assert MemoryMarch().layout(share) == (1, MIB // 8)


def test_what_is_tested_is_told_as_a_share_of_installed_memory(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(psutil, "virtual_memory", lambda: SimpleNamespace(total=400 * MIB))
    task, _ = prepared()
    assert told(task) == (4.0 * MIB, 0.0, 0.0, 0.0)
    for _ in range(3):
        task.execute()
    assert told(task) == (4.0 * MIB, 3.0 * MIB, 0.75, 0.0)
    for _ in range(6):
        task.execute()
    assert told(task) == (4.0 * MIB, 4.0 * MIB, 1.0, 2.0)


def told(task: MarchTask) -> tuple[float, float, float, float]:
    """Region, what of it was tested, that as a share of installed memory, and whole rounds."""
    names = (
        "region_per_lane_bytes",
        "tested_per_lane_bytes",
        "tested_share_of_installed_per_lane_percent",
        "whole_rounds",
    )
    assert set(task.readings) == set(names)
    region, tested, share, rounds = (task.readings[name] for name in names)
    return region, tested, share, rounds


def test_each_stretch_counts_what_it_has_tested_itself() -> None:
    task, _ = prepared()
    for _ in range(5):
        task.execute()
    task.begin()
    assert told(task)[1] == 0.0
    task.execute()
    assert told(task)[1] == 1.0 * MIB


def test_a_window_that_is_visited_again_after_a_failure_counts_once() -> None:
    task, _ = prepared()
    task.region[5] ^= np.uint64(1)
    task.execute()
    task.execute()
    assert task.window == 0
    assert told(task)[1] == 1.0 * MIB


def test_without_a_number_of_lanes_the_cpus_that_this_process_may_use_share(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    free = SimpleNamespace(available=1000 * MIB, total=4000 * MIB)
    monkeypatch.setattr(psutil, "virtual_memory", lambda: free)
    monkeypatch.setattr("os.cpu_count", lambda: 64)
    monkeypatch.setattr("os.sched_getaffinity", lambda _: {3}, raising=False)
    share = complete(share_percent_of_free=60.0, window_mebibytes=10)
    assert MemoryMarch().layout(share)[0] == 60


def test_a_run_divides_the_share_among_its_lanes_unless_told_otherwise() -> None:
    load = MemoryMarch()
    assert load.for_lanes(complete(), 6) == {**complete(), "lanes_sharing": 6}
    assert load.for_lanes(complete(lanes_sharing=2), 6) == complete(lanes_sharing=2)


def test_the_claim_is_bounded_where_users_read_it() -> None:
    import workloads.march

    bound = "verified on virtual memory"
    for text in (MemoryMarch.check, workloads.march.__doc__ or ""):
        assert bound in text
        assert "DRAM" in text


def test_fill_of_a_window_belongs_to_its_place_in_the_region() -> None:
    task, _ = prepared()
    alone = aligned_words(task.window_words)
    start = task.start + 2 * task.window_words * STEP
    fill_words(alone, np.uint64(start % 2**64), np.uint64(0))
    third = task.region[2 * task.window_words : 3 * task.window_words]
    assert np.array_equal(third, alone)
