"""From text to a profile: each bad input gives one line with file, line, key, rule and remedy."""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from profile_samples import MINIMAL, REGISTRY

import workloads.registry
from harness.criteria.base import LoadCriterion
from harness.criteria.minimum_soak import MinimumSoak
from harness.errors import ProfileError
from harness.profile.loader import find_profile, load_profile, parse_profile, shipped_profiles
from harness.profile.patterns import PATTERNS


def error_of(text: str) -> ProfileError:
    with pytest.raises(ProfileError) as caught:
        parse_profile(text, "p.yaml", registry=REGISTRY)
    return caught.value


def test_the_smallest_profile_is_read_with_every_default() -> None:
    profile = parse_profile(MINIMAL, registry=REGISTRY)
    load = profile.loads[0]
    assert (profile.confidence, profile.boots, profile.on_failure) == (0.95, 1, "stop")
    assert (load.name, load.maximum_trials, load.pattern.kind) == ("spin", 3, "all-lanes")
    assert profile.safety.stop_above_celsius == 95.0


SOAKING = MINIMAL.replace("trials: 3", "soak_minutes: 2")
FLOOR = "accept:\n  - {criterion: throughput-floor, load: "

# (text, line, key, words that the message must hold)
BAD = [
    # unknown keys, with the nearest known one
    ("name: x\nlods: []\n", 2, "lods", "did you mean 'loads'"),
    (MINIMAL + "    trail_seconds: 3\n", 5, "loads[1].trail_seconds", "'trial_seconds'"),
    (MINIMAL + "safety: {stop_above: 95}\n", 5, "safety.stop_above", "'stop_above_celsius'"),
    (MINIMAL + "    trial_minutes: 1\n", 5, "loads[1].trial_minutes", "did you mean"),
    # a unit in the value, quotes, words for numbers
    (MINIMAL + "    trial_seconds: 3 s\n", 5, "loads[1].trial_seconds", "received '3 s'"),
    (MINIMAL + '    trial_seconds: "3"\n', 5, "loads[1].trial_seconds", "without quotes"),
    (MINIMAL + "    trial_seconds: .nan\n", 5, "loads[1].trial_seconds", "received '.nan'"),
    (MINIMAL.replace("3", "three"), 4, "loads[1].trials", "received 'three'"),
    (MINIMAL.replace("3", "true"), 4, "loads[1].trials", "received true"),
    (MINIMAL.replace("3", "2.5"), 4, "loads[1].trials", "a whole number of trials"),
    (MINIMAL + "safety: {require_temperature: yes}\n", 5, "safety.require_temperature", "true or"),
    # out of bounds
    (MINIMAL.replace("3", "0"), 4, "loads[1].trials", "at least 1"),
    (MINIMAL + "confidence: 95\n", 5, "confidence", "at most 0.9999"),
    (MINIMAL + "sampling: {rate_hz: 0}\n", 5, "sampling.rate_hz", "at least 0.1"),
    (MINIMAL + "seed: 99999999999999999999\n", 5, "seed", "whole number"),
    (MINIMAL + "name: y\n", 5, "name", "given twice"),
    (MINIMAL.replace("smallest", "../../etc"), 1, "name", "letters, digits"),
    # missing keys
    ("name: x\n", 1, "loads", "missing"),
    ("loads:\n  - workload: spin\n    trials: 1\n", 1, "name", "missing"),
    ("name: x\nloads:\n  - trials: 3\n", 3, "loads[1].workload", "missing"),
    ("name: x\nloads: []\n", 2, "loads", "at least 1 entry"),
    ("name: x\nloads: spin\n", 2, "loads", "a list"),
    ("name: x\nloads:\n  - spin\n", 3, "loads[1]", "keys with values"),
    # the wrong kind of choice
    (MINIMAL + "on_failure: halt\n", 5, "on_failure", "stop, continue"),
    (MINIMAL + "format: 2\n", 5, "format", "received 2"),
    (MINIMAL + "    pattern: all-lane\n", 5, "loads[1].pattern", "did you mean 'all-lanes'"),
    (MINIMAL + "accept:\n  - criterion: no-failure\n", 6, "accept[1].criterion", "'no-failures'"),
    (MINIMAL + "accept:\n  - required: true\n", 6, "accept[1]", "missing"),
    (MINIMAL + "accept:\n  - {criterion: temperature-ceiling, at_most: 90}\n", 6,
     "accept[1].at_most", "'at_most_celsius'"),
    # impossible combinations
    (MINIMAL + "    soak_minutes: 1\n", 5, "loads[1].soak_minutes", "exclude each other"),
    ("name: x\nloads:\n  - workload: spin\n", 3, "loads[1].workload", "either trials, or soak"),
    ("name: x\nloads:\n  - {workload: spin, soak_minutes: 1, soak_seconds: 60}\n", 3,
     "loads[1].soak_minutes", "exclude"),
    ("name: x\nloads:\n  - {workload: spin, soak_minutes: 1, trial_seconds: 60}\n", 3,
     "loads[1].trial_seconds", "a soak has no trials"),
    (MINIMAL + "    pattern: load-steps\n", 5, "loads[1].pattern", "give soak_seconds"),
    (MINIMAL + "    pattern: {kind: half-lanes, which: alternate}\n", 5, "loads[1].pattern",
     "give soak_seconds"),
    (MINIMAL + "safety: {warn_above_celsius: 90, stop_above_celsius: 85}\n", 5,
     "safety.stop_above_celsius", "higher than warn_above_celsius"),
    (MINIMAL + "safety: {warn_above_celsius: 99}\n", 5, "safety.warn_above_celsius", "stop at 95"),
    (MINIMAL + "safety:\n  limits:\n    - {role: fan_speed, unit: RPM}\n", 7,
     "safety.limits[1].role", "stop_above or stop_below"),
    (MINIMAL + "safety:\n  limits: [{role: a, unit: V, stop_above: 1.0, stop_below: 1.2}]\n", 6,
     "safety.limits[1].stop_below", "is not below"),
    (MINIMAL.replace("3", "{minimum: 9, maximum: 5, half_width_percent: 1}"), 4,
     "loads[1].trials.maximum", "below minimum"),
    (MINIMAL.replace("3", "{minimum: 9}"), 4, "loads[1].trials.maximum", "missing"),
    (MINIMAL + "  - {workload: spin, trials: 2}\n", 5, "loads[2].workload", "`name` of its own"),
    (MINIMAL + "  - {workload: roll, name: spin, trials: 2}\n", 5, "loads[2].name", "of its own"),
    (MINIMAL + "worst_ambient_celsius: 35\n", 5, "worst_ambient_celsius", "needs ambient_celsius"),
    (MINIMAL + "ambient_celsius: 30.0\nworst_ambient_celsius: 25\n", 6, "worst_ambient_celsius",
     "cooler"),
    (MINIMAL + "ambient_celsius: warm\n", 5, "ambient_celsius", "a number of degrees Celsius"),
    (MINIMAL + "ambient_celsius: {chanel: room}\n", 5, "ambient_celsius.chanel", "'channel'"),
    (MINIMAL + "start_when: {channel: a, within_celsius: 1, for_seconds: 60, at_most_seconds: 5}\n",
     5, "start_when.at_most_seconds", "is over before"),
    (MINIMAL + "accept:\n  - criterion: no-crash\n  - criterion: no-crash\n", 7, "accept[2]",
     "two criteria are named 'no-crash'"),
    # what only the registry or other keys know
    (MINIMAL.replace("spin", "spim"), 3, "loads[1].workload", "did you mean 'spin'"),
    (MINIMAL + "    parameters: {turn: 5}\n", 5, "loads[1].parameters.turn", "'turns'"),
    (MINIMAL + "    parameters: {turns: 0}\n", 5, "loads[1].parameters.turns", "1 to 1000 turn"),
    (MINIMAL + "    parameters: {turns: 0.5}\n", 5, "loads[1].parameters.turns", "needs int"),
    (MINIMAL + "    parameters: {style: odd}\n", 5, "loads[1].parameters.style", "fast, slow"),
    (MINIMAL + "    parameters: {argv: [1, 2]}\n", 5, "loads[1].parameters.argv[1]", "quotes"),
    (MINIMAL + "    parameters: {turns: null}\n", 5, "loads[1].parameters.turns", "null"),
    (MINIMAL + "    pattern: pairs\n", 5, "loads[1].pattern", "shared memory"),
    (MINIMAL.replace("spin", "pass-along"), 3, "loads[1].pattern", "set pattern: pairs"),
    ("name: x\nloads:\n  - workload: spin\n    soak_minutes: 1\n"
     "    pattern: {kind: mixed, with: [rol]}\n", 5, "loads[1].pattern.with", "mean 'roll'"),
    ("name: x\nloads:\n  - workload: spin\n    soak_minutes: 1\n"
     "    pattern: {kind: mixed, with: [pass-along]}\n", 5, "loads[1].pattern.with", "in pairs"),
    (MINIMAL + "accept:\n  - {criterion: spread-ceiling, at_most_percent: 1, loads: [spun]}\n", 6,
     "accept[1].loads", "no load of this profile; did you mean 'spin'"),
    (MINIMAL + "accept:\n  - {criterion: minimum-soak, minimum_minutes: 1, loads: [spin]}\n", 6,
     "accept[1].loads", "judges soaks"),
    (MINIMAL + "accept:\n  - {criterion: throughput-floor, load: spon, at_least: 1, unit: t}\n", 6,
     "accept[1].load", "did you mean 'spin'"),
    # criteria that no night could satisfy
    (MINIMAL + FLOOR + "spin, at_least: 1, unit: FLOP/s}\n",
     6, "accept[1].unit", "in turn/s: give that, or with a prefix of the SI, e.g. Mturn/s"),
    (MINIMAL + FLOOR + "spin, at_most: 1, unit: turn/s}\n",
     6, "accept[1].at_most", "better when higher: give at_least"),
    (MINIMAL.replace("spin", "echo")
     + FLOOR + "echo, at_least: 1, unit: s/call}\n",
     6, "accept[1].at_least", "better when lower: give at_most"),
    (MINIMAL.replace("spin", "echo")
     + FLOOR + "echo, at_most: 1, unit: call/s}\n",
     6, "accept[1].unit", "is measured in s/call: give that, or with a prefix of the SI, e.g. ns/"),
    (MINIMAL + "accept:\n  - {criterion: minimum-soak, minimum_minutes: 1}\n", 6, "accept[1]",
     "minimum-soak judges a soak, and this profile has none"),
    (SOAKING + "accept:\n  - {criterion: minimum-soak, minimum_minutes: 3}\n", 6,
     "accept[1].minimum_minutes", "asks for 3 min on each core, and 'spin' gives a core 2 min at"),
    (SOAKING + "    pattern: {kind: half-lanes, which: alternate}\n"
     "accept:\n  - {criterion: minimum-soak, minimum_minutes: 1.5}\n", 7,
     "accept[1].minimum_minutes", "asks for 1 min 30 s on each core, and 'spin' gives a core 1"),
    (SOAKING + "accept:\n  - {criterion: spread-ceiling, at_most_percent: 1}\n", 6, "accept[1]",
     "spread-ceiling judges a load with trials, and this profile has none"),
    (MINIMAL + "accept:\n  - {criterion: no-failures, optional_loads: [spun]}\n", 6,
     "accept[1].optional_loads", "no load of this profile; did you mean 'spin'"),
    (MINIMAL + "accept:\n  - {criterion: no-failures, loads: [spin], optional_loads: [roll]}\n", 6,
     "accept[1].optional_loads", "'roll' is not among loads"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "line", "key", "words"), BAD)
def test_a_bad_profile_gives_one_line_with_its_place(
    text: str, line: int, key: str, words: str
) -> None:
    error = error_of(text)
    message = str(error)
    assert "\n" not in message
    assert message.startswith(f"p.yaml:{line}: ")
    assert error.line == line
    assert words in message
    assert error.key == key
    assert error.exit_code == 2


def test_the_first_problem_is_told_and_the_others_are_counted() -> None:
    text = MINIMAL.replace("3", "0") + "on_failure: halt\nconfidence: 7\n"
    error = error_of(text)
    assert error.line == 4
    assert "(and 2 more problems after it)" in str(error)


@pytest.mark.parametrize(
    ("workload", "limit"),
    [
        ("spin", "at_least: 1, unit: turn/s"),
        ("spin", "at_least: 1, unit: Mturn/s"),
        ("echo", "at_most: 1, unit: ns/call"),
        ("spin", "at_least_percent_of_baseline: 99"),
    ],
)
def test_a_floor_is_taken_in_the_unit_that_the_report_prints(workload: str, limit: str) -> None:
    rule = f"accept:\n  - {{criterion: throughput-floor, load: {workload}, {limit}}}\n"
    profile = parse_profile(MINIMAL.replace("spin", workload) + rule, registry=REGISTRY)
    assert profile.accept[0].load_names() == (workload,)


def test_a_soak_may_be_asked_for_to_its_last_second_and_what_is_beside_it_be_optional() -> None:
    mixed = SOAKING + "    pattern: {kind: mixed, with: [roll]}\n"
    rule = "accept:\n  - {criterion: minimum-soak, minimum_minutes: 2, optional_loads: [roll]}\n"
    assert parse_profile(mixed + rule, registry=REGISTRY).accept[0].required


def test_without_a_registry_the_text_of_an_old_record_still_loads() -> None:
    profile = parse_profile(MINIMAL.replace("spin", "gone-since"), registry=None)
    assert profile.loads[0].workload == "gone-since"


def test_a_mixed_load_may_name_workloads_and_other_loads() -> None:
    text = MINIMAL + (
        "  - workload: roll\n    name: side-by-side\n    soak_minutes: 1\n"
        "    pattern: {kind: mixed, with: [spin, roll]}\n"
    )
    profile = parse_profile(text, registry=REGISTRY)
    assert list(profile.mixed_names()) == [(1, "spin"), (1, "roll")]


# --- files -------------------------------------------------------------------------------------


def test_a_file_is_loaded_with_its_exact_text_and_digest(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_bytes(MINIMAL.replace("spin", "zstandard").encode() + b"# \xc3\xa4\n")
    loaded = load_profile(path)
    assert loaded.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (loaded.text.encode(), loaded.path) == (path.read_bytes(), path)
    assert loaded.profile.name == "smallest"


def test_a_sparse_file_of_100_megabytes_is_refused_at_once(tmp_path: Path) -> None:
    path = tmp_path / "huge.yaml"
    with path.open("wb") as file:
        file.truncate(100_000_000)
    with pytest.raises(ProfileError, match="larger than 1000 kB"):
        load_profile(path)


def test_a_folder_and_a_missing_file_are_one_line_each(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="no plain file"):
        load_profile(tmp_path)
    with pytest.raises(ProfileError, match="no such file"):
        load_profile(tmp_path / "none.yaml")


def test_a_pipe_is_refused_without_waiting_for_a_writer(tmp_path: Path) -> None:
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no named pipes")
    pipe = tmp_path / "pipe.yaml"
    os.mkfifo(pipe)
    with pytest.raises(ProfileError, match="no plain file"):
        load_profile(pipe)


def test_an_unknown_name_gets_the_nearest_shipped_one() -> None:
    with pytest.raises(ProfileError, match="did you mean 'first-look'"):
        find_profile("first-lok")


def test_a_shipped_profile_is_found_by_its_name() -> None:
    shipped = shipped_profiles()
    assert find_profile("first-look") == shipped["first-look"]


@pytest.mark.parametrize("name", sorted(shipped_profiles()))
def test_every_shipped_profile_is_valid_and_named_after_its_file(name: str) -> None:
    loaded = load_profile(name)
    assert loaded.profile.name == name
    assert loaded.profile.purpose
    assert any(spec.required for spec in loaded.profile.accept)


LINES = st.sampled_from(
    [line for text, *_ in BAD for line in text.splitlines()] + MINIMAL.splitlines()
)


@given(st.lists(LINES | st.text(max_size=12), max_size=12).map("\n".join))
@settings(max_examples=200, deadline=None)
def test_any_mixture_of_lines_loads_or_is_one_clear_line(text: str) -> None:
    try:
        profile = parse_profile(text, "p.yaml", registry=REGISTRY)
    except ProfileError as error:
        assert re.match(r"p\.yaml(:\d+)?: \S", str(error))
        assert "\n" not in str(error)
    else:
        assert profile.loads


# --- what the shipped profiles promise ---------------------------------------------------------


def seconds_of(name: str) -> float:
    """Time under load that a profile asks for, without calibration and restarts."""
    loads = load_profile(name).profile.loads
    return sum(
        load.soak_duration_seconds or load.maximum_trials * load.trial_seconds for load in loads
    )


@pytest.mark.parametrize(
    ("name", "least_minutes", "most_minutes"),
    [
        ("first-look", 1.0, 1.4),
        ("all-loads", 1.0, 3.0),
        ("ten-minute-screen", 10.0, 10.0),
        ("memory", 15.0, 20.0),
        ("single-core", 12.0, 12.0),
        ("load-steps", 11.0, 11.0),
        ("overnight", 7 * 60.0, 10 * 60.0),
    ],
)
def test_a_shipped_profile_lasts_as_long_as_its_comment_says(
    name: str, least_minutes: float, most_minutes: float
) -> None:
    assert least_minutes <= seconds_of(name) / 60 <= most_minutes


@pytest.mark.parametrize("name", sorted(shipped_profiles()))
def test_a_machine_without_a_compiler_or_a_second_core_can_pass_a_shipped_profile(
    name: str,
) -> None:
    profile = load_profile(name).profile
    system = {"compile-c", "fabric-round-trip"}
    some = {load.name for load in profile.loads if load.workload in system}
    for spec in profile.accept:
        if spec.required and isinstance(spec, LoadCriterion):
            soaks = {load.name for load in profile.loads if load.is_soak}
            judged = {*spec.loads} or (soaks if spec.needs == "soak" else some)
            assert some & judged <= {*spec.optional_loads}, spec.label


def test_overnight_asks_every_soak_for_its_minimum() -> None:
    profile = load_profile("overnight").profile
    asked = [
        name for spec in profile.accept if isinstance(spec, MinimumSoak) for name in spec.loads
    ]
    assert sorted(asked) == sorted(load.name for load in profile.loads if load.is_soak)


def test_all_loads_leaves_out_no_workload_but_the_users_own() -> None:
    used = {load.workload for load in load_profile("all-loads").profile.loads}
    assert used == set(workloads.registry.names()) - {"command"}


def test_overnight_has_every_family_and_every_pattern_that_needs_nobody() -> None:
    profile = load_profile("overnight").profile
    used = {load.workload for load in profile.loads}
    families = {workloads.registry.load(name).family for name in workloads.registry.names()}
    covered = {workloads.registry.load(name).family for name in used}
    assert covered == families - {workloads.registry.load("command").family}
    kinds = {kind.model_fields["kind"].default for kind in PATTERNS}
    assert {load.pattern.kind for load in profile.loads} == kinds - {"after-suspend"}


def test_rules_that_tie_parameters_together_are_told_once_at_their_line() -> None:
    good = """
name: own
loads:
  - workload: command
    parameters: {argv: ["true"], check: pattern, pattern: "yes"}
    trials: 1
"""
    assert parse_profile(good).loads[0].parameters["check"] == "pattern"
    bad = good.replace(', pattern: "yes"', "")
    with pytest.raises(ProfileError, match=r"profile:4: .*pattern: received ''"):
        parse_profile(bad)
