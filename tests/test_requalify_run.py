"""Before and after on this machine: re-qualification against a stored run, comparison of runs."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.cli.comparing import comparison_document, exit_code, read_side
from harness.context import RunContext
from harness.errors import ComparisonRefused, RefusedStart
from harness.finishing import Concluded
from harness.judgement.comparison import compare_sides
from harness.looks import count_look
from harness.record.reader import read_run
from harness.requalifying import requalify_run
from harness.startup import RunOptions
from tests.whole_runs import TINY, run, verdicts

OTHER = TINY.replace("name: tiny", "name: other").replace("trials: 3", "trials: 2")


@pytest.fixture(scope="module")
def baseline(tmp_path_factory: pytest.TempPathFactory) -> Concluded:
    return run(TINY, tmp_path_factory.mktemp("runs"), settings={"cooler": "tower"})


@pytest.fixture(scope="module")
def again(baseline: Concluded) -> Concluded:
    options = RunOptions(runs_dir=baseline.folder.parent, settings={"cooler": "liquid"})
    return requalify_run([baseline.folder], options, one_boot=True)


def test_a_requalification_judges_every_criterion_again_and_nothing_slower(
    again: Concluded,
) -> None:
    found = verdicts(again)
    assert found["no-failures"] == "pass"
    assert found["not-slower"] in {"pass", "fail", "inconclusive"}
    why = next(item.why for item in again.result.criteria if item.name == "not-slower")
    assert "of the baseline's speed" in why
    timed = {item.name for item in again.result.workloads if item.trials}
    assert {item.name for item in again.result.compared} == timed


def test_it_does_the_same_work_as_the_baseline_and_records_its_plan(
    baseline: Concluded, again: Concluded
) -> None:
    first, second = read_run(baseline.folder), read_run(again.folder)
    assert [dict(load.passes) for load in first.loads] == [
        dict(load.passes) for load in second.loads
    ]
    assert second.profile_sha256 == first.profile_sha256
    assert set(second.context["requalification"]["trials"]) == {"matmul-fp64", "zstandard"}


def test_the_record_counts_which_look_at_the_baseline_it_is(
    baseline: Concluded, again: Concluded
) -> None:
    runs_dir = baseline.folder.parent
    third = requalify_run(
        [baseline.folder],
        RunOptions(runs_dir=runs_dir, settings={"cooler": "liquid"}),
        one_boot=True,
    )
    other = requalify_run(
        [baseline.folder],
        RunOptions(runs_dir=runs_dir, settings={"cooler": "chilled"}),
        one_boot=True,
    )
    looks = [read_run(run.folder).context.get("looks") for run in (baseline, again, third, other)]
    assert looks == [None, 1, 2, 1]


def test_two_runs_compare_with_what_was_changed_first(
    baseline: Concluded, again: Concluded
) -> None:
    runs_dir = baseline.folder.parent
    before = read_side(baseline.result.run_id, runs_dir)
    after = read_side(again.result.run_id, runs_dir)
    found = compare_sides(before, after).comparison
    document = comparison_document(found)
    cooler = next(item for item in document["changes"] if "cooler" in item["fact"])
    assert (cooler["before"], cooler["after"]) == ("tower", "liquid")
    assert [item["name"] for item in document["workloads"]] == ["matmul-fp64", "zstandard"]
    assert exit_code(found) in {0, 1, 3}


def test_a_side_may_be_several_runs(baseline: Concluded, again: Concluded) -> None:
    names = f"{baseline.result.run_id},{again.result.run_id}"
    side = read_side(names, baseline.folder.parent)
    assert side.run_ids == (baseline.result.run_id, again.result.run_id)


def test_looks_are_counted_by_the_data_looked_at(
    baseline: Concluded, again: Concluded, tmp_path: Path
) -> None:
    one = read_side(baseline.result.run_id, baseline.folder.parent)
    two = read_side(again.result.run_id, baseline.folder.parent)
    both = read_side(f"{baseline.result.run_id},{again.result.run_id}", baseline.folder.parent)
    assert count_look(tmp_path, one, two).number == 1
    assert count_look(tmp_path, one, two).number == 1  # the same data again is no further look
    assert count_look(tmp_path, one, both).number == 2
    assert count_look(tmp_path, both, two).number == 3


def test_runs_of_two_profiles_are_no_baseline_together(baseline: Concluded, tmp_path: Path) -> None:
    other = run(OTHER, tmp_path / "runs", select="zstandard")
    with pytest.raises(RefusedStart, match="runs of one profile"):
        requalify_run([baseline.folder, other.folder], RunOptions(runs_dir=tmp_path / "runs"))


def test_runs_without_a_common_load_are_refused(baseline: Concluded, tmp_path: Path) -> None:
    path = tmp_path / "typed.csv"
    path.write_text("workload,value,unit,better\nrender,1,frame/s,higher\n")
    typed = read_side(str(path), tmp_path)
    stored = read_side(baseline.result.run_id, baseline.folder.parent)
    with pytest.raises(ComparisonRefused, match="no load with trials in common"):
        compare_sides(stored, typed)


def test_a_run_without_history_takes_nothing_over() -> None:
    assert RunContext().as_mapping() == {
        "previous_run": None,
        "work_taken_from": None,
        "earlier_runs": [],
    }
