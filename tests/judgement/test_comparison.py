"""Comparing runs: ratios, like for like, rejected trials, boots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from comparison_samples import (
    STEADY,
    TWO,
    both,
    compare_runs,
    disturbed,
    run,
    scaled,
    without_roll,
)
from evidence_samples import failure, lane, load_info
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.compared import Comparison, FactChange
from harness.errors import ComparisonRefused
from harness.judgement.comparison import CompareOptions, compare_sides
from harness.judgement.sides import side_of
from harness.results import RunData

# --- decisions ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("factor", "expected"),
    [(1.06, "faster"), (0.94, "slower"), (1.003, "undecided"), (1.0, "equivalent")],
)
def test_one_boot_a_side_is_widened_by_the_spread_between_boots(
    factor: float, expected: str
) -> None:
    comparison = compare_runs([run()], [scaled(factor)])
    assert comparison.scope == "across boots"
    found = comparison.workloads[0]
    assert found.decision == expected
    assert found.ratio == pytest.approx(factor)
    assert any("assumed 0.3 % between boots" in text for text in comparison.assumptions)


def test_both_sides_in_one_boot_are_not_widened() -> None:
    comparison = compare_runs([run()], [scaled(1.003, boot="boot-a")])
    assert comparison.scope == "within one boot"
    assert comparison.workloads[0].decision in ("equivalent", "faster")
    assert comparison.workloads[0].boots_before == 1


def test_five_runs_in_one_boot_are_one_boot_and_not_five() -> None:
    comparison = compare_runs([run()] * 5, [scaled(1.01)])
    assert comparison.workloads[0].boots_before == 1
    assert comparison.workloads[0].trials_before == 30


def test_three_boots_a_side_measure_their_own_spread() -> None:
    before = [scaled(f, f"b{n}") for n, f in enumerate((0.999, 1.0, 1.001))]
    after = [scaled(f, f"a{n}") for n, f in enumerate((1.029, 1.03, 1.031))]
    comparison = compare_runs(before, after)
    found = comparison.workloads[0]
    assert (found.decision, found.boots_before, found.boots_after) == ("faster", 3, 3)
    assert not any("assumed" in text for text in comparison.assumptions)


def test_a_spread_measured_on_three_earlier_runs_replaces_the_assumption() -> None:
    earlier = [
        {"run_id": f"r{n}", "boot_id": f"e{n}", "means": {"spin": mean}}
        for n, mean in enumerate((100.0, 100.05, 99.95, 100.0))
    ]
    after = scaled(1.003, context={"earlier_runs": earlier})
    measured = compare_runs([run()], [after])
    assumed = compare_runs([run()], [scaled(1.003)])
    assert not any("assumed" in text for text in measured.assumptions)
    # 0.041 % measured against 0.3 % assumed: the interval is several times narrower.
    assert _width(measured) < _width(assumed) / 4


def _width(comparison: Comparison) -> float:
    found = comparison.workloads[0]
    assert found.low is not None
    assert found.high is not None
    return found.high - found.low


def test_an_undecided_comparison_says_what_would_decide_it() -> None:
    found = compare_runs([run()], [scaled(1.003)]).workloads[0]
    assert found.boots_needed is not None
    assert found.boots_needed > 1
    assert "boots a side" in found.why


def test_a_second_look_is_counted_and_paid_for() -> None:
    first = compare_runs([run()], [scaled(1.02)], CompareOptions(looks=1)).workloads[0]
    second = compare_runs([run()], [scaled(1.02)], CompareOptions(looks=3)).workloads[0]
    assert first.decision_low is not None
    assert second.decision_low is not None
    assert second.decision_low < first.decision_low
    assert second.low == first.low


@given(st.floats(0.5, 2.0), st.booleans())
@settings(max_examples=15, deadline=None)
def test_swapping_the_sides_inverts_the_ratio_and_the_decision(
    factor: float, latency: bool
) -> None:
    loads = (load_info(lower_is_better=latency), load_info("steady", 1, trials=0))
    lanes = [tuple(lane(n, seconds=3.0 / rate * 100) for n in range(2)) for rate in STEADY]
    before = run(loads=loads)
    before = replace(
        before,
        trials=tuple(replace(t, lanes=own) for t, own in zip(before.trials, lanes, strict=True)),
    )
    slower = [
        replace(
            t,
            rate=t.rate * factor,
            lanes=tuple(replace(x, seconds=x.seconds / factor) for x in t.lanes),
        )
        for t in before.trials
    ]
    after = replace(before, run_id="after", trials=tuple(slower), boots=scaled(1.0).boots)
    forth, back = compare_runs([before], [after]), compare_runs([after], [before])
    one, other = forth.workloads[0], back.workloads[0]
    assert one.ratio == pytest.approx(factor, rel=1e-9)
    assert one.ratio is not None
    assert other.ratio == pytest.approx(1 / one.ratio, rel=1e-9)
    inverse = {"faster": "slower", "slower": "faster"}
    assert other.decision == inverse.get(one.decision, one.decision)


# --- like for like ------------------------------------------------------------------------------


def test_two_machines_are_refused_unless_asked_for() -> None:
    other = scaled(1.0, facts={"identity": {"key": "m2"}})
    with pytest.raises(ComparisonRefused, match="different machines") as refused:
        compare_runs([run(facts={"identity": {"key": "m1"}})], [other])
    assert refused.value.changes == (FactChange("identity.key", "m1", "m2"),)
    comparison = compare_runs([run()], [other], CompareOptions(other_machine=True))
    assert "compares machines, not settings" in comparison.warnings[0]


def test_a_refusal_lists_everything_that_differs_first() -> None:
    facts = {"identity": {"key": "m1"}, "firmware": {"version": "1.0"}}
    before = run(facts=facts, settings={"vcore": "1.20 V"})
    other = {**facts, "identity": {"key": "m2"}, "firmware": {"version": "1.1"}}
    after = scaled(1.0, facts=other, profile_sha256="f" * 64)
    with pytest.raises(ComparisonRefused) as refused:
        compare_runs([before], [after])
    assert refused.value.changes == (
        FactChange("setting vcore", "1.20 V", None),
        FactChange("firmware.version", "1.0", "1.1"),
        FactChange("identity.key", "m1", "m2"),
    )
    assert "the two sides were run by different profiles" in refused.value.warnings


def test_without_a_common_load_there_is_nothing_to_compare() -> None:
    other = scaled(1.0, loads=(load_info("roll"), load_info("steady", 1, trials=0)))
    with pytest.raises(ComparisonRefused, match="no load with trials in common"):
        compare_runs([run()], [other])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"workload_version": 2}, "workload version 1 before, 2 after"),
        ({"parameters": {"turns": 7}}, "parameters none before, turns=7 after"),
        ({"pattern": "half-lanes"}, "pattern all-lanes before, half-lanes after"),
        ({"basis": "capability"}, "basis mean before, capability after"),
        ({"unit": "roll"}, "turn/s before, roll/s after"),
    ],
)
def test_a_load_that_did_other_work_is_not_compared(change: dict[str, Any], words: str) -> None:
    both = (load_info(), load_info("roll", 1))
    trials = (*run().trials, *(replace(t, load=1, number=t.number + 50) for t in run().trials))
    before = run(loads=both, trials=trials)
    after = scaled(1.0, loads=(load_info(**change), both[1]), trials=trials)
    found = {item.name: item for item in compare_runs([before], [after]).workloads}
    assert (found["spin"].ratio, found["spin"].decision) == (None, "undecided")
    assert words in found["spin"].why
    assert found["roll"].ratio == pytest.approx(1.0)


@pytest.mark.parametrize("place", ["before", "after", "both"])
@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"workload_version": 2}, "workload version 1 in run-a1, 2 in run-a2"),
        ({"parameters": {"n": 2}}, "parameters {} in run-a1, {'n': 2} in run-a2"),
        ({"lower_is_better": True}, "unit turn/s in run-a1, s/turn in run-a2"),
    ],
)
def test_runs_of_one_side_that_did_other_work_are_not_averaged(
    change: dict[str, Any], words: str, place: str
) -> None:
    """The first run of the mixed side is like the other side's: it must not speak for both."""
    first = run(boot="a1")
    mixed = [first, scaled(2.0, "a2", loads=(replace(first.loads[0], **change),))]
    plain = [run(boot="b1"), run(boot="b2")]
    sides = {"before": (mixed, plain), "after": (plain, mixed), "both": (mixed, mixed)}[place]
    found = compare_runs(*sides).workloads[0]
    assert (found.decision, found.ratio) == ("undecided", None)
    assert found.why == f"not like for like within one side: {words}"


def warnings(before: RunData, after: RunData) -> str:
    return " | ".join(compare_runs([before], [after]).warnings)


def test_whatever_may_mislead_is_warned_of() -> None:
    single = tuple(replace(t, lanes=(lane(0),)) for t in scaled(1.0).trials)
    assert "2 lanes before and on 1 after" in warnings(run(), scaled(1.0, trials=single))
    assert "different profiles" in warnings(run(), scaled(1.0, profile_sha256="f" * 64))
    assert "1 failure(s)" in warnings(run(), scaled(1.0, failures=(failure(),)))
    other = (load_info(code_path="blas=b"), load_info("steady", 1, trials=0))
    same = (load_info(code_path="blas=a"), load_info("steady", 1, trials=0))
    assert "blas=a before, blas=b after" in warnings(run(loads=same), scaled(1.0, loads=other))
    assert warnings(run(), scaled(1.0)) == ""


def test_a_run_on_both_sides_is_warned_of() -> None:
    told = compare_runs([run()], [run(), scaled(1.0)]).warnings
    assert told == ("on both sides: run-boot-a; what is compared with itself cannot differ",)


def test_what_would_decide_is_the_cheapest_mix_for_trials_as_long_as_these() -> None:
    def lasting(data: RunData, seconds: float) -> RunData:
        trials = tuple(replace(t, ended_seconds=t.started_seconds + seconds) for t in data.trials)
        return replace(data, trials=trials)

    def needed(seconds: float) -> tuple[int, int]:
        noisy = [100.0 + 0.9 * (-1) ** n for n in range(6)]
        before, after = run(noisy), run([rate * 1.003 for rate in noisy], "boot-b")
        found = compare_runs([lasting(before, seconds)], [lasting(after, seconds)]).workloads[0]
        assert found.trials_needed is not None and found.boots_needed is not None
        return found.boots_needed, found.trials_needed

    (few, many), (more, fewer) = needed(5.0), needed(300.0)
    assert more > few
    assert fewer < many


def test_changes_are_listed_settings_first_and_telling_facts_before_others() -> None:
    before = run(
        settings={"vcore": "1.20 V"},
        facts={"identity": "m1", "zone": 1, "firmware": {"version": "1.0"}, "same": 4},
        versions={"numpy": "2.0"},
    )
    after = scaled(
        1.0,
        settings={"vcore": "1.15 V"},
        facts={"identity": "m1", "zone": 2, "firmware": {"version": "1.1"}, "same": 4},
        versions={"numpy": "2.1"},
    )
    assert compare_runs([before], [after]).changes == (
        FactChange("setting vcore", "1.20 V", "1.15 V"),
        FactChange("firmware.version", "1.0", "1.1"),
        FactChange("zone", 1, 2),
        FactChange("version of numpy", "2.0", "2.1"),
    )


def test_what_differs_between_any_two_boots_is_no_change() -> None:
    def booted(boot: str, release: str, make: Any = run) -> RunData:
        kernel = {"boot_id": boot, "release": release}
        data: RunData = make(boot=boot, facts={"identity": {"key": "m1"}, "kernel": kernel})
        return data

    def again(boot: str, release: str) -> RunData:
        return booted(boot, release, lambda **more: scaled(1.0, **more))

    before = [booted("b1", "6.1"), booted("b2", "6.1")]
    assert compare_runs(before, [again("a1", "6.1"), again("a2", "6.1")]).changes == ()
    moved = compare_runs(before, [again("a1", "6.1"), again("a2", "6.2")]).changes
    assert moved == (FactChange("kernel.release", "6.1", ["6.1", "6.2"]),)


# --- rejected trials ----------------------------------------------------------------------------


def test_a_trial_rejected_for_a_cause_is_left_out_and_told() -> None:
    options = CompareOptions(margin_percent=2.0)
    found = compare_runs([run()], [disturbed(99.3)], options).workloads[0]
    assert found.ratio == pytest.approx(1.0, abs=1e-4)
    assert (found.trials_after, found.decision) == (6, "equivalent")
    assert "with every trial: ratio" in found.why


def test_trials_that_drift_decide_nothing_however_large_the_difference() -> None:
    drifting = [120.0 + 2.0 * number for number in range(8)]
    found = compare_runs([run()], [run(drifting, "boot-b")]).workloads[0]
    assert found.decision == "undecided"
    assert "not steady" in found.why
    assert found.ratio is not None
    assert found.ratio > 1.2


def test_one_unsteady_boot_of_several_is_scatter_like_any_other() -> None:
    drifting = run([120.0 + 2.0 * number for number in range(8)], "a0")
    steady = [run([value * 1.27 for value in STEADY], f"a{n}") for n in (1, 2, 3)]
    before = [scaled(1.0, f"b{n}") for n in range(4)]
    assert compare_runs(before, [drifting, *steady]).workloads[0].decision == "faster"


# --- loads that are gone ------------------------------------------------------------------------


def test_a_load_that_was_not_available_after_is_undecided_and_says_why() -> None:
    comparison = compare_runs([both(1.0, "b")], [without_roll(1.0, "a")])
    spin, roll = comparison.workloads
    assert (spin.name, spin.decision) == ("spin", "equivalent")
    assert (roll.name, roll.ratio, roll.decision) == ("roll", None, "undecided")
    assert (roll.trials_before, roll.trials_after, roll.boots_after) == (6, 0, 0)
    assert roll.why == "measured before only: not available here: no compiler"


def test_a_load_that_the_runs_after_did_not_include_is_undecided_too() -> None:
    after = run(boot="a", loads=(TWO[0], load_info("steady", 1, trials=0)))
    roll = compare_runs([both(1.0, "b")], [after]).workloads[1]
    assert (roll.decision, roll.trials_after) == ("undecided", 0)
    assert "did not include it" in roll.why


def test_comparing_sides_gives_the_result_types_that_reports_know() -> None:
    compared = compare_sides(side_of([run()]), side_of([scaled(1.02)]))
    assert isinstance(compared.comparison, Comparison)
    assert set(compared.not_slower) == {"spin"}
    assert set(compared.comparison.overall) >= {"ratio", "low", "high", "decision"}


# --- what hangs on rejected trials ---------------------------------------------------------------


def test_two_decisions_that_differ_with_and_without_rejected_trials_are_none() -> None:
    found = compare_runs([run()], [disturbed(50.0)])
    spin = found.workloads[0]
    assert spin.decision == "undecided"
    assert spin.why.startswith("equivalent without the rejected trials, undecided with them")
    assert (found.overall["decision"], found.overall["why"]) == (
        "undecided",
        "equivalent without the rejected trials, undecided with them",
    )


def test_the_overall_ratio_is_undecided_while_a_load_in_it_has_no_mean() -> None:
    drifting = [120.0 + 2.0 * number for number in range(8)]
    overall = compare_runs([run()], [run(drifting, "boot-b")]).overall
    assert (overall["decision"], overall["why"]) == ("undecided", "no mean holds for spin")
    assert overall["ratio"] == pytest.approx(1.27, abs=0.01)


# --- what the loads show together ---------------------------------------------------------------


def many(factors: Sequence[float], boot: str) -> RunData:
    """A run of one load for each factor, with six trials each."""
    loads = tuple(load_info(f"load{number}", number) for number in range(len(factors)))
    trials = tuple(
        replace(t, load=number, number=t.number + 50 * number)
        for number, factor in enumerate(factors)
        for t in scaled(factor, boot).trials
    )
    return run(boot=boot, loads=loads, trials=trials)


def test_loads_that_all_differ_by_more_than_boots_were_assumed_to_are_warned_of() -> None:
    before = many([1.0] * 6, "b")
    told = compare_runs([before], [many((1.02, 0.97, 1.015, 0.98, 1.03, 0.975), "a")]).warnings
    assert len(told) == 1
    assert told[0].startswith("the ratios of 6 loads differ from one another by more than 0.3 %")
    assert compare_runs([before], [many([1.02] * 6, "a")]).warnings == ()
