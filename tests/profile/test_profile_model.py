"""The profile's model: frozen, strict, with the quantities other rooms ask for."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from harness.profile.model import Load, Profile, Safety, Sampling, TrialRange
from harness.profile.patterns import Mixed, OneLaneMoving


def make(**more: Any) -> Profile:
    loads = (Load(workload="spin", trials=3),)
    return Profile.model_validate({"name": "x", "loads": loads, **more})


def test_a_profile_cannot_be_changed_after_it_was_checked() -> None:
    with pytest.raises(ValidationError, match="frozen"):
        make().seed = 3


def test_a_load_is_named_after_its_workload_unless_it_has_a_name() -> None:
    assert Load(workload="spin", trials=1).name == "spin"
    assert Load(workload="spin", name="mine", trials=1).name == "mine"


def test_a_fixed_number_of_trials_is_minimum_and_maximum() -> None:
    load = Load(workload="spin", trials=7)
    assert (load.minimum_trials, load.maximum_trials) == (7, 7)
    assert load.half_width_percent is None
    assert not load.is_soak
    assert load.soak_duration_seconds is None


def test_trials_until_narrow_enough_keep_their_bounds() -> None:
    trials = TrialRange(minimum=5, maximum=20, half_width_percent=0.5)
    load = Load(workload="spin", trials=trials)
    assert (load.minimum_trials, load.maximum_trials) == (5, 20)
    assert load.half_width_percent == 0.5


def test_a_soak_in_minutes_is_the_same_as_in_seconds() -> None:
    minutes = Load(workload="spin", soak_minutes=2.0)
    seconds = Load(workload="spin", soak_seconds=120.0)
    assert minutes.soak_duration_seconds == seconds.soak_duration_seconds == 120.0
    assert minutes.is_soak
    assert minutes.maximum_trials == 0


def test_a_pattern_may_be_a_bare_word_or_have_keys() -> None:
    moving = {"kind": "one-lane-moving", "dwell_seconds": 5.0, "order": "seeded"}
    load = Load.model_validate({"workload": "s", "soak_minutes": 1.0, "pattern": moving})
    assert load.pattern == OneLaneMoving(dwell_seconds=5.0, order="seeded")
    bare = Load.model_validate({"workload": "s", "soak_minutes": 1, "pattern": "one-lane-moving"})
    assert bare.pattern == OneLaneMoving()


def test_a_mixed_pattern_is_written_with_with() -> None:
    load = Load.model_validate(
        {"workload": "s", "soak_minutes": 1, "pattern": {"kind": "mixed", "with": ("a", "b")}}
    )
    assert load.pattern == Mixed(others=("a", "b"))


def test_the_sampling_interval_is_the_inverse_of_the_rate() -> None:
    assert Sampling(rate_hz=4.0).interval_seconds == 0.25


def test_limits_can_be_switched_off_only_by_saying_so() -> None:
    assert Safety().stop_above_celsius == 95.0
    off = Safety(stop_above_celsius=None, warn_above_celsius=None)
    assert off.stop_above_celsius is None


def test_the_names_of_the_criteria_are_the_names_of_their_results() -> None:
    profile = make(
        accept=(
            {"criterion": "no-failures"},
            {"criterion": "spread-ceiling", "at_most_percent": 1.0, "loads": ("spin",)},
            {"criterion": "no-crash", "name": "it stayed up"},
        )
    )
    assert profile.criterion_names == ("no-failures", "spread-ceiling spin", "it stayed up")


def test_a_load_is_found_by_its_name() -> None:
    assert make().load_named("spin").workload == "spin"
    with pytest.raises(KeyError):
        make().load_named("spun")
