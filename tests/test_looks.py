"""Looks are counted by what was looked at: more trials, boots or runs are a further look."""

from __future__ import annotations

import json
from multiprocessing import get_context
from pathlib import Path

import pytest

from harness import looks
from harness.errors import UsageError
from harness.judgement.sides import Boots, Side, SideLoad
from harness.looks import FILE_NAME, FORMAT_VERSION, Looks, count_look


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
def test_a_damaged_ledger_is_put_aside_and_said_instead_of_ending_the_comparison(
    tmp_path: Path, text: str
) -> None:
    for place in (1, 2):
        (tmp_path / FILE_NAME).write_text(text)
        found = count_look(tmp_path, BEFORE, AFTER)
        assert found.number == 1
        assert f"looks.damaged-{place}.json" in found.lost
        assert (tmp_path / f"looks.damaged-{place}.json").read_text() == text
        assert count_look(tmp_path, BEFORE, AFTER) == Looks(1, None, (1.0,))


def test_a_ledger_of_another_version_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    text = json.dumps({"format_version": FORMAT_VERSION + 1, "comparisons": "something newer"})
    (tmp_path / FILE_NAME).write_text(text)
    with pytest.raises(UsageError, match=f"has format version {FORMAT_VERSION + 1}"):
        count_look(tmp_path, BEFORE, AFTER)
    assert (tmp_path / FILE_NAME).read_text() == text


def test_a_ledger_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).mkdir()
    with pytest.raises(UsageError, match="the count of looks cannot be read"):
        count_look(tmp_path, BEFORE, AFTER)


def test_a_full_ledger_forgets_what_was_not_looked_at_for_longest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def pair(name: str, trials: int = 2) -> tuple[Side, Side]:
        return side(f"b-{name}", spin=((1.0,) * trials,)), side(f"a-{name}")

    for name in ("one", "two", "six"):
        count_look(tmp_path, *pair(name))
    assert number(tmp_path, *pair("one", 3)) == 2  # looked at last, though begun first
    monkeypatch.setattr(looks, "_MOST_BYTES", (tmp_path / FILE_NAME).stat().st_size + 40)
    assert (
        "the 1 comparison(s) not looked at for longest" in count_look(tmp_path, *pair("ten")).lost
    )
    assert (tmp_path / FILE_NAME).stat().st_size <= looks._MOST_BYTES
    assert number(tmp_path, *pair("one", 4)) == 3
    assert number(tmp_path, *pair("two", 4)) == 1


def test_a_ledger_above_the_limit_of_old_keeps_its_looks(tmp_path: Path) -> None:
    count_look(tmp_path, BEFORE, AFTER)
    document = json.loads((tmp_path / FILE_NAME).read_text())
    (tmp_path / FILE_NAME).write_text(json.dumps({**document, "pad": "x" * looks._MOST_BYTES}))
    assert number(tmp_path, BEFORE, side(*AFTER.run_ids, spin=((1.0,) * 3,))) == 2


def _look_at_five(task: tuple[Path, int]) -> None:
    runs_dir, who = task
    for place in range(5):
        count_look(runs_dir, side(f"b-{who}-{place}"), side(f"a-{who}-{place}"))


def test_looks_taken_at_the_same_time_are_all_kept(tmp_path: Path) -> None:
    """Oracle: four processes of five comparisons each are twenty."""
    with get_context("spawn").Pool(4) as pool:
        pool.map(_look_at_five, [(tmp_path, who) for who in range(4)])
    assert len(json.loads((tmp_path / FILE_NAME).read_text())["comparisons"]) == 20


def test_a_lock_that_stays_held_ends_the_wait_and_counts_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fcntl = pytest.importorskip("fcntl")
    monkeypatch.setattr(looks, "_LOCK_TRIES", 2)
    with (tmp_path / looks.LOCK_NAME).open("w") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(UsageError, match="held by another comparison"):
            count_look(tmp_path, BEFORE, AFTER)
    assert not (tmp_path / FILE_NAME).exists()
    assert number(tmp_path, BEFORE, AFTER) == 1


def test_what_looks_share_is_not_known_where_the_later_does_not_hold_the_earlier(
    tmp_path: Path,
) -> None:
    """Two of three runs a side are others: the looks share a sixth, and the count of boots alone
    would claim two thirds."""
    first = [side(f"{name}1", f"{name}2", spin=((1.0,), (1.0,))) for name in "ab"]
    later = [side(f"{name}1", f"{name}3", f"{name}4", spin=((1.0,),) * 3) for name in "ab"]
    assert count_look(tmp_path, first[0], first[1]).information == (1.0,)
    assert count_look(tmp_path, later[0], later[1]) == Looks(2, None, None)


def test_a_load_with_fewer_trials_than_before_makes_no_nested_look(tmp_path: Path) -> None:
    grown = side(*AFTER.run_ids, spin=((1.0,) * 6,), sort=((5.0,),))
    count_look(tmp_path, BEFORE, AFTER)
    assert count_look(tmp_path, BEFORE, grown) == Looks(2, None, None)
