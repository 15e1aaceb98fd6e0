"""Carrying on a run: after a planned restart, or after a crash that stays in the verdict."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from harness.clock import SYSTEM, Clock, iso_utc
from harness.compared import FactChange
from harness.context import memory_of
from harness.errors import RefusedStart
from harness.finishing import Concluded, remove_reports
from harness.judgement.baseline import LOOKS, baseline_runs, looks_of
from harness.judgement.requalify import apply_requalification
from harness.machine.compare import changed_facts, same_machine
from harness.observing import Nobody, Observer
from harness.outcome import Ending
from harness.plan import Plan, Step
from harness.profile.loader import LoadedProfile, parse_profile
from harness.profile.model import Profile
from harness.record.header import Properties, PropertyKind
from harness.record.owner import Owner
from harness.record.reader import read_run
from harness.record.writer import Heartbeat, RecordWriter
from harness.results import Boot, EventKind, RunData, SoakData
from harness.running import Part, carry_out, refuse_blind_soak
from harness.startup import (
    Machine,
    RunOptions,
    command_line,
    load_hot,
    look_at_machine,
    plan_run,
)

_MOST_CHANGES_NAMED = 5
_SELECTION = "select"


def resume_run(
    folder: Path,
    options: RunOptions,
    observer: Observer | None = None,
    clock: Clock = SYSTEM,
    *,
    confirmed: bool = False,
) -> Concluded:
    """Measure what is left of the run in `folder`. Raises RefusedStart when nothing may be done."""
    data = read_run(folder)
    refuse_finished(data)
    profile = apply_requalification(
        parse_profile(data.profile_text, data.profile_name), data.context
    )
    machine = look_at_machine(options)
    changes = changed_facts(data.facts, machine.facts)
    refuse_elsewhere(data, machine)
    boot = boot_to_do(data, machine.boot_id, profile.boots)
    refuse_unconfirmed(data, changes, confirmed)
    plan = plan_of_rest(data, profile, machine, options, boot)
    refuse_blind_soak(profile, plan, options)
    owner = Owner.of_this_process(machine.boot_id, options.argv or command_line())
    loaded = LoadedProfile(profile, data.profile_text, data.profile_sha256, folder)
    part = Part(profile, plan, machine, options, boot, load_hot(loaded), _told(changes))
    this_boot = Boot(boot, machine.boot_id, iso_utc(clock.wall_ns()), 0.0, options.cold)

    def begin(heartbeat: Heartbeat) -> RecordWriter:
        writer = RecordWriter.reopen(folder, this_boot, owner, clock, heartbeat=heartbeat)
        remove_reports(folder)  # they speak of the run as it was left
        writer.put(Properties(PropertyKind.FACT, machine.facts))
        writer.put(Properties(PropertyKind.CONTEXT, looked_again(data)))
        return writer

    return carry_out(part, folder, data.run_id, owner, begin, observer or Nobody(), clock)


def refuse_finished(data: RunData) -> None:
    """What is complete stays so, and one that goes on needs nobody."""
    if data.ending is Ending.COMPLETED:
        raise RefusedStart(f"{data.run_id} is complete: there is nothing left to resume")


def refuse_elsewhere(data: RunData, machine: Machine) -> None:
    """A run belongs to one machine, and its trials to the same CPUs throughout."""
    if same_machine(data.facts, machine.facts) is False:
        raise RefusedStart(
            f"{data.run_id} began on another machine (its identity differs): resume it there, "
            "or run its profile here"
        )
    before, now = data.facts.get("allowed_cpus"), machine.facts.get("allowed_cpus")
    if before is not None and before != now:
        raise RefusedStart(
            f"{data.run_id} began on CPUs {before} and this process may use {now}: its trials "
            "would not be alike; see `taskset`, and whether firmware turned cores or threads off"
        )


def boot_to_do(data: RunData, boot_id: str, boots: int) -> int:
    """Which of the planned boots is to be measured, counted from 1.

    A crash may cost restarts of its own, so planned boots are counted by their ends and not by
    the machine's restarts. Raises RefusedStart when a planned restart is still owing.
    """
    done = sum(
        event.kind is EventKind.RUN_ENDED and event.data.get("ending") == Ending.AWAITING_BOOT
        for event in data.events
    )
    if data.ending is Ending.AWAITING_BOOT and data.boots[-1].boot_id == boot_id:
        raise RefusedStart(
            f"{data.run_id} waits for a restart (boot {done} of {boots} is done) and the "
            "machine has not been restarted: restart it, then resume"
        )
    return boots if done >= boots else done + 1


def refuse_unconfirmed(data: RunData, changes: Sequence[FactChange], confirmed: bool) -> None:
    """After a crash the operator must look at the settings first."""
    if data.ending is not Ending.CRASHED or confirmed:
        return
    declared = ", ".join(f"{name}={value}" for name, value in data.settings.items())
    shown = "; ".join(_change_text(change) for change in changes[:_MOST_CHANGES_NAMED])
    more = len(changes) - _MOST_CHANGES_NAMED
    moved = f"moved since: {shown}" if changes else "no fact that rigproof can check has moved"
    raise RefusedStart(
        f"{data.run_id} ended in a crash, and firmware may have fallen back to its defaults "
        f"({moved}{f' and {more} more' if more > 0 else ''}): check that the settings are still "
        f"the declared ones ({declared or 'none declared'}), then resume with --settings-confirmed"
    )


def _change_text(change: FactChange) -> str:
    return f"{change.fact}: {change.before} -> {change.after}"


def _told(changes: Sequence[FactChange]) -> Mapping[str, str]:
    """What the record and the report say of facts that moved, by fact."""
    return {
        change.fact: f"changed since the run was left: {_change_text(change)}" for change in changes
    }


def looked_again(data: RunData) -> Mapping[str, int]:
    """The look at its baseline that a resumed run goes on to; empty where none was taken.

    What was left part-way was judged and reported then, so the rest is judged at a further look.
    Waiting for a planned restart is none: how much is measured was fixed before.
    """
    unjudged = data.ending is Ending.AWAITING_BOOT or not data.trials
    if unjudged or not baseline_runs(data):
        return {}
    return {LOOKS: looks_of(data.context) + 1}


def plan_of_rest(
    data: RunData, profile: Profile, machine: Machine, options: RunOptions, boot: int
) -> Plan:
    """What is left of planned boot `boot`, with the work per trial that the run has settled."""
    alike = replace(options, select=selection_of(data))
    plan, last = (
        plan_run(profile, machine, alike, boot=number, memory=memory_of(data))
        for number in (boot, profile.boots)
    )
    numbers = [step.number for step in last.steps]
    trials = sum(load.trials for load in last.loads)
    rest = without_done(plan, data, first_free=max([*numbers, trials]) + 1)
    return replace(rest, described=frozenset(load.number for load in data.loads))


def selection_of(data: RunData) -> str:
    """What `-k` said when the run was started."""
    told: Any = data.context.get(_SELECTION)
    return told if isinstance(told, str) else ""


def without_done(plan: Plan, data: RunData, first_free: int) -> Plan:
    """The plan without what the record already holds.

    A trial counts as done when it is valid, a soak when it is complete. What was cut short is
    done again under a new number, from `first_free` on, and both stay in the record.
    """
    done = _done(data)
    used = {trial.number for trial in data.trials} | {soak.number // 100 for soak in data.soaks}
    free = max(first_free, max(used, default=0) + 1)
    steps = []
    for step in plan.steps:
        key = _key(step)
        if done[key]:
            done[key] -= 1
        elif step.number in used:
            steps.append(replace(step, number=free))
            free += 1
        else:
            steps.append(step)
    return replace(plan, steps=tuple(steps))


#: What makes a step the same one in the record: a trial's load and round, or a soak's load,
#: pattern and lanes (a pattern may soak the same lanes more than once).
_Key = tuple[int, int, str, frozenset[int]]


def _done(data: RunData) -> Counter[_Key]:
    trials = [
        (trial.load, trial.round, "", frozenset[int]()) for trial in data.trials if trial.valid
    ]
    soaks = [
        (soak.load, 0, soak.pattern, _soaked_lanes(soak))
        for soak in data.soaks
        if soak.complete and soak.number % 100 == 0
    ]
    return Counter([*trials, *soaks])


def _soaked_lanes(soak: SoakData) -> frozenset[int]:
    peers = {
        round(lane.readings["peer_lane"]) for lane in soak.lanes if "peer_lane" in lane.readings
    }
    return frozenset({lane.lane for lane in soak.lanes} | peers)


def _key(step: Step) -> _Key:
    if step.is_trial:
        return step.load, step.round, "", frozenset()
    lanes = {lane for leg in step.legs for lane, load in leg.work.items() if load == step.load}
    return step.load, 0, step.pattern, frozenset(lanes)
