"""The whole judgement of one invented run."""

from __future__ import annotations

import pickle
from dataclasses import replace
from typing import Any

import pytest
from evidence_samples import channel, failure, lane, load_info, run_data, soak, trial

from harness.errors import ProfileError
from harness.judgement.analysis import analyse
from harness.judgement.throughput import trial_value
from harness.outcome import Ending, ExitCode, Verdict
from harness.profile.loader import parse_profile
from harness.results import Boot, RunData, RunResult, SafetyStop

PROFILE = """\
name: test
purpose: Is it well?
loads:
  - {workload: spin, trials: 6}
  - {workload: spin, name: steady, soak_minutes: 10}
accept:
  - criterion: no-failures
  - {criterion: temperature-ceiling, at_most_celsius: 90}
  - {criterion: throughput-floor, load: spin, at_least: 90, unit: turn/s}
  - {criterion: hardware-errors, required: false}
"""


def run(**more: Any) -> RunData:
    return run_data(**{"profile_text": PROFILE, **more})


def verdicts(result: RunResult) -> dict[str, Verdict]:
    return {item.name: item.verdict for item in result.criteria}


def test_a_good_run_passes_and_says_why() -> None:
    result = analyse(run())
    assert (result.verdict, result.exit_code) == (Verdict.PASS, ExitCode.PASS)
    assert result.why == "every required criterion passes"
    assert verdicts(result)["hardware-errors"] is Verdict.NOT_TESTED
    assert result.purpose == "Is it well?"


def test_the_criteria_come_in_the_profiles_order_with_its_names() -> None:
    result = analyse(run())
    names = parse_profile(PROFILE, registry=None).criterion_names
    assert tuple(item.name for item in result.criteria) == names


def test_one_failure_fails_the_run_even_without_a_criterion_for_it() -> None:
    text = PROFILE.replace("  - criterion: no-failures\n", "")
    result = analyse(run(failures=(failure(),), profile_text=text))
    assert (result.verdict, result.exit_code) == (Verdict.FAIL, ExitCode.FAIL)


@pytest.mark.parametrize(
    ("ending", "code"),
    [
        (Ending.SAFETY_STOP, ExitCode.SAFETY_STOP),
        (Ending.CRASHED, ExitCode.FAIL),
        (Ending.INTERRUPTED, ExitCode.INTERRUPTED),
        (Ending.AWAITING_BOOT, ExitCode.INCONCLUSIVE),
        (Ending.ERROR, ExitCode.ERROR),
    ],
)
def test_the_ending_reaches_the_outcome_table(ending: Ending, code: ExitCode) -> None:
    assert analyse(run(ending=ending)).exit_code is code


@pytest.mark.parametrize("ending", list(Ending))
def test_a_safety_stop_in_an_earlier_part_is_not_forgotten(ending: Ending) -> None:
    stop = SafetyStop("cpu package", 96.0, 95.0, "°C", 40.0, "the profile")
    result = analyse(run(safety_stop=stop, ending=ending))
    assert (result.verdict, result.exit_code) == (Verdict.FAIL, ExitCode.SAFETY_STOP)


def test_a_failure_seen_before_the_harness_broke_is_a_failure() -> None:
    broken = run(ending=Ending.ERROR, failures=(failure(),))
    assert analyse(broken).exit_code is ExitCode.FAIL
    assert analyse(run(ending=Ending.ERROR)).verdict is Verdict.ERROR


def test_a_partial_selection_never_passes() -> None:
    assert analyse(run(partial=True)).exit_code is ExitCode.INCONCLUSIVE


def test_the_same_record_gives_the_same_result_every_time() -> None:
    data = run()
    assert pickle.dumps(analyse(data)) == pickle.dumps(analyse(data))


def test_a_run_can_be_judged_again_by_another_profile_and_says_so() -> None:
    other = parse_profile(
        PROFILE.replace("at_most_celsius: 90", "at_most_celsius: 60").replace("test", "other"),
        registry=None,
    )
    result = analyse(run(), other)
    assert result.verdict is Verdict.FAIL
    assert any("criteria of other" in banner for banner in result.banners)
    assert not analyse(run()).banners


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (("name: steady", "name: other"), "no load named other"),
        (("workload: spin, name: steady", "workload: roll, name: steady"), "steady ran spin"),
        (("soak_minutes: 10", "trials: 3"), "steady ran as a soak, not as trials"),
    ],
)
def test_a_load_that_the_other_profile_asks_for_and_the_record_lacks_forbids_a_pass(
    change: tuple[str, str], reason: str
) -> None:
    result = analyse(run(), parse_profile(PROFILE.replace(*change), registry=None))
    assert (result.verdict, result.exit_code) == (Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE)
    assert reason in result.why
    assert result.partial


def test_a_load_run_with_other_parameters_is_not_the_one_asked_for() -> None:
    asked = PROFILE.replace("trials: 6}", "trials: 6, parameters: {turns: 9}}")
    for turns, verdict in ((9, Verdict.PASS), (7, Verdict.INCONCLUSIVE)):
        spin = load_info(parameters={"turns": turns, "size": 1})
        data = run(loads=(spin, run().loads[1]))
        result = analyse(data, parse_profile(asked, registry=None))
        assert result.verdict is verdict
    assert "spin ran with another turns" in result.why


def test_a_load_that_could_not_run_here_is_not_lacking_but_was_not_tested() -> None:
    gone = replace(run().loads[1], available=False, reason="no compiler")
    data = run(loads=(run().loads[0], gone), soaks=())
    result = analyse(data)
    assert (result.verdict, result.exit_code) == (Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE)
    assert not result.partial
    assert "steady is not available here: no compiler" in result.criteria[0].why
    openly = PROFILE.replace(": no-failures", ": no-failures\n    optional_loads: [steady]")
    result = analyse(replace(data, profile_text=openly))
    assert result.verdict is Verdict.PASS
    assert result.criteria[0].why.endswith("left out, as the profile allows: steady (no compiler)")


def test_a_record_whose_profile_cannot_be_read_is_one_clear_error() -> None:
    with pytest.raises(ProfileError, match=r"^test:1: "):
        analyse(run(profile_text="nonsense: 1"))


def test_a_run_that_ended_before_any_trial_is_judged_too() -> None:
    result = analyse(run(trials=(), soaks=(), ending=Ending.INTERRUPTED))
    assert result.exit_code is ExitCode.INTERRUPTED
    assert [item.mean for item in result.workloads] == [None, None]
    assert all(item.reason for item in result.workloads)


# --- workloads ----------------------------------------------------------------------------------


def test_a_load_has_its_mean_its_interval_and_every_trial_as_a_point() -> None:
    spin, steady = analyse(run()).workloads
    assert (spin.mean, spin.trials, spin.boots, spin.unit) == (100.0, 6, 1, "turn/s")
    assert spin.low is not None
    assert spin.low < 100.0
    assert [point.state for point in spin.points] == ["kept"] * 6
    assert (steady.mean, steady.soak_seconds) == (None, 600.0)
    assert "soak" in steady.reason


def test_verified_passes_and_lane_rates_are_added_up_over_trials_and_soaks() -> None:
    spin, steady = analyse(run()).workloads
    assert (spin.verified, steady.verified) == (6 * 2 * 30, 60)
    assert [(item.lane, item.cpu, item.rate_mean) for item in spin.lanes] == [
        (0, 4, 50.0),
        (1, 5, 50.0),
    ]


def test_a_failure_is_counted_on_its_lane() -> None:
    spin = analyse(run(failures=(failure(),))).workloads[0]
    assert [item.failures for item in spin.lanes] == [0, 1]


def test_a_trial_that_failed_its_check_is_a_failure_and_never_an_outlier() -> None:
    trials = (*run().trials[:5], trial(5, 10.0, valid=False))
    spin = analyse(run(trials=trials)).workloads[0]
    assert (spin.trials, spin.rejected, spin.flagged) == (5, 0, ())
    assert spin.points[5].state == "invalid"
    assert "1 trial failed a check" in spin.findings[0]


def outlier_run(**more: Any) -> RunData:
    rates = (100.0, 100.2, 99.9, 100.1, 99.8, 100.0, 99.9, 100.1, 80.0)
    trials = [trial(number, rate) for number, rate in enumerate(rates)]
    trials[-1] = replace(trials[-1], **more)
    return run(trials=tuple(trials))


def test_an_outlier_without_a_cause_is_flagged_and_kept() -> None:
    spin = analyse(outlier_run()).workloads[0]
    assert (spin.rejected, [flag.cause for flag in spin.flagged]) == (0, [""])
    assert spin.points[-1].state == "flagged"


def test_an_outlier_with_a_cause_is_rejected_and_shown_with_and_without() -> None:
    delayed = (lane(0), lane(1, run_delay_seconds=0.6))
    spin = analyse(outlier_run(lanes=delayed)).workloads[0]
    assert spin.rejected == 1
    assert spin.flagged[0].cause == "run delay 20.0 % of the trial on CPU 5"
    assert spin.points[-1].state == "rejected"
    assert spin.mean == pytest.approx(100.0)
    assert spin.mean_all == pytest.approx(97.7778, abs=1e-3)
    assert any("left out for a recorded cause; with every trial" in f for f in spin.findings)


def test_blind_rejection_needs_the_profiles_word_and_is_cautioned_against() -> None:
    text = PROFILE + "statistics: {outliers: blind}\n"
    result = analyse(replace(outlier_run(), profile_text=text))
    assert result.workloads[0].rejected == 1
    assert any("intervals are" in caution for caution in result.cautions)


def test_trials_of_several_boots_give_an_interval_over_boots() -> None:
    boots = tuple(Boot(n, f"boot-{n}", "", 0.0, None) for n in (1, 2, 3))
    rates = ((100.0, 100.2), (101.0, 101.2), (99.0, 99.2))
    trials = tuple(
        trial(10 * boot + index, rate, boot=boot)
        for boot, pair in enumerate(rates, start=1)
        for index, rate in enumerate(pair)
    )
    spin = analyse(run(trials=trials, boots=boots)).workloads[0]
    assert (spin.boots, spin.method) == (3, "Student over 3 boots")


# --- values -------------------------------------------------------------------------------------


def test_the_value_of_a_trial_follows_the_basis_of_its_workload() -> None:
    taken = trial(0, 100.0)
    assert trial_value(taken, load_info()) == 100.0
    assert trial_value(taken, load_info(basis="capability")) == pytest.approx(101.0)


def test_a_latency_is_the_mean_of_the_lanes_and_not_their_sum() -> None:
    taken = trial(0, 100.0, lanes=(lane(0, seconds=3.0), lane(1, seconds=6.0)))
    info = load_info(lower_is_better=True)
    assert trial_value(taken, info) == pytest.approx((3.0 / 150 + 6.0 / 150) / 2)


def test_a_trial_without_work_has_no_value_rather_than_zero() -> None:
    assert trial_value(trial(0, 0.0), load_info()) is None
    idle = trial(0, 0.0, lanes=(lane(0, work=0.0, passes=0),))
    assert trial_value(idle, load_info(lower_is_better=True)) is None


def test_readings_of_pairs_keep_the_lanes_they_belong_to() -> None:
    lanes = (lane(0, readings={"round_trip_ns": 80.0, "peer_lane": 1.0}),)
    trials = tuple(trial(n, 100.0 + n / 10, lanes=lanes) for n in range(3))
    spin = analyse(run(trials=trials)).workloads[0]
    assert dict(spin.readings) == {"round_trip_ns between lanes 0 and 1": 80.0}


# --- the rest -----------------------------------------------------------------------------------


def test_a_soak_claims_no_confidence_and_a_load_tells_where_its_golden_came_from() -> None:
    agreed = load_info(golden_origin="agreed by 2 of 2 lanes (10 passes)")
    spin, steady = analyse(run(loads=(agreed, run().loads[1]))).workloads
    assert (spin.confidence, steady.confidence) == (0.95, None)
    assert spin.golden_origin == "agreed by 2 of 2 lanes (10 passes)"
    assert steady.golden_origin == "shipped"


@pytest.mark.parametrize(
    "banner",
    ["DAMAGED: 3 rows of trials cannot be read", "LIMIT: trials holds too much text",
     "the record's log file is missing: its last seconds may be lost", "something new"],
)  # fmt: skip
def test_a_damaged_record_never_passes(banner: str) -> None:
    result = analyse(run(banners=(banner,)))
    assert (result.verdict, result.exit_code) == (Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE)
    assert result.damage == (banner,)
    assert "damaged" in result.why


def test_an_older_record_read_on_a_copy_is_not_damaged() -> None:
    result = analyse(run(banners=("schema version 1 was read as version 2, on a copy",)))
    assert (result.verdict, result.damage) == (Verdict.PASS, ())


def test_channels_are_summarised_over_their_usable_samples() -> None:
    summary = analyse(run()).channels[0]
    assert (summary.minimum, summary.maximum, summary.mean) == (40.0, 71.0, 55.5)


def test_a_channel_that_gave_nothing_says_why() -> None:
    silent = channel(envelopes=(), samples=0, missing=9, missing_reason="EIO")
    summary = analyse(run(channels=(silent,))).channels[0]
    assert (summary.minimum, summary.mean, summary.why) == (None, None, "EIO")


def test_only_limits_that_a_channel_was_held_against_count_as_guarding() -> None:
    assert analyse(run()).limits == (
        ("cpu_temperature stops above 95 °C", "rigproof's cautious default: common practice, "
         "no source"),
    )  # fmt: skip
    assert analyse(run(channels=())).limits == ()


def test_load_spans_come_in_order_of_time() -> None:
    spans = analyse(run()).load_spans
    assert [span.label for span in spans[:1]] == ["spin"]
    assert spans[-1].label == "steady (all-lanes)"
    assert list(spans) == sorted(spans, key=lambda span: span.start_seconds)


FACTS = {
    "identity": "m1",
    "frequency": {"policies": [{"governor": "performance"}]},
    "memory": {"modules": [{"configured_mega_transfers_per_second": 6000}]},
    "cpu": {"microcode": "0x0a"},
}


def test_a_setting_is_verified_only_by_a_fact_that_says_the_same() -> None:
    settings = {"governor": "performance", "memory_speed": "6000MT/s", "vcore offset": "-50 mV"}
    result = analyse(run(settings=settings, facts=FACTS))
    assert result.unverified_settings == ("vcore offset",)


def test_a_setting_that_the_machine_contradicts_is_not_verified_and_cautioned_of() -> None:
    result = analyse(run(settings={"memory_speed": "6400MT/s", "note": "x"}, facts=FACTS))
    assert result.unverified_settings == ("memory_speed", "note")
    told = [text for text in result.cautions if "memory_speed" in text]
    assert told == ["memory_speed was declared as 6400MT/s, but the machine shows 6000 MT/s."]


def test_a_run_without_a_temperature_is_cautioned() -> None:
    assert any("No CPU temperature" in text for text in analyse(run(channels=())).cautions)
    assert not any("No CPU temperature" in text for text in analyse(run()).cautions)


def test_a_load_that_is_not_available_is_named_and_not_tested() -> None:
    gone = load_info(available=False, reason="no C compiler")
    result = analyse(run(loads=(gone, load_info("steady", 1, trials=0)), trials=()))
    assert verdicts(result)["throughput-floor spin"] is Verdict.INCONCLUSIVE
    assert any("spin (no C compiler)" in text for text in result.cautions)
    assert result.workloads[0].reason == "not available here: no C compiler"


def test_soaks_of_a_load_add_up() -> None:
    soaks = (soak(60.0), soak(30.0, number=200, started_seconds=200.0, ended_seconds=230.0))
    assert analyse(run(soaks=soaks)).workloads[1].soak_seconds == 90.0
