"""Re-qualification: planned so that an unchanged machine passes, and judged from the record."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from evidence_samples import load_info, run_data, trial

from harness.judgement.analysis import analyse
from harness.judgement.baseline import summarise_baseline
from harness.judgement.requalify import apply_requalification, plan_again
from harness.outcome import ExitCode, Verdict
from harness.plan import make_plan
from harness.profile.loader import parse_profile
from harness.results import Boot, RunData

NAMES = tuple(f"load-{number}" for number in range(10))
TEXT = (
    "name: ten\nloads:\n"
    + "".join(f"  - {{workload: spin, name: {name}, trials: 5}}\n" for name in NAMES)
    + "accept:\n  - criterion: no-failures\n"
)
QUIET = "statistics: {between_boot_percent: 0.05}\n"


def run(
    boot: str, trials: int, seed: int, text: str = TEXT + QUIET, factor: float = 1.0, **more: Any
) -> RunData:
    """Ten loads whose trials spread by 0.5 %, in one boot."""
    random = np.random.default_rng(seed)
    rates = 100.0 * factor * (1 + 0.005 * random.standard_normal((len(NAMES), trials)))
    taken = tuple(
        trial(load * 100 + number, float(rates[load, number]), load)
        for load in range(len(NAMES))
        for number in range(trials)
    )
    values: dict[str, Any] = {
        "run_id": f"run-{boot}",
        "loads": tuple(
            load_info(name, number, workload="spin") for number, name in enumerate(NAMES)
        ),
        "trials": taken,
        "soaks": (),
        "boots": (Boot(1, boot, "", 0.0, None),),
        "profile_text": text,
    }
    return run_data(**{**values, **more})


def baseline(text: str = TEXT + QUIET) -> Sequence[RunData]:
    return [run(f"base-{number}", 20, number, text) for number in range(3)]


def context_of(runs: Sequence[RunData]) -> dict[str, Any]:
    """The context of a re-qualification, as the record gives it back."""
    context = {
        "baseline": summarise_baseline(runs),
        "requalification": plan_again(runs, one_boot=True).as_json(),
    }
    found: dict[str, Any] = json.loads(json.dumps(context))
    return found


def test_the_plan_takes_more_trials_than_the_profile_where_they_are_needed() -> None:
    plan = plan_again(baseline(), one_boot=True)
    assert plan.reached
    assert plan.boots == 1
    assert set(plan.trials) == set(NAMES)
    assert all(5 < number < 30 for number in plan.trials.values())
    assert plan.chance is not None
    assert plan.chance >= 0.95


def test_ten_unchanged_workloads_pass_together_as_often_as_planned() -> None:
    # Simulated: 30 re-qualifications of an unchanged machine; at 95 % each, fewer than 24 passes
    # happen in less than one of a thousand repetitions (binomial).
    runs = baseline()
    context = context_of(runs)
    trials = max(context["requalification"]["trials"].values())
    passed = sum(
        analyse(run(f"again-{seed}", trials, 1000 + seed, context=context)).verdict is Verdict.PASS
        for seed in range(3000, 3030)
    )
    assert passed >= 24


def test_the_naive_five_trials_would_fail_an_unchanged_machine_most_of_the_time() -> None:
    runs = [run("base", 5, 1, TEXT + QUIET)]
    context = {"baseline": summarise_baseline(runs)}
    passed = sum(
        analyse(run(f"again-{seed}", 5, 2000 + seed, context=context)).verdict is Verdict.PASS
        for seed in range(15)
    )
    assert passed < 12


def test_a_workload_slower_than_the_margin_fails() -> None:
    context = context_of(baseline())
    slow = run("again", 20, 7, context=context)
    trials = tuple(
        replace(item, rate=item.rate * 0.95) if item.load == 3 else item for item in slow.trials
    )
    result = analyse(replace(slow, trials=trials))
    assert result.exit_code is ExitCode.FAIL
    assert "load-3 ran at 94.96 %" in result.criteria[-1].why


def test_a_goal_out_of_reach_says_which_margin_would_do() -> None:
    plan = plan_again([run("base", 5, 1, TEXT)])
    assert not plan.reached
    assert plan.trials == dict.fromkeys(NAMES, 5)
    assert "statistics.margin_percent:" in plan.why
    assert plan.chance is not None
    assert plan.chance < 0.95


def test_a_baseline_without_spread_is_run_as_it_was() -> None:
    plan = plan_again([run("base", 1, 1)])
    assert (plan.reached, plan.trials, plan.chance) == (False, {}, None)


def test_the_profile_is_rebuilt_from_the_record_alone() -> None:
    profile = parse_profile(TEXT + QUIET, registry=None)
    context = context_of(baseline())
    again = apply_requalification(profile, context)
    assert again.criterion_names == ("no-failures", "not-slower")
    planned = context["requalification"]["trials"]
    assert [load.minimum_trials for load in again.loads] == [planned[name] for name in NAMES]
    assert apply_requalification(again, context) == again


def test_a_run_without_a_baseline_keeps_its_profile() -> None:
    profile = parse_profile(TEXT, registry=None)
    assert apply_requalification(profile, {}) is profile


@pytest.mark.parametrize("stored", [{"trials": None}, {"trials": {"load-1": "many"}}, 7])
def test_a_damaged_plan_changes_no_trials(stored: object) -> None:
    profile = parse_profile(TEXT, registry=None)
    context = {"baseline": {}, "requalification": stored}
    assert apply_requalification(profile, context).loads == profile.loads


UNEQUAL = TEXT.replace("name: load-9, trials: 5", "name: load-9, trials: 17")


@pytest.mark.parametrize("text", [TEXT, UNEQUAL])
@pytest.mark.parametrize("boots", [1, 3])
def test_every_boot_gets_the_trials_that_were_planned_for_it(text: str, boots: int) -> None:
    # The workload must be one that can be planned: the loads of this profile are as real as any.
    real = text.replace("workload: spin", "workload: sieve")
    profile = parse_profile(real, registry=None)
    planned = {"trials": dict.fromkeys(NAMES, 7), "boots": boots}
    context = {"baseline": {}, "requalification": planned}
    again = apply_requalification(profile, context)
    for boot in range(1, boots + 1):
        plan = make_plan(again, [0, 1], boot=boot)
        taken = Counter(plan.load(step.load).name for step in plan.steps if step.is_trial)
        assert taken == planned["trials"]


def test_all_loads_get_the_same_trials_per_boot_and_never_fewer_than_the_profile_asks() -> None:
    runs = [run(f"base-{number}", 20, number, UNEQUAL + QUIET) for number in range(3)]
    plan = plan_again(runs, one_boot=True)
    assert set(plan.trials.values()) == {max(17, *plan.trials.values())}
    over = [
        run(f"base-{number}", 20, number, UNEQUAL + QUIET + "boots: 3\n") for number in range(3)
    ]
    spread = plan_again(over)
    assert spread.boots >= 3
    assert min(spread.trials.values()) * spread.boots >= 17
    assert len(set(spread.trials.values())) == 1
