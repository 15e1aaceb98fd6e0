"""summary.json: the contract's keys, and a reason for every null."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.compared import WorkloadComparison
from reports.summary import summary, summary_json
from tests.reports import samples

TOP = {
    "format", "format_version", "run_id", "verdict", "profile", "started", "ended", "criteria",
    "workloads", "failures", "safety_stop", "channels", "settings", "facts", "notes",
    "changes", "compared", "reasons",
}  # fmt: skip
CRITERION = {
    "name", "required", "verdict", "measured", "low", "high", "limit", "unit", "why",
}  # fmt: skip
WORKLOAD = {
    "name", "unit", "trials", "boots", "flagged", "rejected", "mean", "low", "high", "confidence",
    "cv_percent", "mean_all", "low_all", "high_all", "golden_origin", "readings",
}  # fmt: skip
FAILURE = {"kind", "workload", "lane", "core", "at_seconds", "detail"}
CHANNEL = {
    "name", "unit", "source", "role", "samples", "missing", "minimum", "mean", "maximum",
}  # fmt: skip
STOP = {"channel", "value", "limit", "unit", "at_seconds"}


def nulls(value: Any, pointer: str = "") -> Iterator[str]:
    """JSON Pointers (RFC 6901) of all nulls below `value`."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from nulls(item, f"{pointer}/{key.replace('~', '~0').replace('/', '~1')}")
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from nulls(item, f"{pointer}/{index}")
    elif value is None:
        yield pointer


def loaded(name: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(summary_json(samples.everything()[name]))
    return document


@pytest.mark.parametrize("name", list(samples.everything()))
def test_every_object_has_exactly_the_keys_of_the_contract(name: str) -> None:
    document = loaded(name)
    assert set(document) == TOP
    assert (document["format"], document["format_version"]) == ("rigproof.summary", 1)
    assert set(document["profile"]) == {"name", "sha256"}
    assert all(set(item) == CRITERION for item in document["criteria"])
    assert all(set(item) == WORKLOAD for item in document["workloads"])
    assert all(set(item) == FAILURE for item in document["failures"])
    assert all(set(item) == CHANNEL for item in document["channels"])
    flags = [flag for item in document["workloads"] for flag in item["flagged"]]
    assert all(set(flag) == {"trial", "cause"} for flag in flags)
    assert document["safety_stop"] is None or set(document["safety_stop"]) == STOP


@pytest.mark.parametrize("name", list(samples.everything()))
def test_every_null_has_a_reason_and_every_reason_a_null(name: str) -> None:
    document = loaded(name)
    reasons = document.pop("reasons")
    assert set(nulls(document)) == set(reasons)
    assert all(reasons.values())


def test_the_reason_is_the_one_the_result_gives() -> None:
    reasons = loaded("without_sensors")["reasons"]
    assert reasons["/channels/0/maximum"].startswith("not available: this system has no /sys/class")
    assert reasons["/workloads/0/low"].startswith("one trial gives no interval")
    assert reasons["/criteria/1/measured"].startswith("not tested: no channel has the role")
    assert loaded("crashed")["reasons"]["/ended"] == "the run ended without its end event"


def test_a_fact_that_carries_its_own_reason_keeps_it() -> None:
    fact = {"value": None, "reason": "the firmware gives no table of modules"}
    run = replace(samples.passing(), facts={"memory": {"modules": fact}})
    reasons = summary(run)["reasons"]
    assert reasons["/facts/memory/modules/value"] == fact["reason"]


def test_values_are_those_of_the_result_and_not_rounded() -> None:
    run = samples.failing()
    document = loaded("failing")
    assert document["verdict"] == "fail"
    assert document["workloads"][0]["mean"] == run.workloads[0].mean
    assert document["failures"][0]["kind"] == "wrong result"
    assert document["failures"][0]["core"] == 11
    assert document["facts"]["memory_bytes"] == 33_554_432_000
    assert document["settings"]["core_voltage_offset"] == {"value": -30, "unit": "mV"}


def test_a_safety_stop_is_told_in_the_units_of_its_channel() -> None:
    assert loaded("safety_stopped")["safety_stop"] == {
        "channel": "cpu package", "value": 95.4, "limit": 95.0, "unit": "°C", "at_seconds": 231.31,
    }  # fmt: skip


def test_a_number_that_json_cannot_hold_becomes_null_and_says_so() -> None:
    run = replace(samples.passing(), facts={"odd": math.nan, "a/b~c": {"x": [1.0, math.inf]}})
    document = json.loads(summary_json(run))
    assert document["facts"] == {"odd": None, "a/b~c": {"x": [1.0, None]}}
    assert document["reasons"]["/facts/odd"] == "not a finite number: nan"
    assert document["reasons"]["/facts/a~1b~0c/x/1"] == "not a finite number: inf"


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(codec=None)),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=12,
)


@settings(max_examples=40, deadline=None)
@given(facts=st.dictionaries(st.text(), ANYTHING, max_size=4))
def test_any_facts_give_ascii_json_that_reads_back(facts: dict[str, Any]) -> None:
    text = summary_json(replace(samples.without_sensors(), facts=facts))
    assert text.isascii()
    document = json.loads(text)
    reasons = document.pop("reasons")
    assert set(nulls(document)) == set(reasons)


def test_values_of_other_types_are_written_as_their_text() -> None:
    run = replace(samples.passing(), facts={"tags": {"b", "a"}, "ending": samples.passing().ending})
    facts = summary(run)["facts"]
    assert facts == {"tags": ["a", "b"], "ending": "completed"}


def test_a_soak_has_no_interval_to_be_confident_of() -> None:
    soak = replace(
        samples.passing().workloads[0], mean=None, low=None, high=None, confidence=None,
        reason="a soak: sustained load without timed trials",
    )  # fmt: skip
    document = summary(replace(samples.passing(), workloads=(soak,)))
    assert document["workloads"][0]["confidence"] is None
    assert document["reasons"]["/workloads/0/confidence"] == soak.reason


def test_a_workload_tells_its_readings_and_where_its_right_digest_came_from() -> None:
    first, second = loaded("passing")["workloads"][:2]
    assert (first["golden_origin"], second["golden_origin"]) == (
        "shipped", "agreed by 8 of 8 lanes (24 passes)",
    )  # fmt: skip
    assert first["readings"] == {
        "latency_1024_kib_ns": 4.2, "round_trip_ns between lanes 0 and 1": 81.0,
    }  # fmt: skip
    nobody = replace(samples.passing().workloads[0], golden_origin="", findings=("no drift",))
    reasons = summary(replace(samples.passing(), workloads=(nobody,)))["reasons"]
    assert reasons["/workloads/0/golden_origin"].startswith("no right digest was settled")


def test_everything_that_changed_since_the_baseline_is_listed() -> None:
    document = json.loads(summary_json(samples.small()))
    assert document["changes"][1] == {
        "fact": "setting core_voltage_offset", "before": None, "after": "-30 mV",
    }  # fmt: skip
    assert document["reasons"]["/changes/1/before"] == "not stated by the baseline"
    assert len(document["changes"]) == len(samples.CHANGES)


def test_without_a_baseline_nothing_is_claimed_about_changes() -> None:
    document = loaded("passing")
    assert document["changes"] is None
    assert "not judged against a baseline" in document["reasons"]["/changes"]
    unchanged = replace(samples.passing(), baseline_runs=("before",))
    assert summary(unchanged)["changes"] == []


def test_every_load_tells_whether_and_how_it_was_compared_with_the_baseline() -> None:
    faster = WorkloadComparison(
        "spin", "turn/s", 1.02, 1.01, 1.03, "faster", 1.005, 1.035, 6, 6, 1, 1, None, None, "",
        100.0, 102.0,
    )  # fmt: skip
    gone = replace(
        faster, name="roll", ratio=None, low=None, high=None, decision="undecided",
        decision_low=None, decision_high=None, why="measured before only", mean_after=None,
    )  # fmt: skip
    run = replace(samples.passing(), baseline_runs=("before",), compared=(faster, gone))
    document = summary(run)
    first, second = document["compared"]
    assert (first["name"], first["ratio"], first["decision"]) == ("spin", 1.02, "faster")
    assert (first["decision_low"], first["mean_after"]) == (1.005, 102.0)
    assert (second["ratio"], second["decision"]) == (None, "undecided")
    reasons = document.pop("reasons")
    assert reasons["/compared/0/trials_needed"] == "decided: none are needed"
    assert reasons["/compared/1/trials_needed"] == "measured before only"
    assert set(nulls(document)) == set(reasons)


def test_a_run_that_was_not_compared_says_why_instead_of_an_empty_list() -> None:
    alone = loaded("passing")
    assert alone["compared"] is None
    assert alone["reasons"]["/compared"] == "this run was not judged against a baseline"
    refused = summary(replace(samples.passing(), baseline_runs=("before",)))
    assert refused["compared"] is None
    assert refused["reasons"]["/compared"].startswith("no load was compared with the baseline")
