"""The whole of a run: look at the machine, plan, measure, seal, judge, report."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from harness.assembly import TimeAxis
from harness.board import Board, Slot
from harness.clock import SYSTEM, Clock
from harness.conductor import Conductor, Policy
from harness.context import RunContext, gather_context
from harness.errors import BrokenEnvironment, RefusedStart, RigproofError
from harness.finishing import Concluded, conclude
from harness.happenings import Finish
from harness.interruption import Signals, signals_heard
from harness.judgement.requalify import apply_requalification
from harness.lanes.team import LaneTeam, context
from harness.observing import Nobody, Observer
from harness.outcome import Ending
from harness.plan import Plan
from harness.record.header import RunHeader
from harness.record.owner import Owner
from harness.record.writer import Heartbeat, RecordWriter, make_folder
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
#: How long the load waits for the first value of a guarded temperature: a program must start first.
FIRST_VALUE_SECONDS = 10.0
#: Soaks of at least this length together are worth waiting for the kernel to tell their errors.
LONG_SOAK_SECONDS = 600.0
#: At most so many channels are named in one sentence.
_MOST_NAMED = 5
_CPU_TEMPERATURE = "cpu_temperature"
#: So many sampling intervals after the begin of the first reading over a limit the load is off.
_OFF_INTERVALS = 2


@dataclass(frozen=True)
class Part:
    """One boot's part of a run, ready to be measured."""

    profile: Profile
    plan: Plan
    machine: Machine
    options: RunOptions
    boot: int
    warm: tuple[str, ...]
    #: What is to be said at the start, by a name: facts that moved since the run was left.
    remarks: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Workshop:
    """Where a part is measured: open record, shared board, scratch folder, who watches.

    `stale_lock` is what there is to say of a lock that another run left behind.
    """

    writer: RecordWriter
    board: Board
    scratch: Path
    observer: Observer
    clock: Clock
    signals: Signals
    stale_lock: str = ""


def run_profile(
    loaded: LoadedProfile,
    options: RunOptions,
    observer: Observer | None = None,
    clock: Clock = SYSTEM,
    *,
    baseline: Sequence[Path] = (),
    one_boot: bool = False,
) -> Concluded:
    """Run `loaded` on this machine; returns the judged run. Raises RigproofError on refusal.

    With a `baseline` (run folders) it is a re-qualification: trials and boots are planned from
    the baseline's own spread, on one boot only where `one_boot` says so.
    """
    from harness.record.listing import new_run_id

    machine = look_at_machine(options)
    found = gather_context(loaded, machine, options, baseline, one_boot=one_boot)
    profile = apply_requalification(loaded.profile, found.as_mapping())
    memory = Memory() if options.recalibrate else found.memory
    plan = plan_run(profile, machine, options, memory=memory)
    refuse_blind_soak(profile, plan, options)
    run_id = new_run_id(clock.wall_ns(), loaded.profile.name)
    header = _header(loaded, machine, options, found, run_id)
    part = Part(profile, plan, machine, options, 1, load_hot(loaded))
    folder = options.runs_dir / run_id

    def begin(heartbeat: Heartbeat) -> RecordWriter:
        return RecordWriter.create(folder, header, clock, heartbeat=heartbeat)

    return carry_out(part, folder, run_id, header.owner, begin, observer or Nobody(), clock)


def carry_out(
    part: Part,
    folder: Path,
    run_id: str,
    owner: Owner,
    begin: Callable[[Heartbeat], RecordWriter],
    observer: Observer,
    clock: Clock,
) -> Concluded:
    """Take the machine for one part, measure it, judge and report.

    `begin` opens the record in `folder`, which is held from before that to the end.

    What the operator signals from here on is heard and leaves a whole record and a whole report.
    Raises RefusedStart when another run is under way or another process holds the folder,
    StorageError, BrokenEnvironment.
    """
    from harness.record.lock import MachineLock

    with (
        MachineLock.acquire(owner, run_id, clock) as lock,
        scratch_folder() as scratch,
        signals_heard() as signals,
    ):
        board = Board.create(scratch / "board", part.plan.lanes)
        with _held(folder):
            writer = begin(writer_beat(board))
            observer.begun(run_id, str(writer.folder))
            shop = Workshop(writer, board, scratch, observer, clock, signals, lock.stale_note)
            try:
                measure(part, shop)
            except (BrokenEnvironment, RefusedStart):
                conclude(writer.folder)  # a build server looks for the report of such a run too
                raise
            return conclude(writer.folder)


@contextmanager
def _held(folder: Path) -> Iterator[None]:
    """Hold a run's folder, made where there is none: who finds the run knows it is not lost."""
    from harness.record.flocks import holding

    make_folder(folder)
    with holding(folder) as is_ours:
        if not is_ours:
            raise RefusedStart(
                f"{folder} is held by another process, which measures or closes that run: wait "
                "until it has ended"
            )
        yield


def writer_beat(board: Board) -> Heartbeat:
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
        context={**found.as_mapping(), "select": options.select},
        partial=bool(options.select),
        owner=Owner.of_this_process(machine.boot_id, options.argv or command_line()),
        cold=options.cold,
    )


def refuse_blind_soak(profile: Profile, plan: Plan, options: RunOptions) -> None:
    """A soak without a temperature needs the operator's word where the profile says so.

    Whether the channels give anything is seen once the sampler reads them, still before the load.
    """
    if not _requires_temperature(profile, plan, options):
        return
    from harness.profile.external import external_commands
    from harness.sensors.catalogue import CatalogueOptions, discover

    sampling = profile.sampling
    wanted = CatalogueOptions(
        dict(sampling.roles), external_commands(sampling), allow_external=options.allow_commands
    )
    catalogue = discover(options.sysfs_root, wanted)
    roles = {channel.role for channel in catalogue.channels}
    catalogue.close()
    if _CPU_TEMPERATURE not in roles:
        raise RefusedStart(
            f"{profile.name} requires a CPU temperature for its soak and this machine gives "
            "none: see `rigproof sensors`, or accept it with --accept-no-temperature"
        )


def _requires_temperature(profile: Profile, plan: Plan, options: RunOptions) -> bool:
    soaks = any(not step.is_trial for step in plan.steps)
    return soaks and profile.safety.require_temperature and not options.accept_no_temperature


def measure(part: Part, shop: Workshop) -> Finish:
    """Measure one part and seal the record, whatever happens."""
    finish = Finish(Ending.ERROR, "the harness failed before or after the load")
    try:
        finish = _measure(part, shop)
    except KeyboardInterrupt:
        finish = Finish(Ending.INTERRUPTED, "the operator ended it by force")
        raise
    except RigproofError as error:
        finish = Finish(Ending.ERROR, str(error))
        raise
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
            tools = Equipment(shop.board, team, sampler, readings, writer, shop.clock, shop.signals)
            runner = Runner(part.plan, conductor, tools, shop.observer, _showing(part))
            _await_sampler(sampler, runner, shop)
            _await_temperature(part, sampler, runner, readings, shop)
            return runner.run()
    finally:
        _say_counts(sampler.stop(), writer)


def _tell_start(part: Part, shop: Workshop) -> None:
    if shop.stale_lock:
        _warn(shop, shop.stale_lock, "stale lock")
    for warning in part.machine.warnings:
        text = f"{warning.text} ({warning.remedy})" if warning.remedy else warning.text
        _warn(shop, text, warning.name)
    for name, text in part.remarks.items():
        _warn(shop, text, name)
    for note in part.options.notes:
        shop.writer.put(note)


def _warn(shop: Workshop, text: str, name: str) -> None:
    event = Event(EventKind.WARNING, shop.writer.now_seconds(), text, {"name": name})
    shop.writer.put(event)
    shop.observer.stored(event)


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
        watch_seconds=_watch_seconds(part),
        limit_seconds=_OFF_INTERVALS * part.profile.sampling.interval_seconds,
        sabotage=part.options.sabotage,
    )


def _watch_seconds(part: Part) -> float:
    """The kernel's polling period for hardware errors, where it tells one, after a long soak."""
    from harness.sensors.hardware_errors import error_poll_seconds

    soaks = sum(leg.seconds or 0.0 for step in part.plan.steps for leg in step.legs)
    if soaks < LONG_SOAK_SECONDS:
        return 0.0
    return error_poll_seconds(part.options.sysfs_root) or 0.0


def _showing(part: Part) -> Showing:
    stop = part.profile.safety.stop_above_celsius
    limits = () if stop is None else (("cpu_temperature", stop),)
    warnings = tuple(warning.text for warning in part.machine.warnings)
    return Showing(part.profile.name, limits, warnings)


def _await_sampler(sampler: SamplerHandle, runner: Runner, shop: Workshop) -> None:
    """Hear the sampler until every chip has been read once; a slow chip delays no longer."""
    writer = shop.writer
    deadline = writer.now_seconds() + SAMPLER_START_SECONDS
    while writer.now_seconds() < deadline and not shop.signals:
        if _hear_early(sampler, runner):
            return
    if not (sampler.has_beaten or shop.signals):
        raise BrokenEnvironment(
            f"the sampler gave no sign of life within {SAMPLER_START_SECONDS:g} s of its start: "
            "a sensor's driver hangs; `rigproof sensors` shows which"
        )


def _hear_early(sampler: SamplerHandle, runner: Runner) -> bool:
    """Hear the sampler for a moment; True once it is ready. Raises BrokenEnvironment."""
    from harness.sensors.messages import SamplerFailed, SamplerReady

    sampler.connection.poll(0.1)
    ready = False
    for message in sampler.hear():
        if isinstance(message, SamplerFailed):
            raise BrokenEnvironment(f"the sampler could not start: {message.text}")
        runner.take_early(message)
        ready = ready or isinstance(message, SamplerReady)
    trouble = sampler.trouble(SYSTEM.monotonic_ns())
    if trouble is not None:
        raise BrokenEnvironment(f"the sampler could not start: {trouble.how}")
    return ready


def _await_temperature(
    part: Part, sampler: SamplerHandle, runner: Runner, readings: Readings, shop: Workshop
) -> None:
    """See a usable value of a guarded temperature before the load, or refuse or say its lack.

    Of the CPU's where the profile requires that one. Raises RefusedStart.
    """
    required = _requires_temperature(part.profile, part.plan, part.options)
    keys = _temperatures_to_see(readings, required)
    writer = shop.writer
    deadline = writer.now_seconds() + FIRST_VALUE_SECONDS
    while keys and not _gives(keys, readings) and not shop.signals:
        if writer.now_seconds() >= deadline:
            break
        _hear_early(sampler, runner)
    if shop.signals or _gives(keys, readings):
        return
    names = ", ".join(sorted(readings.channels[key].name for key in keys)[:_MOST_NAMED])
    if required:
        raise RefusedStart(
            f"{part.profile.name} requires a CPU temperature for its soak and {names or 'none'} "
            f"gave a usable value within {FIRST_VALUE_SECONDS:g} s: see `rigproof sensors`, or "
            "accept it with --accept-no-temperature"
        )
    _warn(shop, _unguarded(names, part), "unguarded")


def _temperatures_to_see(readings: Readings, of_cpu: bool) -> set[str]:
    """Keys of the guarded temperatures; of the CPU's alone where that is what is required.

    A profile may require a CPU temperature and set no limit to it: then any of them will do.
    """
    temperatures = {key for key, it in readings.channels.items() if it.unit == "°C"}
    if not of_cpu:
        return temperatures & set(readings.guarded)
    cpu = {key for key in temperatures if readings.channels[key].role == _CPU_TEMPERATURE}
    return cpu & set(readings.guarded) or cpu


def _gives(keys: set[str], readings: Readings) -> bool:
    return not keys.isdisjoint(readings.by_key_and_role())


def _unguarded(names: str, part: Part) -> str:
    if not names:
        return "no temperature is guarded here: nothing would stop the load, so watch it"
    text = f"no guarded temperature gives a usable value ({names}): "
    if part.options.accept_no_temperature:
        return text + "nothing would stop the load, so watch it"
    return text + "the load will be stopped unless one comes; see `rigproof sensors`"


def _say_counts(last: list[object], writer: RecordWriter) -> None:
    """The sampler's last words: readings under way, events, and how well it kept its times."""
    from dataclasses import asdict

    from harness.record.header import Properties, PropertyKind
    from harness.sensors.messages import GuardTripped, SampleBatch, SamplerStopped, SensorEvent

    for message in last:
        match message:
            case GuardTripped(stop):
                writer.put(stop)
            case SampleBatch(sweeps):
                writer.put_sweeps(sweeps)
            case SensorEvent(event):
                writer.put(event)
            case SamplerStopped(counts):
                values = {"sampler": asdict(counts)}
                writer.put(Properties(PropertyKind.CONTEXT, values))
