"""A run judged against the baseline in its own record: verdicts, what changed, and looks."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from comparison_samples import STEADY, both, disturbed, run, scaled, without_roll

from harness.compared import FactChange
from harness.judgement.analysis import analyse
from harness.judgement.baseline import next_look, summarise_baseline
from harness.judgement.sides import side_as_json, side_from_json, side_of
from harness.outcome import Ending, ExitCode, Verdict
from harness.results import RunData


def test_a_side_survives_json_unchanged() -> None:
    side = side_of([run(), scaled(1.01)])
    stored = json.loads(json.dumps(side_as_json(side)))
    assert side_from_json(stored) == side


PROFILE = """\
name: test
loads:
  - {workload: spin, trials: 6}
  - {workload: spin, name: steady, soak_minutes: 1}
statistics: {margin_percent: 3}
accept:
  - criterion: not-slower
"""


def requalified(factor: float) -> Any:
    baseline = json.loads(json.dumps(summarise_baseline([run()])))
    after = scaled(factor, profile_text=PROFILE, context={"baseline": baseline})
    return analyse(after)


@pytest.mark.parametrize(
    ("factor", "verdict", "code"),
    [
        (1.0, Verdict.PASS, ExitCode.PASS),
        (1.1, Verdict.PASS, ExitCode.PASS),
        (0.975, Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE),
        (0.9, Verdict.FAIL, ExitCode.FAIL),
    ],
)
def test_a_run_is_judged_against_the_baseline_in_its_own_record(
    factor: float, verdict: Verdict, code: ExitCode
) -> None:
    result = requalified(factor)
    assert (result.criteria[0].verdict, result.exit_code) == (verdict, code)


def test_a_damaged_baseline_is_a_reason_and_no_traceback() -> None:
    after = scaled(1.0, profile_text=PROFILE, context={"baseline": {"loads": [{}]}})
    criterion = analyse(after).criteria[0]
    assert criterion.verdict is Verdict.INCONCLUSIVE
    assert "cannot be read" in criterion.why


def test_a_baseline_of_another_machine_is_not_compared_with() -> None:
    baseline = summarise_baseline([run(facts={"identity": "m2"})])
    after = scaled(1.0, profile_text=PROFILE, context={"baseline": baseline})
    assert "different machines" in analyse(after).criteria[0].why


def test_a_refused_baseline_still_lists_what_changed_in_the_report() -> None:
    baseline = summarise_baseline([run(facts={"identity": "m2", "firmware": "1.0"})])
    facts = {"identity": "m1", "firmware": "1.1"}
    after = scaled(1.0, profile_text=PROFILE, facts=facts, context={"baseline": baseline})
    result = analyse(after)
    assert result.baseline_runs == ("run-boot-a",)
    assert [change.fact for change in result.changes] == ["firmware", "identity"]


GONE = """\
name: test
loads:
  - {workload: spin, trials: 6}
  - {workload: roll, trials: 6}
accept:
  - criterion: not-slower
"""


def test_a_load_that_is_gone_keeps_not_slower_from_passing() -> None:
    stored = json.loads(json.dumps(summarise_baseline([both(1.0, "b", profile_text=GONE)])))
    context = {"baseline": stored}
    whole = analyse(both(1.02, "a", profile_text=GONE, context=context))
    assert whole.criteria[0].verdict is Verdict.PASS
    result = analyse(without_roll(1.02, "a", profile_text=GONE, context=context))
    assert result.criteria[0].verdict is Verdict.INCONCLUSIVE
    assert "roll: measured before only" in result.criteria[0].why


def test_a_run_lists_everything_that_changed_since_its_baseline() -> None:
    facts = {"identity": "m1", "firmware": {"version": "1.0"}}
    baseline = summarise_baseline([run(facts=facts, settings={"vcore": "1.20 V"})])
    after = scaled(
        1.0,
        profile_text=PROFILE,
        context={"baseline": json.loads(json.dumps(baseline))},
        facts={**facts, "firmware": {"version": "1.1"}},
    )
    result = analyse(after)
    assert result.baseline_runs == ("run-boot-a",)
    assert result.changes == (
        FactChange("setting vcore", "1.20 V", None),
        FactChange("firmware.version", "1.0", "1.1"),
    )
    assert (analyse(scaled(1.0)).baseline_runs, analyse(scaled(1.0)).changes) == ((), ())


SHARE = PROFILE.replace(
    "criterion: not-slower",
    "{criterion: throughput-floor, load: spin, at_least_percent_of_baseline: 90}",
)


@pytest.mark.parametrize(
    ("rates", "verdict"),
    [
        (STEADY, Verdict.PASS),
        ([120.0 + 2.0 * number for number in range(8)], Verdict.INCONCLUSIVE),
    ],
)
def test_trials_that_drift_show_no_share_of_the_baseline(
    rates: Sequence[float], verdict: Verdict
) -> None:
    baseline = json.loads(json.dumps(summarise_baseline([run()])))
    after = run(rates, "boot-b", profile_text=SHARE, context={"baseline": baseline})
    assert analyse(after).criteria[0].verdict is verdict


def test_a_share_that_hangs_on_a_rejected_trial_is_undecided_against_a_baseline() -> None:
    baseline = json.loads(json.dumps(summarise_baseline([run()])))
    stored = {"profile_text": SHARE, "context": {"baseline": baseline}}
    text = SHARE.replace("margin_percent: 3", "margin_percent: 3, outliers: blind")
    hanging = analyse(replace(disturbed(50.0), **stored)).criteria[0]
    blind = analyse(replace(disturbed(50.0), **{**stored, "profile_text": text})).criteria[0]
    agreeing = analyse(replace(disturbed(98.0), **stored)).criteria[0]
    assert (hanging.verdict, blind.verdict) == (Verdict.INCONCLUSIVE, Verdict.INCONCLUSIVE)
    assert agreeing.verdict is Verdict.PASS


def test_a_later_look_at_the_baseline_is_judged_at_what_error_is_left() -> None:
    baseline = json.loads(json.dumps(summarise_baseline([run()])))

    def judged(looks: int) -> Verdict:
        context = {"baseline": baseline, "looks": looks}
        after = scaled(0.9745, profile_text=PROFILE.replace("3}", "3.5}"), context=context)
        return analyse(after).criteria[0].verdict

    assert [judged(looks) for looks in (1, 30)] == [Verdict.PASS, Verdict.INCONCLUSIVE]


def against(baseline: Sequence[RunData], **more: Any) -> RunData:
    context = {"baseline": summarise_baseline(baseline), **more.pop("context", {})}
    return scaled(1.0, context=json.loads(json.dumps(context)), **more)


def test_requalifying_again_under_the_same_facts_and_settings_is_a_further_look() -> None:
    base, facts = [run()], {"identity": "m1", "firmware": "1.1"}
    first = against(base, facts=facts)
    second = against(base, facts=facts, context={"looks": 2})
    assert next_look(base, [], facts, {}) == 1
    assert next_look(base, [first], facts, {}) == 2
    assert next_look(base, [second, first], facts, {}) == 3
    assert next_look(base, [replace(first, trials=())], facts, {}) == 1


@pytest.mark.parametrize("ending", [Ending.INTERRUPTED, Ending.SAFETY_STOP])
def test_a_requalification_that_was_stopped_was_judged_and_is_a_look(ending: Ending) -> None:
    base, facts = [run()], {"identity": "m1", "firmware": "1.1"}
    stopped = against(base, facts=facts, ending=ending)
    assert next_look(base, [stopped], facts, {}) == 2


def test_what_was_changed_since_opens_a_new_question() -> None:
    base, facts = [run()], {"identity": "m1", "firmware": "1.1"}
    first = against(base, facts=facts)
    assert next_look(base, [first], {**facts, "firmware": "1.2"}, {}) == 1
    assert next_look(base, [first], facts, {"vcore": "1.20 V"}) == 1
    assert next_look([scaled(1.0, "other")], [first], facts, {}) == 1
