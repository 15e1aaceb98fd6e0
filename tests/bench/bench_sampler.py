"""The sampler's figures: ``python tests/bench/bench_sampler.py [--seconds N] [--crossings N]``.

* cost: 100 channels of eight chips at 10 Hz, CPU time of the sampler's process by its own clock; as
  drivers that repeat cached values give them, and with every value changing once a second and one
  chip guarded, as under a load;
* parent: CPU time of the run's own process for the same changing readings, by the clocks of the
  threads that receive and look them up, and that pack, write and commit them; with the sampler's
  beside it, which is what sampling costs in all;
* lateness: how late sweeps begin while every core is saturated;
* effect: what sampling takes from a verified load beside its own CPU time (caches, clock), on
  against off in turn; the sampler is stopped and continued by signal, so that nothing else changes;
* hung chip: how late the other chips are read while one hangs;
* reaction: simulated crossings with a clock that moves only when told, in sampling intervals.

The machine's neighbours fall on all of these; the file prints the load average beside them. Files
in memory stand for sensors: real ones cost what their drivers cost.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import shutil
import signal
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from threadpoolctl import threadpool_limits

from harness.board import Board, LaneState
from harness.clock import NS_PER_SECOND, SYSTEM, ManualClock, thread_cpu_ns
from harness.outcome import Ending
from harness.record.writer import RecordWriter
from harness.results import Channel
from harness.sensors.catalogue import discover
from harness.sensors.contract import Chip, Reading
from harness.sensors.guard import GuardLimit
from harness.sensors.messages import (
    ChannelsFound,
    SampleBatch,
    SamplerCounts,
    SamplerReady,
    SamplerStopped,
    StopSampling,
)
from harness.sensors.sampler import Sampler, SamplerConfig, sampler_main
from harness.watchers import Readings
from tests.bench.bench_record import begin
from tests.sensors.fakes import FakeBoard, FakeChip, catalogue_of
from tests.simulated_rig import RigModel, make_rig
from tests.sysfs_trees import Tree
from workloads import registry
from workloads.contract import Task

COST_AIM_PERCENT = 0.5
LATE_AIM_SECONDS = 0.020
EFFECT_AIM_PERCENT = 0.3
REACTION_AIM_INTERVALS = 2.0
CHIPS, VALUES, RATE_HZ = 8, 12, 10.0
#: Threads of this process, by name: ours that receives, the record's own that writes.
TAKER, WRITER = "taker", "record writer"
EFFECT_LOAD, BLOCK_SECONDS = "matmul-fp64", 0.5
_HANGS_AT_SECONDS = 1.5


def hundred_channels(root: Path) -> None:
    """Eight chips of twelve temperatures, and the machine's load and memory."""
    tree = Tree(root)
    for chip in range(CHIPS):
        values = {f"temp{it}_input": 40_000 + 100 * it for it in range(1, VALUES + 1)}
        tree.hwmon(chip, f"platform/chip.{chip}", "chip", values)
    tree.memory(1 << 20, 1 << 19)
    tree.stat()
    for resource in ("cpu", "io"):
        line = "avg10=0.00 avg60=0.00 avg300=0.00 total=5"
        tree.write(f"proc/pressure/{resource}", f"some {line}\nfull {line}")


def _nothing(message: object) -> None:
    """Nobody asks for the readings."""


@dataclass
class Running:
    """A sampler process with a thread that takes its messages."""

    process: BaseProcess
    connection: Connection
    ready: threading.Event
    hear: Callable[[object], None] = _nothing
    counts: SamplerCounts | None = None

    def cpu_seconds(self) -> float:
        """CPU time of the process so far, by its own clock (clock_getcpuclockid(3))."""
        return time.clock_gettime(((~(self.process.pid or 0)) << 3) | 2)

    def take(self) -> None:
        """Receive until the end, as a run does."""
        while True:
            try:
                message = self.connection.recv()
            except (EOFError, OSError):
                return
            self.hear(message)
            if isinstance(message, SamplerReady):
                self.ready.set()
            elif isinstance(message, SamplerStopped):
                self.counts = message.counts
                return


@contextmanager
def sampling(
    folder: Path, guarded: bool = False, hear: Callable[[object], None] = _nothing
) -> Iterator[Running]:
    """A sampler over a hundred channels while the block runs; `guarded`: one has a limit.

    `hear` gets its messages, in the thread that receives them.
    """
    root = folder / "root"
    hundred_channels(root)
    board = Board.create(folder / "board", 1)
    context = multiprocessing.get_context("forkserver")
    ours, theirs = context.Pipe()
    config = SamplerConfig(
        str(root),
        1 / RATE_HZ,
        SYSTEM.monotonic_ns(),
        limits=(GuardLimit("stop", "cpu_temperature", "°C", above=95.0),) if guarded else (),
        role_overrides=(("chip temp1", "cpu_temperature"),) if guarded else (),
    )
    process = context.Process(
        target=sampler_main, args=(config, str(board.path), theirs), daemon=True
    )
    process.start()
    theirs.close()
    running = Running(process, ours, threading.Event(), hear)
    taker = threading.Thread(target=running.take, name=TAKER, daemon=True)
    taker.start()
    if not running.ready.wait(30):
        raise SystemExit("the sampler did not start")
    SYSTEM.sleep(1.0)  # chips that have proven quick come together
    try:
        yield running
    finally:
        os.kill(process.pid or 0, signal.SIGCONT)
        ours.send(StopSampling())
        taker.join(10)
        process.join(5)
        process.kill()
        board.close()


def spin_for_ever(cpu: int) -> None:
    """A load that ends with its parent's `kill`."""
    os.sched_setaffinity(0, {cpu})
    while True:
        sum(range(400))


def allowed() -> list[int]:
    """The cores this process may use."""
    return sorted(os.sched_getaffinity(0))


@contextmanager
def saturated(cpus: Sequence[int]) -> Iterator[None]:
    """A busy process on each of these cores while the block runs."""
    context = multiprocessing.get_context("forkserver")
    burners = [context.Process(target=spin_for_ever, args=(cpu,), daemon=True) for cpu in cpus]
    for burner in burners:
        burner.start()
    try:
        yield
    finally:
        for burner in burners:
            burner.kill()


@contextmanager
def changing(root: Path) -> Iterator[None]:
    """Every value becomes another once a second while the block runs."""
    files = [it.open("r+b", buffering=0) for it in sorted(root.glob("sys/class/hwmon/*/temp*"))]
    ended = threading.Event()

    def change() -> None:
        turn = 0
        while not ended.wait(1.0):
            turn += 1
            for place, file in enumerate(files):
                os.pwrite(file.fileno(), b"%d\n" % (40_000 + (100 * place + turn) % 9_000), 0)

    thread = threading.Thread(target=change, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()
        for file in files:
            file.close()


def cost(folder: Path, seconds: float) -> None:
    """CPU time of sampling with unchanged values.

    A core that wakes from idleness for each sweep is slower than one that a load keeps awake: on
    a machine left alone the figure is larger.
    """
    with sampling(folder) as running:
        _cost("cost", running, seconds)


def loaded_cost(folder: Path, seconds: float) -> None:
    """The same beside a load on every core, which is when sampling takes time from somebody."""
    with saturated(allowed()), sampling(folder) as running:
        _cost("loaded cost", running, seconds)


def live_cost(folder: Path, seconds: float) -> None:
    """The same with changing values and a guarded chip, which has a thread of its own."""
    with sampling(folder, guarded=True) as running, changing(folder / "root"):
        _cost("live cost", running, seconds)


def _cost(what: str, running: Running, seconds: float) -> None:
    began, began_ns = running.cpu_seconds(), SYSTEM.monotonic_ns()
    SYSTEM.sleep(seconds)
    used = running.cpu_seconds() - began
    elapsed = (SYSTEM.monotonic_ns() - began_ns) / NS_PER_SECOND
    say(what, f"{100 * used / elapsed:.3f} % of one core for {CHIPS * VALUES + 6} channels at "
        f"{RATE_HZ:g} Hz over {elapsed:.0f} s; aim at most {COST_AIM_PERCENT} %")  # fmt: skip


@dataclass
class Parent:
    """What a run does with the sampler's messages, lanes and people left out."""

    writer: RecordWriter
    readings: Readings

    def hear(self, message: object) -> None:
        """As the runner does; the look-ups of its ticks and of the live view are made here, too."""
        if isinstance(message, ChannelsFound):
            self.readings.found(message)
            for channel in message.channels:
                self.writer.put(channel)
        elif isinstance(message, SampleBatch):
            self.readings.take(message.sweeps)
            self.writer.put_sweeps(message.sweeps)
            self.readings.by_key_and_role()
            dict(self.readings.highest)
            self.readings.lost()


def parent(folder: Path, seconds: float) -> None:
    """CPU time of the run's own process for changing values, and of both processes together."""
    writer = begin(folder / "run", SYSTEM)
    hear = Parent(writer, Readings()).hear
    with sampling(folder, guarded=True, hear=hear) as running, changing(folder / "root"):
        before = (_thread_seconds(TAKER), _thread_seconds(WRITER), running.cpu_seconds())
        began_ns = SYSTEM.monotonic_ns()
        SYSTEM.sleep(seconds)
        after = (_thread_seconds(TAKER), _thread_seconds(WRITER), running.cpu_seconds())
        elapsed = (SYSTEM.monotonic_ns() - began_ns) / NS_PER_SECOND
    writer.seal(Ending.COMPLETED, "")
    took, wrote, sampled = (100 * (b - a) / elapsed for a, b in zip(before, after, strict=True))
    say("parent", f"{took + wrote:.3f} % of one core ({took:.3f} % to receive and look up, "
        f"{wrote:.3f} % to pack and commit) beside {sampled:.3f} % of the sampler: "
        f"{took + wrote + sampled:.3f} % in all; aim at most {COST_AIM_PERCENT} %")  # fmt: skip


def _thread_seconds(name: str) -> float:
    """CPU time of one thread of this process (pthread_getcpuclockid(3))."""
    (ident,) = [it.ident for it in threading.enumerate() if it.name == name]
    return time.clock_gettime(time.pthread_getcpuclockid(ident or 0))


def lateness(folder: Path, seconds: float) -> None:
    """How late sweeps begin with a busy process on every core."""
    cores = allowed()
    with saturated(cores), sampling(folder) as running:
        SYSTEM.sleep(seconds)
    counts = running.counts
    if counts is None or counts.late_p99_seconds is None or counts.late_max_seconds is None:
        say("lateness", "not measured: the sampler did not take leave")
        return
    say("lateness", f"p99 {1e3 * counts.late_p99_seconds:.1f} ms, largest "
        f"{1e3 * counts.late_max_seconds:.1f} ms over {counts.sweeps} sweeps and {counts.missed} "
        f"missed deadlines with {len(cores)} cores saturated; "
        f"aim p99 at most {1e3 * LATE_AIM_SECONDS:.0f} ms")  # fmt: skip


def effect(folder: Path, seconds: float) -> None:
    """What sampling takes from a verified load, in pairs whose order alternates; every core busy.

    Passes per second of the load's own CPU time: neighbours that take the core away do not count,
    and neither does the sampler's CPU time, which is added as measured: spread over all cores it
    is what the machine's throughput loses beside.
    """
    workload = registry.load(EFFECT_LOAD)
    cpus = allowed()
    with threadpool_limits(1), saturated(cpus[1:]), sampling(folder) as running:
        os.sched_setaffinity(0, cpus[:1])
        task = workload.prepare(workload.complete({}), 1)
        before, began_ns = running.cpu_seconds(), SYSTEM.monotonic_ns()
        loss = [
            _loss(running, task, sampled_first=bool(pair % 2))
            for pair in range(max(int(seconds / (2 * BLOCK_SECONDS)), 8))
        ]
        elapsed = (SYSTEM.monotonic_ns() - began_ns) / NS_PER_SECOND
        # It ran for half of the time.
        own = 100 * 2 * (running.cpu_seconds() - before) / elapsed / len(cpus)
        os.sched_setaffinity(0, cpus)
    middle = statistics.median(loss)
    spread = 1.2533 * statistics.stdev(loss) / len(loss) ** 0.5  # of a median, normal theory
    say("effect", f"{EFFECT_LOAD} loses {middle:+.2f} % of its speed while it runs (median of "
        f"{len(loss)} pairs, standard error {spread:.2f} %) and {own:.2f} % of {len(cpus)} cores' "
        f"time: {middle + own:.2f} % in all; aim at most {EFFECT_AIM_PERCENT} %")  # fmt: skip


def _loss(running: Running, task: Task, sampled_first: bool) -> float:
    """Percent of speed lost in one pair of blocks."""
    order = (True, False) if sampled_first else (False, True)
    speed = {on: _block(running, task, on) for on in order}
    return 100 * (1 - speed[True] / speed[False])


def _block(running: Running, task: Task, on: bool) -> float:
    """Passes per second of CPU time with the sampler running or stopped."""
    os.kill(running.process.pid or 0, signal.SIGCONT if on else signal.SIGSTOP)
    end_ns = SYSTEM.monotonic_ns() + round(BLOCK_SECONDS * NS_PER_SECOND)
    passes, began_ns = 0, thread_cpu_ns()
    while SYSTEM.monotonic_ns() < end_ns:
        task.execute()
        task.digest()
        passes += 1
    return passes * NS_PER_SECOND / (thread_cpu_ns() - began_ns)


def hung_chip(seconds: float) -> None:
    """Lateness of nine chips while the tenth hangs in every read."""
    release = threading.Event()

    def hang(now: float) -> float:
        if now > _HANGS_AT_SECONDS:
            release.wait(60)
        return 40.0

    channels = [Channel(f"c{it}", f"c{it}", "°C", "bench") for it in range(10)]
    chips = [FakeChip(lambda now: 40.0, channels=(it,)) for it in channels[:9]]
    chips.append(FakeChip(hang, channels=(channels[9],)))
    config = SamplerConfig("/", 1 / RATE_HZ, SYSTEM.monotonic_ns())
    sampler = Sampler(config, catalogue_of(*chips), FakeBoard(), lambda message: True)
    sampler.begin()
    end_ns = SYSTEM.monotonic_ns() + round(seconds * NS_PER_SECOND)
    while SYSTEM.monotonic_ns() < end_ns:
        sampler.turn()
        SYSTEM.sleep(sampler.seconds_to_turn())
    release.set()
    sampler.end("done", 0)
    gaps = [
        after - before
        for chip in chips[:9]
        for before, after in pairwise(chip.reads)
        if after > _HANGS_AT_SECONDS
    ]
    say("hung chip", f"largest gap between two reads of the nine others {1e3 * max(gaps):.0f} ms "
        f"at an interval of {1e3 / RATE_HZ:.0f} ms, while the tenth hung")  # fmt: skip


def reaction(folder: Path, crossings: int) -> None:
    """Crossings of different speed, on chips whose reads take up to 0.9 of an interval."""
    chance = random.Random(1)
    limit = GuardLimit("stop", "cpu_temperature", "°C", above=80.0)
    longest, missed = 0.0, 0
    for number in range(crossings):
        root = folder / f"rig-{number % 4}"
        shutil.rmtree(root, ignore_errors=True)
        model = RigModel(
            time_constant_seconds=chance.uniform(1.0, 60.0),
            full_watts=chance.uniform(160.0, 300.0),
            ambient_celsius=chance.uniform(10.0, 40.0),
            throttle_celsius=500.0,
        )
        interval, read_share = chance.choice((0.1, 0.5, 1.0)), chance.uniform(0.0, 0.9)
        taken = _one_crossing(root, model, limit, interval, read_share)
        missed += taken is None
        longest = max(longest, taken or 0.0)
    say("reaction", f"longest {longest:.2f} intervals in {crossings - missed} simulated crossings, "
        f"{missed} missed; aim at most {REACTION_AIM_INTERVALS:g}")  # fmt: skip


def _one_crossing(
    root: Path, model: RigModel, limit: GuardLimit, interval: float, read_share: float
) -> float | None:
    """Intervals from the begin of the first reading over the limit to the raised flag.

    Each read takes `read_share` of an interval. None when the flag stays down.
    """
    rig, clock = make_rig(root, model), ManualClock()
    board = FakeBoard(state=LaneState.WORKING)
    messages: list[object] = []
    config = SamplerConfig(str(root), interval, clock.monotonic_ns(), limits=(limit,))

    def send(message: object) -> bool:
        messages.append(message)
        return True

    sampler = Sampler(config, discover(root), board, send, clock)
    guarded = [it for it in sampler.workers if it.is_guarded]
    for worker in guarded:
        worker.chip = Slow(worker.chip, clock, read_share * interval)
    while rig.seconds < 600.0:
        rig.advance(1.0, interval)
        clock.advance(interval)
        for worker in guarded:
            began_ns = clock.monotonic_ns()
            over = round(rig.board.model.die_celsius, 3) > 80.0
            worker.step(began_ns)
            if over:
                _go_on(sampler, clock)
                tripped = [at_ns for _, at_ns in board.tripped]
                return (tripped[0] - began_ns) / NS_PER_SECOND / interval if tripped else None
    return None


def _go_on(sampler: Sampler, clock: ManualClock) -> None:
    """The loop turns until it stops waiting for a fresh value, none of which comes."""
    while sampler.guard.awaits:
        clock.advance(sampler.seconds_to_turn())
        sampler.turn()


@dataclass
class Slow:
    """A chip whose every read takes a while, on the clock that moves only when told."""

    chip: Chip
    clock: ManualClock
    seconds: float

    def __getattr__(self, name: str) -> Any:
        return getattr(self.chip, name)

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """The chip's readings, some time later."""
        readings = self.chip.read(now_seconds)
        self.clock.advance(self.seconds)
        return readings


def say(what: str, text: str) -> None:
    """One line."""
    print(f"{what}: {text} (load average {os.getloadavg()[0]:.1f})", flush=True)


def main() -> None:
    """Measure everything and print one line each."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=15.0, help="time for each figure")
    parser.add_argument("--effect-seconds", type=float, help="time for that figure, else the same")
    parser.add_argument("--crossings", type=int, default=1_000)
    given = parser.parse_args()
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
        folder = Path(name)
        for measure in (cost, loaded_cost, live_cost, parent, lateness, effect):
            place = folder / measure.__name__
            place.mkdir()
            longer = measure is effect and given.effect_seconds is not None
            measure(place, given.effect_seconds if longer else given.seconds)
        hung_chip(min(given.seconds, 5.0))
        reaction(folder, given.crossings)


if __name__ == "__main__":
    main()
