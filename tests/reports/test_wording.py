"""Values, limits, facts and places in words."""

from __future__ import annotations

import pytest

from harness.outcome import Verdict
from harness.results import CriterionResult, Failure, FailureKind, LaneSummary, SafetyStop
from reports import wording

NBSP = "\N{NO-BREAK SPACE}"


@pytest.mark.parametrize(
    ("measured", "low", "high", "unit", "text"),
    [
        (None, None, None, "°C", "not measured"),
        (0.0, None, None, "failures", "0 failures"),
        (78.5, 77.5, 79.5, "°C", "78.5 ± 1.0 °C"),
        (79.67, None, None, "°C", "79.7 °C"),
        (900.0, None, None, "s", "15 min"),
        (0.0, 0.0, 12.0, "errors/h", "0 (0 to 12) errors/h"),
        (0.0, None, 12.0, "errors/h", "0 errors/h (at most 12 errors/h)"),
        (99.2, 97.1, None, "%", "99.2 % (at least 97.1 %)"),
        (5.0, 5.0, 5.0, "W", "5 W"),
        (1.0, None, None, "failures", "1 failure"),
        (1.0, None, None, "crashes", "1 crash"),
        (1.0, None, None, "s", "1 s"),
        (24_640_245_760.0, None, None, "byte", "22.95 GiB"),
        (1_073_741_824.0, None, None, "byte", "1.000 GiB"),
    ],
)
def test_a_measured_value_is_shown_with_as_much_of_its_interval_as_there_is(
    measured: float | None, low: float | None, high: float | None, unit: str, text: str
) -> None:
    assert wording.measured_text(measured, low, high, unit) == text


def test_a_limit_is_shown_as_it_was_stated_and_none_is_empty() -> None:
    rule = CriterionResult("r", True, Verdict.PASS, 1.0, None, None, 0.3, "%", "why")
    assert wording.criterion_limit(rule) == "0.3 %"
    without = CriterionResult("r", True, Verdict.PASS, 1.0, None, None, None, "%", "why")
    assert wording.criterion_limit(without) == ""


def test_a_unit_from_a_stranger_cannot_push_a_number_off_the_page() -> None:
    assert len(wording.value_text(1.0, "x" * 500)) < 30
    assert "\u202e" not in wording.value_text(1.0, "\u202e")


def test_a_failure_says_what_where_and_when() -> None:
    failure = Failure(FailureKind.WRONG_RESULT, "dense-fp64", 5, 11, 611.84, "bit 6\nof word 2")
    assert wording.failure_text(failure) == (
        "wrong result in dense-fp64, lane 5 on CPU 11, 0:10:11.8 after the start: bit 6 of word 2"
    )
    nowhere = Failure(FailureKind.MACHINE_RESTARTED, None, None, None, 3.0, "boot id changed")
    assert wording.place_text(nowhere) == "place not known"


def test_a_safety_stop_says_whose_limit_it_was_and_how_fast_the_load_was_off() -> None:
    stop = SafetyStop("cpu package", 95.4, 95.0, "°C", 231.31, "the profile", 0.412)
    assert wording.stop_text(stop) == (
        "cpu package read 95.4 °C at 0:03:51.3, beyond the limit of 95 °C set by the profile; "
        "the load was off 412 ms later"
    )


def test_a_fact_takes_its_unit_from_the_end_of_its_name() -> None:
    rows = dict(
        wording.fact_rows(
            {
                "memory_bytes": 33_554_432_000,
                "clock_hz": 4.9e9,
                "cpu": {"model": "Imaginary Eight", "smt": True, "caches": ["L1", "L2"]},
                "core_voltage_offset": {"value": -30, "unit": "mV"},
                "virtualisation": None,
                "empty_list": [],
                "blank": " ",
                "boost": {"value": None, "reason": "permission denied"},
                "modules": [{"size_bytes": 1024, "rank": 2}, {"size_bytes": 2048, "rank": 1}],
                "mixed": {"tags": {"b", "a"}, "sub": {"x": 1}},
            }
        )
    )
    assert rows == {
        "memory": "31.2 GiB",
        "clock": "4.9 GHz",
        "CPU / model": "Imaginary Eight",
        "CPU / SMT": "yes",
        "CPU / caches": "L1, L2",
        "core voltage offset": "−30 mV",
        "virtualisation": "none",
        "empty list": "none",
        "blank": "empty",
        "boost": "not known: permission denied",
        "modules": "size 1 KiB, rank 2; size 2 KiB, rank 1",
        "mixed / tags": "a, b",
        "mixed / sub / x": "1",
    }


def test_a_value_that_is_no_number_keeps_the_name_of_its_fact() -> None:
    assert wording.fact_text("memory_bytes", "unreadable") == ("memory bytes", "unreadable")
    assert wording.fact_text("boost_percent", True) == ("boost percent", "yes")


def test_a_moment_is_told_in_utc_and_on_the_local_clock() -> None:
    moment = wording.moment_text("2026-03-14T23:40:02.118Z", 60)
    assert (moment.utc, moment.local) == (
        "2026-03-14 23:40:02 UTC",
        "2026-03-15 00:40 local time",
    )
    assert wording.moment_text("2026-03-14T08:15:02Z", 0).local == ""
    assert wording.moment_text("yesterday\u202e", 60).utc == "yesterday[U+202E]"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("after 45 s at 77.9 °C", f"after 45{NBSP}s at 77.9{NBSP}°C"),
        ("412.6 GFLOP/s", f"412.6{NBSP}GFLOP/s"),
        ("9 more trials", "9 more trials"),
        ("3 shots", "3 shots"),
    ],
)
def test_a_number_stays_on_the_line_of_its_unit(text: str, expected: str) -> None:
    assert wording.prose(text) == expected


def test_lanes_are_set_against_their_mean_and_gaps_stay_gaps() -> None:
    lanes = [LaneSummary(0, 0, 99.0, 1, 0), LaneSummary(1, 1, 101.0, 1, 0)]
    assert wording.lane_changes(lanes) == ["−1.00 %", "+1.00 %"]
    silent = LaneSummary(2, 2, None, 0, 1)
    assert wording.lane_changes([*lanes, silent])[2] == "not measured"
    assert wording.lane_changes([silent]) == ["not measured"]


def test_words_agree_with_their_number() -> None:
    assert wording.plural(1, "trial") == "1 trial"
    assert wording.plural(2, "stretch", "stretches") == "2 stretches"
    assert wording.value_text(100.0, "%") == "100.0 %"  # decimals as beside "99.0 %"
    assert wording.capitalised("every CPU") == "Every CPU"
    assert wording.capitalised("sha256-chain slowed", ["sha256-chain"]) == "sha256-chain slowed"
    assert wording.capitalised("sha256-chains slowed", ["sha256-chain"]) == "Sha256-chains slowed"
    assert wording.sentence("It holds") == "It holds."
    assert wording.sentence("It holds.") == "It holds."
    assert wording.spaced("gpu_temperature") == "GPU temperature"


def test_a_workloads_score_is_told_with_its_reason_for_each_basis_there_is() -> None:
    assert "so that throttling" in wording.basis_text("mean")
    assert "10th percentile" in wording.basis_text("capability")
    assert wording.basis_text("") == ""


def test_cpus_that_are_counted_stand_with_their_number_and_a_list_of_them_stays() -> None:
    assert wording.fact_text("shared_by_cpus", 1) == ("shared by", "1 CPU")
    assert wording.fact_text("cpu_quota_cpus", 1.5) == ("CPU quota", "1.5 CPUs")
    assert wording.fact_text("allowed_cpus", "0-1")[1] == "0-1"
