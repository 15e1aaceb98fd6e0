"""`compare` at the command line: what is counted, refused and printed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import typer

from harness.cli.comparing import _refuse_unlike, compare
from harness.errors import ComparisonRefused, UsageError
from harness.judgement.sides import Side, SideLoad

BEFORE = (100.0, 100.4, 99.7, 100.1, 99.9, 100.3)
AFTER = (100.9, 101.5, 100.6, 101.1, 100.8, 101.3)


def typed(path: Path, values: tuple[float, ...]) -> str:
    lines = [f"render,{value},frame/s,higher" for value in values]
    path.write_text("workload,value,unit,better\n" + "\n".join(lines) + "\n")
    return str(path)


@pytest.fixture
def ask(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    """Compare typed values; the JSON document, its exit code beside it."""

    def asking(
        before: tuple[float, ...], after: tuple[float, ...], place: str = "", **more: Any
    ) -> dict[str, Any]:
        first, second = typed(tmp_path / "b.csv", before), typed(tmp_path / "a.csv", after)
        with pytest.raises(typer.Exit) as done:
            compare(first, second, runs_dir=tmp_path / place, as_json=True, **more)
        document: dict[str, Any] = json.loads(capsys.readouterr().out)
        return {**document, "exit": done.value.exit_code}

    return asking


def confidence_of(document: dict[str, Any]) -> float:
    """How far the decision's limits lie from the ratio, against the 95 % limits (log scale)."""
    item = document["workloads"][0]
    width: float = (item["decision_high"] - item["decision_low"]) / (item["high"] - item["low"])
    return width


def test_a_second_look_is_paid_for_without_any_option(ask: Any) -> None:
    looks = [ask(BEFORE[:count], AFTER[:count]) for count in (4, 5, 6)]
    assert [item["looks"] for item in looks] == [1, 2, 3]
    # The same six values at a first look, in a folder that has seen no look yet.
    once = ask(BEFORE, AFTER, "fresh")
    assert once["looks"] == 1
    assert confidence_of(looks[2]) > 1.03 * confidence_of(once)
    assert ask(BEFORE[:4], AFTER[:4])["looks"] == 1


def test_a_plan_of_one_look_spends_everything_and_forbids_the_second(ask: Any) -> None:
    only = ask(BEFORE[:4], AFTER[:4], planned_looks=1)
    assert confidence_of(only) == pytest.approx(1.0)
    with pytest.raises(UsageError, match="this is look 2: the error is spent"):
        ask(BEFORE, AFTER)


def test_a_plan_made_after_the_first_look_is_refused(ask: Any) -> None:
    ask(BEFORE[:4], AFTER[:4])
    with pytest.raises(UsageError, match="already looked at with its looks left open"):
        ask(BEFORE, AFTER, planned_looks=2)


@pytest.mark.parametrize("looks", [0, -1, 101])
def test_planned_looks_must_be_a_number_of_looks(ask: Any, looks: int) -> None:
    with pytest.raises(UsageError, match=f"--planned-looks received {looks}"):
        ask(BEFORE, AFTER, planned_looks=looks)


@pytest.mark.parametrize(("before", "after"), [(BEFORE, (50.0,)), ((200.0,), AFTER)])
def test_one_typed_value_on_a_side_decides_nothing_and_says_why(
    ask: Any, before: tuple[float, ...], after: tuple[float, ...]
) -> None:
    found = ask(before, after)
    item = found["workloads"][0]
    assert (item["decision"], found["exit"]) == ("undecided", 3)
    assert (item["low"], item["high"], item["decision_low"], item["decision_high"]) == (None,) * 4
    assert "the other side's is not borrowed for it" in item["why"]
    assert found["overall"]["decision"] == "undecided"


@pytest.fixture
def told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    """What `compare` prints of typed values."""

    def telling(before: tuple[float, ...], after: tuple[float, ...], better: str = "higher") -> str:
        first, second = typed(tmp_path / "b.csv", before), typed(tmp_path / "a.csv", after)
        for name in (first, second):
            Path(name).write_text(Path(name).read_text().replace("higher", better))
        with pytest.raises(typer.Exit):
            compare(first, second, runs_dir=tmp_path)
        return capsys.readouterr().out

    return telling


def test_one_typed_value_is_promised_nothing_and_the_line_says_why(told: Any) -> None:
    line = next(text for text in told(BEFORE, (2000.0,)).splitlines() if "render" in text)
    assert "no interval" in line
    assert "one trial after shows no spread" in line
    assert "would decide it" not in line


def test_a_time_that_fell_is_told_as_speed_with_both_means_and_their_unit(told: Any) -> None:
    """Oracle: 100 / 90 is 11.11 % faster."""
    text = told(tuple(map(float, BEFORE)), tuple(0.9 * value for value in BEFORE), "lower")
    assert "faster: speed +11.11 %" in text
    assert "100.1 frame/s -> 90.06 frame/s" in text


def test_a_look_is_told_from_the_second_on(told: Any) -> None:
    assert "; look" not in told(BEFORE[:4], AFTER[:4])
    assert "look 2 at this comparison, paid for by wider limits" in told(BEFORE, AFTER)


def test_the_means_in_the_document_have_the_ratio_that_is_judged(ask: Any) -> None:
    item = ask(BEFORE, AFTER)["workloads"][0]
    assert item["mean_after"] / item["mean_before"] == pytest.approx(item["ratio"])
    assert item["mean_before"] == pytest.approx(100.067, abs=0.001)


def test_a_damaged_count_of_looks_is_warned_of(ask: Any, tmp_path: Path) -> None:
    (tmp_path / "looks.json").write_text("not json")
    assert any("looks.damaged-1.json" in text for text in ask(BEFORE, AFTER)["warnings"])


def test_the_help_says_what_is_not_counted_as_a_look() -> None:
    assert "another fresh AFTER is a new comparison each time" in " ".join(
        (compare.__doc__ or "").split()
    )


LOAD = SideLoad("spin", "turn/s", False, ((1.0, 1.1),), ((1.0, 1.1),))
FIRST = Side("b", (LOAD,), ("b",), machine="m1", settings={"vcore": "1.20 V"})
SECOND = Side("a", (LOAD,), ("a",), machine="m2", settings={"vcore": "1.15 V"})


def test_who_is_refused_sees_first_what_was_changed(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(ComparisonRefused, match="different machines"):
        _refuse_unlike(FIRST, SECOND, False, as_json=False)
    assert "  changed: setting vcore: 1.20 V -> 1.15 V\n" in capsys.readouterr().out


def test_a_refusal_as_json_is_one_document_with_all_changes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(ComparisonRefused):
        _refuse_unlike(FIRST, SECOND, False, as_json=True)
    document = json.loads(capsys.readouterr().out)
    assert "different machines" in document["refused"]
    change = {"fact": "setting vcore", "before": "1.20 V", "after": "1.15 V"}
    assert document["changes"] == [change]


def test_sides_that_are_alike_are_not_refused(capsys: pytest.CaptureFixture[str]) -> None:
    _refuse_unlike(FIRST, FIRST, False, as_json=False)
    _refuse_unlike(FIRST, SECOND, True, as_json=False)
    assert capsys.readouterr().out == ""


def test_a_refused_comparison_is_no_look(tmp_path: Path) -> None:
    first = typed(tmp_path / "b.csv", BEFORE)
    other = Path(typed(tmp_path / "a.csv", AFTER))
    other.write_text(other.read_text().replace("render", "encode"))
    with pytest.raises(ComparisonRefused, match="no load with trials in common"):
        compare(first, str(other), runs_dir=tmp_path)
    assert not (tmp_path / "looks.json").exists()
