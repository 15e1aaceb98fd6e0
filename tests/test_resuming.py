"""What is left of a run, and when it may be carried on. Oracle: the profile's rounds, each of which
must end up valid exactly once, whatever was cut short before."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import pytest

from harness.compared import FactChange
from harness.errors import RefusedStart
from harness.outcome import Ending
from harness.plan import Leg, Plan, Step
from harness.results import (
    Boot,
    Event,
    EventKind,
    LaneTrial,
    RunData,
    SoakData,
    TrialData,
)
from harness.resuming import (
    boot_to_do,
    looked_again,
    refuse_elsewhere,
    refuse_finished,
    refuse_unconfirmed,
    selection_of,
    without_done,
)
from harness.startup import Machine
from tests.acting import lane_trial, load, plan, trial_steps


def run(**more: Any) -> RunData:
    values: dict[str, Any] = {
        "run_id": "20260101T000000Z-mill-0000",
        "schema_version": 1,
        "started_utc": "",
        "ended_utc": None,
        "duration_seconds": 10.0,
        "utc_offset_minutes": 0,
        "profile_text": "",
        "profile_name": "mill",
        "profile_sha256": "",
        "ending": Ending.CRASHED,
        "ending_text": "",
        "partial": False,
        "boots": (Boot(1, "boot-a", "", 0.0, None),),
        "loads": (),
        "trials": (),
        "soaks": (),
        "failures": (),
        "events": (),
        "safety_stop": None,
        "channels": (),
        "settings": {},
        "facts": {},
        "notes": (),
        "versions": {},
        "context": {},
    }
    return RunData(**{**values, **more})


def trial(number: int, round_: int, *, load: int = 0, valid: bool = True) -> TrialData:
    lanes = (lane_trial(0, 5, 1.0), lane_trial(1, 5, 1.0))
    return TrialData(number, round_, load, "mill", 1, 0.0, 1.0, lanes, 1.0, 1.0, valid=valid)


def soak(number: int, lanes: tuple[LaneTrial, ...], *, complete: bool = True) -> SoakData:
    return SoakData(number, 0, "mill", "all-lanes", 1, 0.0, 1.0, lanes, complete=complete)


def rounds_left(rest: Plan) -> list[tuple[int, int]]:
    return [(step.number, step.round) for step in rest.steps]


BASE = plan((load(),), trial_steps(0, 4, 2))


def test_what_is_valid_is_not_measured_again() -> None:
    rest = without_done(BASE, run(trials=(trial(0, 1), trial(1, 2))), first_free=10)
    assert rounds_left(rest) == [(2, 3), (3, 4)]


def test_what_was_cut_short_is_measured_again_under_a_number_that_no_boot_uses() -> None:
    data = run(trials=(trial(0, 1), trial(1, 2, valid=False)))
    rest = without_done(BASE, data, first_free=10)
    assert rounds_left(rest) == [(10, 2), (2, 3), (3, 4)]


def test_what_was_cut_short_twice_is_measured_once_more_and_what_was_made_good_is_not() -> None:
    data = run(trials=(trial(0, 1, valid=False), trial(10, 1), trial(1, 2, valid=False)))
    data = replace(data, trials=(*data.trials, trial(11, 2, valid=False)))
    rest = without_done(BASE, data, first_free=10)
    assert rounds_left(rest) == [(12, 2), (2, 3), (3, 4)]


@pytest.mark.parametrize("cut_short", range(4))
def test_any_number_of_crashes_leaves_each_round_valid_once(cut_short: int) -> None:
    """Every part measures one trial and spoils the next."""
    data = run()
    while steps := without_done(BASE, data, first_free=10).steps:
        good = trial(steps[0].number, steps[0].round)
        spoilt = [trial(step.number, step.round, valid=False) for step in steps[1 : 1 + cut_short]]
        data = replace(data, trials=(*data.trials, good, *spoilt))
    assert Counter(it.round for it in data.trials if it.valid) == {1: 1, 2: 1, 3: 1, 4: 1}
    assert len({it.number for it in data.trials}) == len(data.trials)


def moving(turns: int) -> Plan:
    """A soak that moves from lane to lane, each in turn."""
    steps = tuple(
        Step(number, 0, 0, (Leg({number % 2: 0}, seconds=1.0),), "all-lanes")
        for number in range(turns)
    )
    return plan((load(trials=0, soak_seconds=1.0),), steps)


def test_a_soak_is_done_for_the_lanes_that_it_loaded() -> None:
    first, second = lane_trial(0, 5, 1.0), lane_trial(1, 5, 1.0)
    data = run(soaks=(soak(0, (first,)), soak(100, (second,), complete=False)))
    rest = without_done(moving(4), data, first_free=10)
    assert [(step.number, *step.legs[0].work) for step in rest.steps] == [(10, 1), (2, 0), (3, 1)]


def test_the_second_load_of_a_mixed_soak_is_no_soak_of_its_own() -> None:
    step = Step(0, 0, 0, (Leg({0: 0, 1: 1}, seconds=1.0),), "mixed")
    base = plan((load(0), load(1)), (step,))
    main = replace(soak(0, (lane_trial(0, 5, 1.0),)), pattern="mixed")
    other = replace(soak(1, (lane_trial(1, 5, 1.0),)), pattern="mixed", load=1)
    assert without_done(base, run(soaks=(main, other)), first_free=10).steps == ()
    assert without_done(base, run(soaks=(other,)), first_free=10).steps != ()


def test_a_pair_is_known_by_both_its_lanes() -> None:
    leg = Leg({0: 0, 1: 0}, paired=True, seconds=1.0)
    base = plan((load(paired=True),), (Step(0, 0, 0, (leg,), "all-lanes"),))
    measuring = replace(lane_trial(0, 5, 1.0), readings={"peer_lane": 1.0})
    assert without_done(base, run(soaks=(soak(0, (measuring,)),)), first_free=10).steps == ()


def ended(ending: Ending) -> Event:
    return Event(EventKind.RUN_ENDED, 1.0, "", {"ending": str(ending)})


def test_planned_boots_are_counted_by_their_ends_and_not_by_restarts() -> None:
    boots = (Boot(1, "a", "", 0.0, None), Boot(2, "b", "", 1.0, None), Boot(3, "c", "", 2.0, None))
    crashes = (ended(Ending.CRASHED), ended(Ending.INTERRUPTED))
    assert boot_to_do(run(boots=boots, events=crashes), "d", boots=3) == 1
    data = run(boots=boots, events=(*crashes, ended(Ending.AWAITING_BOOT)))
    assert boot_to_do(data, "d", boots=3) == 2
    assert boot_to_do(data, "d", boots=1) == 1  # never beyond the profile's


def test_a_planned_restart_that_is_owing_is_demanded() -> None:
    data = run(ending=Ending.AWAITING_BOOT, events=(ended(Ending.AWAITING_BOOT),))
    with pytest.raises(RefusedStart, match=r"boot 1 of 3 is done.*restart it, then resume"):
        boot_to_do(data, "boot-a", boots=3)
    assert boot_to_do(data, "boot-b", boots=3) == 2


def test_a_complete_run_stays_as_it_is() -> None:
    with pytest.raises(RefusedStart, match="nothing left to resume"):
        refuse_finished(run(ending=Ending.COMPLETED))
    for ending in set(Ending) - {Ending.COMPLETED}:
        refuse_finished(run(ending=ending))


CHANGE = FactChange("bios.version", "F5", "F6")


def test_after_a_crash_the_settings_must_be_confirmed_and_what_moved_is_named() -> None:
    data = run(settings={"vcore": "1.10 V"})
    with pytest.raises(RefusedStart) as caught:
        refuse_unconfirmed(data, [CHANGE], confirmed=False)
    assert "bios.version: F5 -> F6" in str(caught.value)
    assert "vcore=1.10 V" in str(caught.value)
    assert "--settings-confirmed" in str(caught.value)
    refuse_unconfirmed(data, [CHANGE], confirmed=True)


def test_many_changes_are_counted_rather_than_listed() -> None:
    many = [FactChange(f"fact{number}", 0, 1) for number in range(9)]
    with pytest.raises(RefusedStart, match="and 4 more"):
        refuse_unconfirmed(run(), many, confirmed=False)
    with pytest.raises(RefusedStart, match="no fact that rigproof can check has moved"):
        refuse_unconfirmed(run(), [], confirmed=False)


@pytest.mark.parametrize("ending", sorted(set(Ending) - {Ending.CRASHED}))
def test_only_a_crash_needs_confirmation(ending: Ending) -> None:
    assert not is_refused(run(ending=ending))
    assert is_refused(run(ending=Ending.CRASHED))


def is_refused(data: RunData) -> bool:
    try:
        refuse_unconfirmed(data, [CHANGE], confirmed=False)
    except RefusedStart:
        return True
    return False


def machine(key: str = "k", cpus: str = "0-1") -> Machine:
    facts = {"identity": {"key": key}, "allowed_cpus": cpus}
    return Machine(facts, "boot-a", (0, 1), (), 1 << 30)


def test_a_run_belongs_to_one_machine_and_its_cpus() -> None:
    data = run(facts=machine().facts)
    refuse_elsewhere(data, machine())
    with pytest.raises(RefusedStart, match="began on another machine"):
        refuse_elsewhere(data, machine(key="other"))
    with pytest.raises(RefusedStart, match="began on CPUs 0-1 and this process may use 0"):
        refuse_elsewhere(data, machine(cpus="0"))
    refuse_elsewhere(run(), machine())  # a record that does not say


def test_the_selection_of_the_first_part_holds_for_the_rest() -> None:
    assert selection_of(run(context={"select": "zst"})) == "zst"
    assert selection_of(run()) == ""
    assert selection_of(run(context={"select": ["no", "text"]})) == ""


@pytest.mark.parametrize("ending", [Ending.INTERRUPTED, Ending.CRASHED])
def test_what_was_judged_against_its_baseline_part_way_goes_on_to_a_further_look(
    ending: Ending,
) -> None:
    """A look is one judgement of a comparison that may still get more trials."""
    context = {"baseline": {"run_ids": ["before"]}}
    left = run(ending=ending, context=context, trials=(timed(),))
    assert looked_again(left) == {"looks": 2}
    assert looked_again(replace(left, context={**context, "looks": 2})) == {"looks": 3}


def test_a_planned_restart_no_trials_or_no_baseline_are_no_look() -> None:
    context = {"baseline": {"run_ids": ["before"]}}
    left = run(ending=Ending.INTERRUPTED, context=context, trials=(timed(),))
    assert looked_again(replace(left, ending=Ending.AWAITING_BOOT)) == {}
    assert looked_again(replace(left, trials=())) == {}
    assert looked_again(replace(left, context={})) == {}


def timed() -> TrialData:
    lanes = (lane_trial(0, 3, 1.0),)
    return TrialData(0, 1, 0, "mill", 1, 0.0, 1.0, lanes, 3.0, 3.0, (), True)
