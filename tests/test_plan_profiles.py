"""What the shipped profiles must promise as plans, on machines of few and of many cores."""

from __future__ import annotations

import pytest

from harness.lanes.gate import SquareWave
from harness.plan import Plan, make_plan
from harness.profile.loader import load_profile, shipped_profiles

NAMES = sorted(shipped_profiles())
#: Multiply-add steps of a pass of about a millisecond (1.2 ms at 3.7 GHz).
SHORT_PASS_STEPS = 8192


def planned(name: str, lanes: int) -> Plan:
    profile = load_profile(shipped_profiles()[name]).profile
    return make_plan(profile, tuple(range(lanes)), boot=profile.boots)


@pytest.mark.parametrize("name", NAMES)
def test_load_steps_are_made_of_short_passes_whose_golden_ships(name: str) -> None:
    """A lane looks at the clock between passes, so a long pass blurs the edges of a step."""
    plan = planned(name, 2)
    stepped = {step.load for step in plan.steps if isinstance(step.gate, SquareWave)}
    for load in map(plan.load, stepped):
        assert load.workload == "fma-fp64", "say here how long a pass of another load is"
        assert load.parameters["steps"] <= SHORT_PASS_STEPS, load.name
        assert load.shipped_golden is not None, load.name


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("lanes", [2, 64])
def test_every_load_has_work_in_every_lane_by_its_pattern(name: str, lanes: int) -> None:
    plan = planned(name, lanes)
    for load in plan.loads:
        if load.available and not load.companion:
            legs = [leg for step in plan.steps if step.load == load.number for leg in step.legs]
            loaded = {lane for leg in legs for lane in leg.work}
            assert loaded == set(range(lanes)), load.name


@pytest.mark.parametrize("name", NAMES)
def test_loads_side_by_side_all_get_their_turn_on_two_lanes(name: str) -> None:
    plan = planned(name, 2)
    mixed = {
        load for step in plan.steps if step.pattern == "mixed" for leg in step.legs
        for load in leg.work.values()
    }  # fmt: skip
    assert all(load.number in mixed for load in plan.loads if load.companion and load.available)
