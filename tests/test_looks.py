"""Looks are counted by what was looked at: more trials, boots or runs are a further look."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from harness.errors import UsageError
from harness.judgement.sides import Boots, Side, SideLoad
from harness.looks import FILE_NAME, Looks, count_look


def load(name: str, boots: Boots, rejected: int = 0) -> SideLoad:
    """Trials by boot; the last `rejected` of each boot were rejected for a cause."""
    kept = tuple(boot[: len(boot) - rejected] for boot in boots)
    return SideLoad(name, "turn/s", False, kept, boots, rejected)


def side(*run_ids: str, spin: Boots = ((1.0, 1.1),), sort: Boots = ((5.0, 5.1),)) -> Side:
    return Side(", ".join(run_ids), (load("spin", spin), load("sort", sort)), run_ids)


def number(runs_dir: Path, before: Side, after: Side) -> int:
    return count_look(runs_dir, before, after).number


BEFORE, AFTER = side("20260101T000000Z-a-0001"), side("20260102T000000Z-b-0002")


def test_the_same_data_judged_again_is_the_same_look(tmp_path: Path) -> None:
    assert [number(tmp_path, BEFORE, AFTER) for _ in range(3)] == [1, 1, 1]


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
    assert number(tmp_path, BEFORE, AFTER) == 1
    resumed = side(*(BEFORE if which == "before" else AFTER).run_ids, **grown)
    sides = (resumed, AFTER) if which == "before" else (BEFORE, resumed)
    assert number(tmp_path, *sides) == 2
    assert number(tmp_path, *sides) == 2


def test_a_further_run_on_either_side_goes_on_with_the_comparison(tmp_path: Path) -> None:
    more = side(*AFTER.run_ids, "20260103T000000Z-b-0003")
    assert number(tmp_path, BEFORE, AFTER) == 1
    assert number(tmp_path, BEFORE, more) == 2
    assert number(tmp_path, side("20260104T000000Z-c-0004", *BEFORE.run_ids), more) == 3


def test_rejecting_other_trials_of_the_same_data_is_no_further_look(tmp_path: Path) -> None:
    first = Side("a", (load("spin", ((1.0, 1.1, 1.2),)),), BEFORE.run_ids)
    again = Side("a", (load("spin", ((1.0, 1.1, 1.2),), rejected=1),), BEFORE.run_ids)
    assert number(tmp_path, first, AFTER) == number(tmp_path, again, AFTER) == 1


def test_swapping_the_sides_opens_no_new_comparison(tmp_path: Path) -> None:
    grown = side(*AFTER.run_ids, spin=((1.0, 1.1, 1.2),))
    assert number(tmp_path, BEFORE, AFTER) == 1
    assert number(tmp_path, AFTER, BEFORE) == 1
    assert number(tmp_path, grown, BEFORE) == 2
    assert number(tmp_path, BEFORE, grown) == 2
    assert len(json.loads((tmp_path / FILE_NAME).read_text())["comparisons"]) == 1


def test_trials_that_change_sides_are_other_data(tmp_path: Path) -> None:
    """Unordered sides, but each keeps its own counts."""
    three, two = ((1.0, 1.1, 1.2),), ((1.0, 1.1),)
    first = side(*BEFORE.run_ids, spin=three), side(*AFTER.run_ids, spin=two)
    second = side(*BEFORE.run_ids, spin=two), side(*AFTER.run_ids, spin=three)
    assert [number(tmp_path, *first), number(tmp_path, *second)] == [1, 2]


def test_other_runs_are_another_comparison(tmp_path: Path) -> None:
    assert number(tmp_path, BEFORE, AFTER) == 1
    assert number(tmp_path, BEFORE, side("20260105T000000Z-d-0005")) == 1


def test_an_older_run_on_a_side_goes_on_with_the_comparison_too(tmp_path: Path) -> None:
    older = side("20250101T000000Z-z-0000", *BEFORE.run_ids)
    assert number(tmp_path, BEFORE, AFTER) == 1
    assert number(tmp_path, older, AFTER) == 2


def typed(*values: float, name: str = "spin") -> Side:
    return Side(
        "typed.csv", (SideLoad(name, "fps", False, (values,), (values,)),), boots_told=False
    )


def test_typed_values_that_begin_with_those_seen_go_on_with_the_comparison(tmp_path: Path) -> None:
    assert number(tmp_path, typed(1.0, 1.1), typed(2.0, 2.1)) == 1
    assert number(tmp_path, typed(1.0, 1.1), typed(2.0, 2.1)) == 1
    assert number(tmp_path, typed(1.0, 1.1, 1.2), typed(2.0, 2.1)) == 2
    assert number(tmp_path, typed(2.0, 2.1, 2.2), typed(1.0, 1.1, 1.2)) == 3
    assert number(tmp_path, typed(1.0, 1.3), typed(2.0, 2.1)) == 1
    assert number(tmp_path, typed(1.0, 1.1, 1.2, name="sort"), typed(2.0, 2.1, name="sort")) == 1


def test_typed_values_and_runs_are_never_the_same_side(tmp_path: Path) -> None:
    assert number(tmp_path, typed(1.0, 1.1), AFTER) == 1
    assert number(tmp_path, Side("x", BEFORE.loads, BEFORE.run_ids), AFTER) == 1
    assert number(tmp_path, typed(1.0, 1.1, 1.2), AFTER) == 2


def test_a_plan_of_looks_holds_from_the_first_on_and_is_not_changed_after_it(
    tmp_path: Path,
) -> None:
    grown = [side(*AFTER.run_ids, spin=((1.0, 1.1, *[1.2] * more),)) for more in (1, 2)]
    assert count_look(tmp_path, BEFORE, AFTER, 2) == Looks(1, 2, (1.0,))
    for other in (1, 3):
        with pytest.raises(UsageError, match=f"received {other}, but .* looks planned as 2"):
            count_look(tmp_path, BEFORE, grown[0], other)
    assert count_look(tmp_path, BEFORE, grown[0]).planned == 2
    for _ in range(2):  # a refused look is not counted, and stays refused
        with pytest.raises(UsageError, match="--planned-looks was 2 and this is look 3"):
            count_look(tmp_path, BEFORE, grown[1])


def test_a_comparison_left_open_cannot_be_planned_after_the_first_look(tmp_path: Path) -> None:
    assert count_look(tmp_path, BEFORE, AFTER).planned is None
    with pytest.raises(UsageError, match="with its looks left open"):
        count_look(tmp_path, BEFORE, AFTER, 3)


def test_information_is_at_most_what_grew_most(tmp_path: Path) -> None:
    """Oracle: 1 / (1/a + 1/b) trials or boots; 2 and 2 trials are 1, 2 and 6 are 1.5, 6 and 6 3."""
    six = ((1.0,) * 6,)
    assert count_look(tmp_path, BEFORE, AFTER).information == (1.0,)
    grown = side(*AFTER.run_ids, spin=six)
    assert count_look(tmp_path, BEFORE, grown).information == pytest.approx((1.0, 1.5))
    both = side(*BEFORE.run_ids, spin=six)
    assert count_look(tmp_path, both, grown).information == pytest.approx((1.0, 1.5, 3.0))
    assert count_look(tmp_path, BEFORE, AFTER).information == (1.0,)
    # Twice the boots may be twice as much although the trials grew by a third only.
    boots = side(*AFTER.run_ids, spin=(*six, (1.0,), (1.1,)))
    grew = count_look(tmp_path, both, boots).information
    assert grew == pytest.approx((1.0, 1.5, 3.0, 3.0 * (1 / (1 + 1 / 3)) / 0.5))


def test_information_that_did_not_grow_for_any_load_is_not_known(tmp_path: Path) -> None:
    assert count_look(tmp_path, BEFORE, AFTER).information == (1.0,)
    fewer = side(*AFTER.run_ids, spin=((1.0,),))
    assert count_look(tmp_path, BEFORE, fewer) == Looks(2, None, None)
    other = Side("b", (*AFTER.loads, load("new", ((1.0, 2.0),))), AFTER.run_ids)
    assert count_look(tmp_path, BEFORE, other) == Looks(3, None, None)


def test_a_look_that_cannot_be_written_down_says_so(tmp_path: Path) -> None:
    place = tmp_path / "file"
    place.write_text("no folder")
    found = count_look(place, BEFORE, AFTER)
    assert found.number == 1
    assert found.forgotten


@pytest.mark.parametrize(
    "text",
    [
        "not json",
        "[1, 2]",
        '{"a b": 5}',
        "\x00",
        '{"comparisons": [{"sides": [1, 2]}]}',
        '{"comparisons": [{"sides": [], "looks": [], "planned_looks": null}]}',
        '{"comparisons": [{"sides": [{"runs": [], "trials": []}]}]}',
    ],
)
def test_a_damaged_ledger_starts_anew_instead_of_ending_the_comparison(
    tmp_path: Path, text: str
) -> None:
    (tmp_path / FILE_NAME).write_text(text)
    assert number(tmp_path, BEFORE, AFTER) == 1
