"""Carrying on a run: after a planned restart, or after a crash that stays in the verdict."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from harness.board import Board
from harness.clock import SYSTEM, Clock, iso_utc
from harness.context import memory_of
from harness.errors import RefusedStart
from harness.finishing import Concluded, conclude
from harness.machine.compare import changed_facts
from harness.observing import Nobody, Observer
from harness.outcome import Ending
from harness.plan import Plan
from harness.profile.loader import LoadedProfile, parse_profile
from harness.record.header import Properties, PropertyKind
from harness.record.lock import MachineLock
from harness.record.owner import Owner
from harness.record.reader import read_run
from harness.record.writer import RecordWriter
from harness.results import Boot, Event, EventKind, RunData
from harness.running import Part, Workshop, measure, refuse_blind_soak, writer_beat
from harness.scratch import scratch_folder
from harness.startup import (
    Machine,
    RunOptions,
    command_line,
    load_hot,
    look_at_machine,
    plan_run,
)


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
    profile = parse_profile(data.profile_text, data.profile_name)
    machine = look_at_machine(options)
    boot = boot_to_do(data, machine, profile.boots)
    refuse_resume(data, confirmed)
    plan = plan_run(profile, machine, options, boot=boot, memory=memory_of(data))
    plan = without_done(plan, data)
    refuse_blind_soak(profile, plan, options)
    owner = Owner.of_this_process(machine.boot_id, options.argv or command_line())
    loaded = LoadedProfile(profile, data.profile_text, data.profile_sha256, folder)
    part = Part(profile, plan, machine, options, boot, load_hot(loaded))
    this_boot = Boot(boot, machine.boot_id, iso_utc(clock.wall_ns()), 0.0, options.cold)
    with MachineLock.acquire(owner, data.run_id, clock), scratch_folder() as scratch:
        board = Board.create(scratch / "board", plan.lanes)
        beat = writer_beat(board)
        writer = RecordWriter.reopen(folder, this_boot, owner, clock, heartbeat=beat)
        tell_changes(data, machine, writer)
        watching = observer or Nobody()
        watching.begun(data.run_id, str(folder))
        measure(part, Workshop(writer, board, scratch, watching, clock))
        return conclude(folder)


def boot_to_do(data: RunData, machine: Machine, boots: int) -> int:
    """Which of the planned boots this is. Raises RefusedStart when the restart is still owing."""
    last = data.boots[-1]
    if data.ending is not Ending.AWAITING_BOOT:
        return min(last.number, boots)
    if last.boot_id == machine.boot_id:
        raise RefusedStart(
            f"{data.run_id} waits for a restart (boot {last.number} of {boots} is done) and the "
            "machine has not been restarted: restart it, then resume"
        )
    return min(last.number + 1, boots)


def refuse_resume(data: RunData, confirmed: bool) -> None:
    """A finished run stays finished; after a crash the operator must look at the settings first."""
    if data.ending is Ending.COMPLETED:
        raise RefusedStart(f"{data.run_id} is complete: there is nothing left to resume")
    if data.ending is Ending.CRASHED and not confirmed:
        declared = ", ".join(f"{name}={value}" for name, value in data.settings.items())
        raise RefusedStart(
            f"{data.run_id} ended in a crash, and firmware may have fallen back to its defaults: "
            f"check that the settings are still the declared ones ({declared or 'none declared'}), "
            "then resume with --settings-confirmed"
        )


def without_done(plan: Plan, data: RunData) -> Plan:
    """The plan without what the record already holds, numbered on from there.

    A trial counts as done when it is valid, a soak when it is complete; what was cut short is
    done again under a new number, and both stay in the record.
    """
    done = {trial.number for trial in data.trials if trial.valid}
    soaked = {soak.number // 100 for soak in data.soaks if soak.complete}
    left = [step for step in plan.steps if step.number not in (done if step.is_trial else soaked)]
    used = [trial.number for trial in data.trials] + [soak.number // 100 for soak in data.soaks]
    taken = set(used)
    free = max([step.number for step in plan.steps] + used, default=0) + 1
    steps = []
    for step in left:
        if step.number in taken:
            steps.append(replace(step, number=free))
            free += 1
        else:
            steps.append(step)
    return replace(plan, steps=tuple(steps))


def tell_changes(data: RunData, machine: Machine, writer: RecordWriter) -> None:
    """Say which facts moved since the run began, and keep the new ones."""
    for change in changed_facts(data.facts, machine.facts):
        text = f"changed since the run began: {change.fact}: {change.before} -> {change.after}"
        now = writer.now_seconds()
        writer.put(Event(EventKind.WARNING, now, text, {"fact": change.fact}))
    writer.put(Properties(PropertyKind.FACT, machine.facts))
