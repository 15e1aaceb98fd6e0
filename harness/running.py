"""The whole of a run: look at the machine, plan, measure, seal, judge, report."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from harness.assembly import TimeAxis
from harness.board import Board, Slot
from harness.clock import SYSTEM, Clock
from harness.conductor import Conductor, Policy
from harness.context import RunContext, gather_context
from harness.errors import BrokenEnvironment, RefusedStart
from harness.finishing import Concluded, conclude
from harness.happenings import Finish
from harness.lanes.team import LaneTeam, context
from harness.observing import Nobody, Observer
from harness.outcome import Ending
from harness.plan import Plan
from harness.record.header import RunHeader
from harness.record.owner import Owner
from harness.record.writer import RecordWriter
from harness.results import Event, EventKind
from harness.runner import Equipment, Runner, Showing
from harness.scratch import scratch_folder
from harness.startup import (
    Machine,
    Memory,
    RunOptions,
    command_line,
    load_hot,
    look_at_machine,
    plan_run,
    sampler_config,
    utc_offset_minutes,
    versions,
)
from harness.watchers import Readings, SamplerHandle

if TYPE_CHECKING:
    from harness.profile.loader import LoadedProfile
    from harness.profile.model import Profile

#: How long the sampler may take to find its chips and read each of them once.
SAMPLER_START_SECONDS = 15.0


@dataclass(frozen=True)
class Part:
    """One boot's part of a run, ready to be measured."""

    profile: Profile
    plan: Plan
    machine: Machine
    options: RunOptions
    boot: int
    warm: tuple[str, ...]


@dataclass(frozen=True)
class Workshop:
    """Where a part is measured: open record, shared board, scratch folder, watcher, clock."""

    writer: RecordWriter
    board: Board
    scratch: Path
    observer: Observer
    clock: Clock


def run_profile(
    loaded: LoadedProfile,
    options: RunOptions,
    observer: Observer | None = None,
    clock: Clock = SYSTEM,
    *,
    baseline: Path | None = None,
) -> Concluded:
    """Run `loaded` on this machine; returns the judged run. Raises RigproofError on refusal."""
    from harness.record.listing import new_run_id
    from harness.record.lock import MachineLock

    machine = look_at_machine(options)
    found = gather_context(loaded, machine, options, baseline)
    memory = Memory() if options.recalibrate else found.memory
    plan = plan_run(loaded.profile, machine, options, memory=memory)
    refuse_blind_soak(loaded.profile, plan, options)
    run_id = new_run_id(clock.wall_ns(), loaded.profile.name)
    header = _header(loaded, machine, options, found, run_id)
    part = Part(loaded.profile, plan, machine, options, 1, load_hot(loaded))
    with MachineLock.acquire(header.owner, run_id, clock), scratch_folder() as scratch:
        folder = options.runs_dir / run_id
        board = Board.create(scratch / "board", plan.lanes)
        writer = RecordWriter.create(folder, header, clock, heartbeat=writer_beat(board))
        watching = observer or Nobody()
        watching.begun(run_id, str(folder))
        measure(part, Workshop(writer, board, scratch, watching, clock))
        return conclude(folder)


def writer_beat(board: Board) -> Callable[[int], None]:
    """How the record's writer shows that it lives."""

    def beat(now_ns: int) -> None:
        board.put(Slot.WRITER_NS, now_ns)

    return beat


def _header(
    loaded: LoadedProfile, machine: Machine, options: RunOptions, found: RunContext, run_id: str
) -> RunHeader:
    return RunHeader(
        run_id=run_id,
        created_wall_ns=SYSTEM.wall_ns(),
        utc_offset_minutes=utc_offset_minutes(SYSTEM),
        boot_id=machine.boot_id,
        profile_text=loaded.text,
        profile_name=loaded.profile.name,
        profile_sha256=loaded.sha256,
        settings=dict(options.settings),
        facts=machine.facts,
        versions=versions(),
        context=found.as_mapping(),
        partial=bool(options.select),
        owner=Owner.of_this_process(machine.boot_id, options.argv or command_line()),
        cold=options.cold,
    )


def refuse_blind_soak(profile: Profile, plan: Plan, options: RunOptions) -> None:
    """A soak without a temperature needs the operator's word where the profile says so."""
    soaks = any(not step.is_trial for step in plan.steps)
    if not soaks or not profile.safety.require_temperature or options.accept_no_temperature:
        return
    from harness.sensors.catalogue import CatalogueOptions, discover

    catalogue = discover(options.sysfs_root, CatalogueOptions(dict(profile.sampling.roles)))
    roles = {channel.role for channel in catalogue.channels}
    catalogue.close()
    if "cpu_temperature" not in roles:
        raise RefusedStart(
            f"{profile.name} requires a CPU temperature for its soak and this machine gives "
            "none: see `rigproof sensors`, or accept it with --accept-no-temperature"
        )


def measure(part: Part, shop: Workshop) -> Finish:
    """Measure one part and seal the record, whatever happens."""
    finish = Finish(Ending.ERROR, "the harness failed before or after the load")
    try:
        finish = _measure(part, shop)
    finally:
        shop.writer.seal(finish.ending, finish.text)
    return finish


def _measure(part: Part, shop: Workshop) -> Finish:
    writer = shop.writer
    _tell_start(part, shop)
    mp_context = context(part.warm)
    config = sampler_config(part.profile, part.options, part.machine, writer.origin_ns)
    shop.board.put(Slot.PARENT_NS, shop.clock.monotonic_ns())
    readings = Readings()
    sampler = SamplerHandle(mp_context, config, shop.board)
    try:
        with LaneTeam(mp_context, shop.board, shop.scratch) as team:
            axis = TimeAxis(writer.origin_ns, writer.boot.number)
            conductor = Conductor(part.plan, _policy(part), axis)
            tools = Equipment(shop.board, team, sampler, readings, writer, shop.clock)
            runner = Runner(part.plan, conductor, tools, shop.observer, _showing(part))
            _await_sampler(sampler, runner, writer)
            return runner.run()
    finally:
        _say_counts(sampler.stop(), writer)


def _tell_start(part: Part, shop: Workshop) -> None:
    for warning in part.machine.warnings:
        text = f"{warning.text} ({warning.remedy})" if warning.remedy else warning.text
        now = shop.writer.now_seconds()
        event = Event(EventKind.WARNING, now, text, {"name": warning.name})
        shop.writer.put(event)
        shop.observer.stored(event)
    for note in part.options.notes:
        shop.writer.put(note)


def _policy(part: Part) -> Policy:
    more = part.boot < part.profile.boots
    text = (
        f"boot {part.boot} of {part.profile.boots} done: restart, then `rigproof resume`"
        if more
        else "everything planned was done"
    )
    return Policy(
        stop_on_failure=part.profile.on_failure == "stop",
        start_when=part.profile.start_when,
        ending=Ending.AWAITING_BOOT if more else Ending.COMPLETED,
        ending_text=text,
        sabotage=part.options.sabotage,
    )


def _showing(part: Part) -> Showing:
    stop = part.profile.safety.stop_above_celsius
    limits = () if stop is None else (("cpu_temperature", stop),)
    warnings = tuple(warning.text for warning in part.machine.warnings)
    return Showing(part.profile.name, limits, warnings)


def _await_sampler(sampler: SamplerHandle, runner: Runner, writer: RecordWriter) -> None:
    """Hear the sampler until every chip has been read once; a slow chip delays no longer."""
    from harness.sensors.messages import SamplerReady

    deadline = writer.now_seconds() + SAMPLER_START_SECONDS
    while writer.now_seconds() < deadline:
        sampler.connection.poll(0.1)
        for message in sampler.hear():
            runner.take_early(message)
            if isinstance(message, SamplerReady):
                return
        trouble = sampler.trouble(SYSTEM.monotonic_ns())
        if trouble is not None:
            raise BrokenEnvironment(f"the sampler could not start: {trouble.how}")


def _say_counts(last: list[object], writer: RecordWriter) -> None:
    """The sampler's last words: readings under way, events, and how well it kept its times."""
    from dataclasses import asdict

    from harness.record.header import Properties, PropertyKind
    from harness.sensors.messages import SampleBatch, SamplerStopped, SensorEvent

    for message in last:
        match message:
            case SampleBatch(samples):
                writer.put_samples(samples)
            case SensorEvent(event):
                writer.put(event)
            case SamplerStopped(counts):
                values = {"sampler": asdict(counts)}
                writer.put(Properties(PropertyKind.CONTEXT, values))
