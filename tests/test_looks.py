"""Looks are counted by what was looked at: more trials, boots or runs are a further look."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from harness.judgement.sides import Boots, Side, SideLoad
from harness.looks import FILE_NAME, count_look


def load(name: str, boots: Boots, rejected: int = 0) -> SideLoad:
    """Trials by boot; the last `rejected` of each boot were rejected for a cause."""
    kept = tuple(boot[: len(boot) - rejected] for boot in boots)
    return SideLoad(name, "turn/s", False, kept, boots, rejected)


def side(*run_ids: str, spin: Boots = ((1.0, 1.1),), sort: Boots = ((5.0, 5.1),)) -> Side:
    return Side(", ".join(run_ids), (load("spin", spin), load("sort", sort)), run_ids)


BEFORE, AFTER = side("20260101T000000Z-a-0001"), side("20260102T000000Z-b-0002")


def test_the_same_data_judged_again_is_the_same_look(tmp_path: Path) -> None:
    assert [count_look(tmp_path, BEFORE, AFTER) for _ in range(3)] == [1, 1, 1]


@pytest.mark.parametrize(
    "grown",
    [
        {"spin": ((1.0, 1.1, 1.2),)},
        {"spin": ((1.0, 1.1), (1.05,))},
        {"spin": ((1.0,), (1.1,))},
        {"sort": ((5.0, 5.1, 5.2),)},
    ],
)
@pytest.mark.parametrize("which", ["before", "after"])
def test_a_resumed_run_with_more_trials_or_boots_is_a_further_look(
    tmp_path: Path, grown: dict[str, Boots], which: str
) -> None:
    assert count_look(tmp_path, BEFORE, AFTER) == 1
    resumed = side(*(BEFORE if which == "before" else AFTER).run_ids, **grown)
    sides = (resumed, AFTER) if which == "before" else (BEFORE, resumed)
    assert count_look(tmp_path, *sides) == 2
    assert count_look(tmp_path, *sides) == 2


def test_a_further_run_on_either_side_goes_on_with_the_comparison(tmp_path: Path) -> None:
    more = side(*AFTER.run_ids, "20260103T000000Z-b-0003")
    assert count_look(tmp_path, BEFORE, AFTER) == 1
    assert count_look(tmp_path, BEFORE, more) == 2
    assert count_look(tmp_path, side("20260104T000000Z-c-0004", *BEFORE.run_ids), more) == 3


def test_rejecting_other_trials_of_the_same_data_is_no_further_look(tmp_path: Path) -> None:
    first = Side("a", (load("spin", ((1.0, 1.1, 1.2),)),), BEFORE.run_ids)
    again = Side("a", (load("spin", ((1.0, 1.1, 1.2),), rejected=1),), BEFORE.run_ids)
    assert count_look(tmp_path, first, AFTER) == count_look(tmp_path, again, AFTER) == 1


def test_swapping_the_sides_opens_no_new_comparison(tmp_path: Path) -> None:
    grown = side(*AFTER.run_ids, spin=((1.0, 1.1, 1.2),))
    assert count_look(tmp_path, BEFORE, AFTER) == 1
    assert count_look(tmp_path, AFTER, BEFORE) == 1
    assert count_look(tmp_path, grown, BEFORE) == 2
    assert count_look(tmp_path, BEFORE, grown) == 2
    assert len(json.loads((tmp_path / FILE_NAME).read_text())) == 1


def test_trials_that_change_sides_are_other_data(tmp_path: Path) -> None:
    """Unordered sides, but each keeps its own counts."""
    three, two = ((1.0, 1.1, 1.2),), ((1.0, 1.1),)
    first = side(*BEFORE.run_ids, spin=three), side(*AFTER.run_ids, spin=two)
    second = side(*BEFORE.run_ids, spin=two), side(*AFTER.run_ids, spin=three)
    assert [count_look(tmp_path, *first), count_look(tmp_path, *second)] == [1, 2]


def test_other_runs_are_another_comparison(tmp_path: Path) -> None:
    assert count_look(tmp_path, BEFORE, AFTER) == 1
    assert count_look(tmp_path, BEFORE, side("20260105T000000Z-d-0005")) == 1


def test_typed_values_are_not_remembered(tmp_path: Path) -> None:
    typed = Side("before.csv", BEFORE.loads)
    assert count_look(tmp_path, typed, AFTER) == count_look(tmp_path, AFTER, typed) == 1
    assert not (tmp_path / FILE_NAME).exists()


@pytest.mark.parametrize("text", ["not json", "[1, 2]", '{"a b": 5}', "\x00"])
def test_a_damaged_ledger_starts_anew_instead_of_ending_the_comparison(
    tmp_path: Path, text: str
) -> None:
    (tmp_path / FILE_NAME).write_text(text)
    assert count_look(tmp_path, BEFORE, AFTER) == 1
