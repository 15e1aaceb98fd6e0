"""From a profile to a plan: rounds, patterns, memory, boots; the same every time."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from harness.errors import ProfileError
from harness.lanes.gate import Bursts, SquareWave
from harness.plan import Leg, Plan, Step, make_plan
from harness.profile.loader import parse_profile
from harness.profile.model import Profile

BENCH = """
name: bench
seed: 7
loads:
  - {workload: matmul-fp64, trials: 4, trial_seconds: 2}
  - {workload: zstandard, trials: 4, trial_seconds: 2}
  - {workload: compile-llvm, trials: 2, trial_seconds: 2}
"""


def profile(text: str) -> Profile:
    return parse_profile(text)


def soak(pattern: str, more: str = "") -> Profile:
    return profile(
        f"""
name: soak
loads:
  - workload: fma-fp64
    soak_seconds: 60
    pattern: {pattern}
{more}"""
    )


def order(plan: Plan) -> list[tuple[int, str]]:
    return [(step.round, plan.load(step.load).name) for step in plan.steps]


def test_every_round_holds_each_load_once_in_an_order_of_its_own() -> None:
    plan = make_plan(profile(BENCH), (0, 1))
    rounds = {number: [name for at, name in order(plan) if at == number] for number in range(1, 5)}
    assert all(len(set(names)) == len(names) for names in rounds.values())
    assert [len(names) for names in rounds.values()] == [3, 3, 2, 2]
    assert len({tuple(names) for names in rounds.values()}) > 1


def test_the_seed_fixes_the_order() -> None:
    again = make_plan(profile(BENCH), (0, 1))
    other = make_plan(profile(BENCH.replace("seed: 7", "seed: 8")), (0, 1))
    assert order(again) == order(make_plan(profile(BENCH), (0, 1)))
    assert order(again) != order(other)


def test_boots_share_the_rounds_and_the_numbers_of_trials() -> None:
    """Loads of equally many trials: the boots in a row are what one boot would have done."""
    even = BENCH.replace("trials: 2", "trials: 4")
    boots = profile(even.replace("seed: 7", "seed: 7\nboots: 2"))
    parts = [make_plan(boots, (0, 1), boot=boot) for boot in (1, 2)]
    assert order(parts[0]) + order(parts[1]) == order(make_plan(profile(even), (0, 1)))
    numbers = [step.number for part in parts for step in part.steps]
    assert numbers == list(range(12))


def shares(trials: Sequence[int], boots: int) -> list[list[int]]:
    """Trials in each boot, by load."""
    lines = "\n".join(
        f"  - {{workload: sieve, name: load {number}, trials: {each}}}"
        for number, each in enumerate(trials)
    )
    text = f"name: shared\nboots: {boots}\nloads:\n{lines}\n"
    plans = [make_plan(profile(text), (0, 1), boot=boot) for boot in range(1, boots + 1)]
    return [
        [sum(step.load == load for step in plan.steps) for plan in plans]
        for load in range(len(trials))
    ]


@pytest.mark.parametrize("boots", [1, 2, 3, 5])
@pytest.mark.parametrize("trials", [(4, 2), (7, 3), (30, 5), (6, 6), (4, 5)])
def test_every_load_has_its_trials_in_every_boot_as_evenly_as_can_be(
    trials: tuple[int, ...], boots: int
) -> None:
    for load, found in zip(trials, shares(trials, boots), strict=True):
        assert sum(found) == load
        assert max(found) - min(found) <= 1
        assert min(found) >= 1 or load < boots


def test_a_load_of_few_trials_meets_the_others_in_the_first_rounds_of_each_boot() -> None:
    boots = profile(BENCH.replace("seed: 7", "boots: 2"))
    first, second = (order(make_plan(boots, (0, 1), boot=boot)) for boot in (1, 2))
    few, many = "compile-llvm", {"matmul-fp64", "zstandard"}
    assert sorted(first[:3]) == sorted([(1, few), *((1, name) for name in many)])
    assert sorted(second[:3]) == sorted([(2, few), *((3, name) for name in many)])
    assert {name for _, name in first[3:]} == {name for _, name in second[3:]} == many


def test_every_trial_of_a_load_has_a_round_of_its_own_over_all_boots() -> None:
    """Resumed runs know a trial by its load and its round."""
    boots = profile(BENCH.replace("seed: 7", "boots: 3"))
    found = sorted(
        (step.load, step.round)
        for boot in (1, 2, 3)
        for step in make_plan(boots, (0, 1), boot=boot).steps
    )
    trials = {0: 4, 1: 4, 2: 2}
    assert found == [(load, n) for load, last in trials.items() for n in range(1, last + 1)]


@pytest.mark.parametrize("boots", [2, 3, 5])
@pytest.mark.parametrize("trials", [(4, 2), (7, 3), (30, 5), (4, 5)])
def test_a_run_begun_under_the_earlier_sharing_out_loses_no_trial(
    trials: tuple[int, ...], boots: int
) -> None:
    """Earlier versions cut the rounds of the longest load into equal parts, for all loads alike."""
    lines = "".join(f"  - {{workload: sieve, name: load {n}, trials: {n}}}\n" for n in trials)
    text = f"name: begun\nboots: {boots}\nloads:\n{lines}"
    plans = [make_plan(profile(text), (0, 1), boot=boot) for boot in range(1, boots + 1)]
    wanted = {(load, n) for load, last in enumerate(trials) for n in range(1, last + 1)}
    rounds = -(-max(trials) // boots)
    for done in range(boots + 1):
        earlier = {(load, n) for load, n in wanted if n <= done * rounds}
        rest = {(step.load, step.round) for plan in plans[done:] for step in plan.steps}
        assert earlier | rest == wanted


def test_soaks_come_after_trials_and_only_in_the_last_boot() -> None:
    text = BENCH.replace("seed: 7", "boots: 2") + "  - {workload: sieve, soak_seconds: 5}\n"
    plans = [make_plan(profile(text), (0, 1), boot=boot) for boot in (1, 2)]
    assert all(step.is_trial for step in plans[0].steps)
    assert [step.is_trial for step in plans[1].steps][-1] is False
    assert plans[1].steps[-1].number == 10


def legs(plan: Plan) -> list[tuple[set[int], float | None]]:
    return [(set(leg.work), leg.seconds) for step in plan.steps for leg in step.legs]


def test_all_lanes_work_by_default() -> None:
    assert legs(make_plan(soak("all-lanes"), (0, 1, 2, 3))) == [({0, 1, 2, 3}, 60.0)]


def test_one_lane_moves_over_every_core() -> None:
    found = legs(make_plan(soak("{kind: one-lane-moving, dwell_seconds: 10}"), (0, 1, 2)))
    assert [lanes for lanes, _ in found] == [{0}, {1}, {2}, {0}, {1}, {2}]
    assert sum(seconds or 0 for _, seconds in found) == pytest.approx(60)


def test_a_short_soak_still_visits_every_core() -> None:
    cpus = tuple(range(16))
    found = legs(make_plan(soak("{kind: one-lane-moving, dwell_seconds: 30}"), cpus))
    assert set().union(*(lanes for lanes, _ in found)) == set(cpus)
    assert sum(seconds or 0 for _, seconds in found) == pytest.approx(60)


def test_halves_take_turns() -> None:
    found = legs(make_plan(soak("{kind: half-lanes, which: alternate}"), (0, 1, 2, 3)))
    assert found == [({0, 1}, 30.0), ({2, 3}, 30.0)]


def test_mixed_loads_share_the_lanes_in_turn() -> None:
    plan = make_plan(soak("{kind: mixed, with: [zstandard]}"), (0, 1, 2, 3))
    work = plan.steps[0].legs[0].work
    names = [plan.load(work[lane]).name for lane in range(4)]
    assert names == ["fma-fp64", "zstandard", "fma-fp64", "zstandard"]
    assert plan.load(1).companion


def test_on_one_lane_a_companion_has_no_place_and_is_not_available() -> None:
    plan = make_plan(soak("{kind: mixed, with: [zstandard]}"), (0,))
    assert plan.load(0).available
    assert not plan.load(1).available
    assert "needs two lanes" in plan.load(1).reason


MANY = "{kind: mixed, with: [zstandard, sieve, radix-sort]}"


@pytest.mark.parametrize(
    ("lanes", "beside"),
    [
        (2, [["zstandard"], ["sieve"], ["radix-sort"]]),
        (3, [["zstandard", "sieve"], ["radix-sort", "zstandard"]]),
        (4, [["zstandard", "sieve", "radix-sort"]]),
    ],
)
def test_more_mixed_loads_than_lanes_take_turns_beside_the_first(
    lanes: int, beside: list[list[str]]
) -> None:
    plan = make_plan(soak(MANY), tuple(range(lanes)))
    found = [[plan.load(load).name for load in leg.work.values()] for leg, _ in every_leg(plan)]
    assert found == [["fma-fp64", *names] for names in beside]
    assert {len(leg.work) for leg, _ in every_leg(plan)} == {lanes}
    assert sum(seconds or 0.0 for _, seconds in every_leg(plan)) == pytest.approx(60)


def every_leg(plan: Plan) -> list[tuple[Leg, float | None]]:
    return [(leg, leg.seconds) for step in plan.steps for leg in step.legs]


def test_a_single_lane_runs_the_mixed_load_itself() -> None:
    (leg,) = (leg for leg, _ in every_leg(make_plan(soak(MANY), (0,))))
    assert leg.work == {0: 0}


def only_step(plan: Plan) -> Step:
    assert len(plan.steps) == 1
    return plan.steps[0]


def test_gates_are_made_from_the_pattern() -> None:
    steps = only_step(
        make_plan(soak("{kind: load-steps, frequency_hz: 10, duty_percent: 25}"), (0,))
    )
    bursts = only_step(make_plan(soak("{kind: idle-bursts, seed: 3}"), (0,)))
    assert steps.gate == SquareWave(100_000_000, 25_000_000)
    assert bursts.gate == Bursts(3, 4_000_000_000, 200_000_000)


PAIRS = """
name: pairs
loads:
  - {workload: fabric-round-trip, trials: 1, trial_seconds: 1, pattern: pairs}
"""


def test_pairs_cover_every_two_lanes() -> None:
    step = only_step(make_plan(profile(PAIRS), (0, 1, 2, 3)))
    assert [tuple(leg.work) for leg in step.legs] == [
        (0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3),
    ]  # fmt: skip


def test_a_single_cpu_has_no_pairs_and_says_so() -> None:
    plan = make_plan(profile(PAIRS), (0,))
    assert not plan.steps
    assert "two lanes" in plan.load(0).reason


def test_programs_of_a_profile_need_permission() -> None:
    text = """
name: own
loads:
  - workload: command
    parameters: {argv: ["true"]}
    trials: 1
"""
    assert "--allow-commands" in make_plan(profile(text), (0,)).load(0).reason
    assert make_plan(profile(text), (0,), allow_commands=True).load(0).available


@pytest.mark.parametrize(
    ("parameters", "reason"),
    [
        ("{argv: [/no/such/program]}", "no program that runs here"),
        ("{argv: ['true'], folder: /no/such/folder}", "no folder here"),
    ],
)
def test_a_command_whose_program_or_folder_is_missing_is_not_available(
    parameters: str, reason: str
) -> None:
    text = f"""
name: own
loads:
  - workload: command
    parameters: {parameters}
    trials: 1
"""
    plan = make_plan(profile(text), (0,), allow_commands=True)
    assert not plan.steps
    assert not plan.load(0).available
    assert reason in plan.load(0).reason


def test_a_share_of_free_memory_is_divided_among_the_lanes_of_the_run() -> None:
    """A lane is pinned to one CPU and could not tell how many share with it."""
    march = """
name: march
loads:
  - workload: memory-march
    soak_seconds: 10
    parameters: {share_percent_of_free: 1}
"""
    assert make_plan(profile(march), (4, 5, 6)).load(0).parameters["lanes_sharing"] == 3


def test_memory_is_planned_for_all_loads_or_one_at_a_time() -> None:
    roomy = make_plan(profile(BENCH), (0, 1), available_bytes=10**12)
    tight = make_plan(profile(BENCH), (0, 1), available_bytes=roomy.memory_bytes)
    assert roomy.keep_prepared
    assert not tight.keep_prepared
    assert tight.memory_bytes < roomy.memory_bytes


def test_a_selection_keeps_matching_loads_or_is_refused_with_the_names() -> None:
    plan = make_plan(profile(BENCH), (0, 1), select="zstd"[:2])
    assert {plan.load(step.load).name for step in plan.steps} == {"zstandard"}
    with pytest.raises(ProfileError, match="compile-llvm"):
        make_plan(profile(BENCH), (0, 1), select="nothing")


def test_the_estimate_counts_trials_soaks_and_calibration() -> None:
    plan = make_plan(profile(BENCH), (0, 1))
    trials = 10 * 2.0
    assert trials < plan.estimated_seconds() < trials + 10
