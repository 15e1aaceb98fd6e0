"""How many trials show a change: from the spread of earlier runs, or the reason why not.

Oracles: numpy's spread of the same invented trials, and the planner that is tested by simulation.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.detection import Detection, LoadDetection, Question, plan_detections
from harness.machine.affinity import allowed_cpus
from harness.plan import STRETCH_OVERHEAD_SECONDS, PlannedLoad, make_plan
from harness.results import Boot, RunData, TrialData
from harness.statistics.planning import Costs, Spread, plan_detection
from tests.criteria.evidence_samples import failure, load_info, run_data, trial
from tests.whole_runs import loaded, run

ENTRY = "import sys; from harness.cli.main import entry; sys.argv[0] = 'rigproof'; entry()"
HERE = Path(__file__).resolve().parents[1]
RATES = (100.0, 100.6, 99.3, 100.2, 99.8, 100.1)
TWO_LOADS = """
format: 1
name: two
loads:
  - {workload: matmul-fp64, parameters: {n: 256}, name: spin, trials: 6, trial_seconds: 4}
  - {workload: zstandard, parameters: {corpus_bytes: 262144}, name: turn, trials: 6}
accept:
  - {criterion: no-failures}
"""
PROFILE = loaded(TWO_LOADS).profile
PLANNED: tuple[PlannedLoad, ...] = make_plan(
    PROFILE, allowed_cpus(), available_bytes=2**40, allow_commands=False
).loads


def earlier(rates: Sequence[Sequence[float]] = (RATES,), name: str = "r1", **more: Any) -> RunData:
    """A run whose loads spin and turn gave the same rates, a tuple a boot."""
    trials: list[TrialData] = []
    for boot, values in enumerate(rates):
        for rate in values:
            for load in (0, 1):
                trials.append(trial(len(trials), rate, load=load, boot=boot + 1))
    values_: dict[str, Any] = {
        "run_id": name,
        "profile_text": TWO_LOADS,
        "loads": (load_info("spin", 0), load_info("turn", 1)),
        "trials": tuple(trials),
        "soaks": (),
        "boots": tuple(Boot(n + 1, f"{name}-{n}", "", 0.0, None) for n in range(len(rates))),
        "context": {},
    }
    return run_data(**{**values_, **more})


def planned(*runs: RunData, percent: float = 1.0, power: float = 0.9) -> Detection:
    return plan_detections(PROFILE, PLANNED, runs, Question(percent, power))


def spin(*runs: RunData, **question: float) -> LoadDetection:
    return next(load for load in planned(*runs, **question).loads if load.name == "spin")


def test_the_plan_is_the_planners_for_the_spread_that_the_newest_run_shows() -> None:
    found = spin(earlier())
    within = 100.0 * float(np.std(RATES, ddof=1)) / float(np.mean(RATES))
    costs = Costs(trial_seconds=4 + STRETCH_OVERHEAD_SECONDS)
    expected = plan_detection(1.0, Spread(within, 0.3), power=0.9, costs=costs, workloads=2)
    assert found.within_percent == pytest.approx(within, rel=1e-9)
    assert (found.boots, found.trials, found.trials_per_boot, found.seconds) == (
        expected.boots,
        expected.trials,
        expected.trials_per_boot,
        expected.seconds,
    )
    assert found.trials is not None and found.trials >= 2
    assert found.power is not None and found.power >= 0.9
    assert found.sentence == expected.why
    assert found.sentence.startswith("to see a 1 % change with 90 % power, take ")
    assert found.reason is None


def test_boots_of_one_run_are_pooled_inside_and_not_across() -> None:
    """A step between boots is no spread of trials."""
    shifted = [rate * 1.05 for rate in RATES]
    found = spin(earlier((RATES, shifted)))
    inside = np.sqrt(np.mean([np.var(RATES, ddof=1), np.var(shifted, ddof=1)]))
    assert found.within_percent == pytest.approx(
        100.0 * float(inside) / float(np.mean([*RATES, *shifted])), rel=1e-9
    )


def test_three_boots_measure_the_spread_between_boots_and_fewer_assume_it() -> None:
    scales = (1.0, 1.002, 0.999)
    runs = [earlier(([rate * s for rate in RATES],), f"r{n}") for n, s in enumerate(scales)]
    few, enough = spin(*runs[:2]), spin(*runs)
    assert (few.between_percent, few.between_source) == (0.3, "assumed 0.3 % between boots")
    means = [float(np.mean(RATES)) * scale for scale in scales]
    expected = 100.0 * float(np.std(means, ddof=1) / np.mean(means))
    assert enough.between_percent == pytest.approx(expected, rel=1e-9)
    assert enough.between_source is not None and "measured" in enough.between_source


def test_runs_under_other_settings_do_not_measure_the_spread_between_boots() -> None:
    runs = [earlier(name=f"r{n}", settings={"vcore": f"1.{n}"}) for n in range(3)]
    assert spin(*runs).between_source == "assumed 0.3 % between boots"


def test_a_smaller_change_and_more_power_need_more() -> None:
    def seconds(**question: float) -> float:
        found = spin(earlier(), **question).seconds
        assert found is not None
        return found

    assert seconds(percent=0.7) > seconds(percent=1.0) > seconds(percent=3.0)
    assert seconds(power=0.99) > seconds(power=0.6)


def test_without_an_earlier_run_nothing_is_guessed() -> None:
    found = planned()
    assert found.run_id is None
    assert found.reason == (
        "no earlier run of this profile on this machine tells the spread: run it once"
    )
    assert [load.name for load in found.loads] == ["spin", "turn"]
    assert all(load.trials is None and load.boots is None for load in found.loads)
    assert all(load.reason == "no earlier run tells its spread" for load in found.loads)


@pytest.mark.parametrize("rates", [(100.0,), (100.0, 100.0, 100.0)])
def test_one_trial_or_no_spread_is_a_reason(rates: tuple[float, ...]) -> None:
    found = spin(earlier((rates,)))
    assert found.trials is None
    assert found.reason is not None and "tells no spread" in found.reason


def test_trials_that_drift_have_no_spread_to_plan_with() -> None:
    found = spin(earlier(([100.0 - 0.8 * n for n in range(20)],)))
    assert found.trials is None
    assert found.reason is not None and found.reason.startswith("the newest run tells no spread: ")


def test_a_change_out_of_reach_is_said_to_be() -> None:
    found = spin(earlier(), percent=0.001)
    assert (found.boots, found.seconds, found.sentence) == (None, None, None)
    assert found.reason is not None and found.reason.startswith("no plan up to 40 boots")


def test_failures_of_the_run_that_tells_the_spread_are_told() -> None:
    assert planned(earlier()).concerns == ()
    (concern,) = planned(earlier(failures=(failure(),))).concerns
    assert concern.startswith("r1 had 1 failure(s) under load")


# --- the command --------------------------------------------------------------------------------


def check(profile: Path, runs_dir: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", ENTRY, "check", str(profile), *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=HERE,
        env={**os.environ, "RIGPROOF_RUNS_DIR": str(runs_dir)},
        timeout=120,
    )


def answered(done: subprocess.CompletedProcess[str]) -> Mapping[str, Any]:
    assert done.returncode == 0, done.stderr
    found: Mapping[str, Any] = json.loads(done.stdout)["detection"]
    return found


def test_check_plans_with_the_newest_run_on_this_machine(tmp_path: Path, runs_dir: Path) -> None:
    text = TWO_LOADS.replace("trial_seconds: 4", "trial_seconds: 0.1").replace(
        "name: turn, trials: 6", "name: turn, trials: 6, trial_seconds: 0.1"
    )
    profile = tmp_path / "two.yaml"
    profile.write_text(text)
    before = answered(check(profile, runs_dir, "--detect", "5", "--json"))
    assert (before["run_id"], before["change_percent"], before["power"]) == (None, 5.0, 0.9)
    assert "run it once" in before["reason"]
    done = run(text, runs_dir)
    after = answered(check(profile, runs_dir, "--detect", "5", "--power", "0.8", "--json"))
    assert (after["run_id"], after["power"], after["reason"]) == (done.folder.name, 0.8, None)
    assert [load["name"] for load in after["loads"]] == ["spin", "turn"]
    assert all((load["trials"] is None) == (load["reason"] is not None) for load in after["loads"])
    plain = check(profile, runs_dir, "--detect", "5").stdout
    assert f"spread as in run {done.folder.name}" in plain
    lines = [line.split(maxsplit=1) for line in plain.splitlines() if "%" in line or "run" in line]
    assert {"spin", "turn"} <= {words[0] for words in lines}


def test_without_the_option_nothing_is_planned(runs_dir: Path) -> None:
    done = check(Path("profiles/first-look.yaml"), runs_dir, "--json")
    assert "detection" not in json.loads(done.stdout)


@pytest.mark.parametrize(
    ("words", "telling"),
    [
        (("--detect", "0"), "--detect received 0: needs above 0 to 50 percent"),
        (("--detect", "-1"), "--detect received -1"),
        (("--detect", "nan"), "--detect received nan"),
        (("--detect", "1", "--power", "1"), "--power received 1: needs 0.5 to below 1"),
        (("--detect", "1", "--power", "0.2"), "--power received 0.2"),
    ],
)
def test_a_question_without_an_answer_is_refused_in_one_line(
    runs_dir: Path, words: tuple[str, ...], telling: str
) -> None:
    done = check(Path("profiles/first-look.yaml"), runs_dir, *words)
    assert done.returncode == 2
    assert telling in done.stderr
    assert done.stdout == ""
