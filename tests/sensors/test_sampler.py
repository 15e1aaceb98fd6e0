"""The sampler's loop, in this process with a clock that stands still; and as a real process."""

from __future__ import annotations

import multiprocessing
import pickle
import select
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from harness.board import Board, LaneState, Slot, StopReason
from harness.clock import NS_PER_SECOND, SYSTEM, ManualClock
from harness.results import Channel, EventKind, Sample
from harness.sensors.alarm import Alarm
from harness.sensors.catalogue import Catalogue
from harness.sensors.contract import Reading
from harness.sensors.guard import GuardLimit
from harness.sensors.messages import (
    ChannelsFound,
    GuardTripped,
    SampleBatch,
    SamplerFailed,
    SamplerReady,
    SamplerStopped,
    SensorEvent,
    StopSampling,
)
from harness.sensors.sampler import Sampler, SamplerConfig, sampler_main
from tests.sensors.fakes import FakeBoard, FakeChip, TellingFake, catalogue_of
from tests.sysfs_trees import Tree, desktop_b

HOT = GuardLimit("stop", "cpu_temperature", "°C", above=95.0, whose="maker")
COUNTER = Channel("c", "core 0 throttled", "count", "throttle", "throttle_count", counter=True)


class Loop:
    """A sampler whose chips are stepped by hand."""

    def __init__(
        self, *chips: FakeChip, limits: tuple[GuardLimit, ...] = (), interval: float = 0.5
    ) -> None:
        self.clock = ManualClock()
        self.board = FakeBoard()
        self.messages: list[object] = []
        self.catalogue: Catalogue = catalogue_of(*chips)
        config = SamplerConfig("/", interval, self.clock.monotonic_ns(), limits=limits)
        self.sampler = Sampler(config, self.catalogue, self.board, self._send, self.clock)

    def _send(self, message: object) -> bool:
        self.messages.append(pickle.loads(pickle.dumps(message)))  # noqa: S301 - as the pipe does
        return True

    def turn(self, dropped: int = 0) -> None:
        """Every chip is read, then the loop turns, then half a second passes."""
        for worker in self.sampler.workers:
            worker.step(self.clock.monotonic_ns())
        self.sampler.turn(dropped)
        self.clock.advance(0.5)

    def of(self, kind: type) -> list[object]:
        return [it for it in self.messages if isinstance(it, kind)]

    @property
    def samples(self) -> list[Sample]:
        return [
            sample for it in self.messages if isinstance(it, SampleBatch) for sample in it.samples
        ]

    @property
    def events(self) -> list[tuple[EventKind, str]]:
        return [
            (it.event.kind, it.event.text) for it in self.messages if isinstance(it, SensorEvent)
        ]


def test_each_turn_hands_over_what_was_read_and_beats_on_the_board() -> None:
    loop = Loop(FakeChip(lambda now: 40.0 + now))
    loop.turn()
    loop.turn()
    assert [(it.at_seconds, it.value) for it in loop.samples] == [(0.0, 40.0), (0.5, 40.5)]
    assert len(loop.board.beats) == 2
    assert len(loop.of(SamplerReady)) == 1


def test_a_crossing_raises_the_flag_before_anything_is_sent() -> None:
    loop = Loop(FakeChip(lambda now: 97.0), limits=(HOT,))
    loop.sampler.workers[0].step(loop.clock.monotonic_ns())
    assert [reason for reason, _ in loop.board.tripped] == [StopReason.LIMIT]
    (tripped,) = loop.of(GuardTripped)
    assert isinstance(tripped, GuardTripped)
    assert tripped.stop.whose == "maker"


def test_a_counter_that_rises_under_load_is_an_event_with_the_load() -> None:
    chip = FakeChip(lambda now: 3.0 if now < 0.4 else 5.0, channels=(COUNTER,))
    loop = Loop(chip)
    loop.board.state, loop.board.load = LaneState.WORKING, 7
    loop.turn()
    loop.turn()
    (event,) = [it.event for it in loop.messages if isinstance(it, SensorEvent)]
    assert event.kind is EventKind.THROTTLED
    assert event.data["loads"] == [7]
    assert event.data["total"] == 2.0


def test_a_telling_chip_is_heard_once() -> None:
    loop = Loop(TellingFake(lambda now: now, channels=(COUNTER,)))
    loop.turn()
    assert loop.events == [(EventKind.THROTTLED, "told")]


def test_a_channel_that_vanishes_is_told_and_its_gap_is_in_the_samples() -> None:
    loop = Loop(FakeChip(lambda now: 40.0 if now < 0.4 else None))
    for _ in range(5):
        loop.turn()
    assert [kind for kind, _ in loop.events] == [EventKind.CHANNEL_LOST]
    assert [it.value for it in loop.samples] == [40.0, None, None, None, None]
    assert loop.samples[-1].reason == "gone"


def test_a_chip_that_hangs_is_reported_as_silent_and_delays_no_other() -> None:
    fast = Channel("fast", "fast", "°C", "test")
    loop = Loop(FakeChip(lambda now: 1.0), FakeChip(lambda now: 2.0, channels=(fast,)))
    hung, other = loop.sampler.workers
    hung.busy_since_ns = loop.clock.monotonic_ns()
    for _ in range(8):
        other.step(loop.clock.monotonic_ns())
        loop.sampler.turn()
        loop.clock.advance(0.5)
    silent = [it for it in loop.samples if it.channel == "die"]
    assert len([it for it in loop.samples if it.channel == "fast"]) == 8
    assert [it.value for it in silent] == [None, None, None]
    assert silent[0].reason == "no answer from the driver since 0.0 s"
    assert len(loop.of(SamplerReady)) == 1


def test_a_hung_chip_that_comes_back_with_the_same_readings_is_told_back() -> None:
    """A chip whose values stand still gives the very same list again."""
    chip = FakeChip(lambda now: 1200.0)
    same = chip.read(0.0)
    chip.read = lambda now_seconds: same  # type: ignore[method-assign]
    loop = Loop(chip)
    loop.turn()
    (worker,) = loop.sampler.workers
    worker.busy_since_ns = loop.clock.monotonic_ns()
    for _ in range(12):
        loop.sampler.turn()
        loop.clock.advance(0.5)
    worker.busy_since_ns = None
    loop.turn()
    assert [kind for kind, _ in loop.events] == [EventKind.CHANNEL_LOST, EventKind.CHANNEL_BACK]


def test_dropped_samples_are_said_once_for_each_further_loss() -> None:
    loop = Loop(FakeChip(lambda now: 1.0))
    for dropped in (0, 5, 5, 8):
        loop.turn(dropped)
    assert [text.split(" ", 1)[0] for _, text in loop.events] == ["5", "3"]


def test_a_bug_in_a_source_is_told_once() -> None:
    def fail(now: float) -> float:
        raise ValueError("oops")

    loop = Loop(FakeChip(fail))
    loop.turn()
    loop.turn()
    assert [kind for kind, _ in loop.events] == [EventKind.WARNING]


def test_a_standing_fan_is_only_judged_under_load() -> None:
    fan = Channel("fan", "fan1", "RPM", "test", role="fan_speed")
    limit = GuardLimit("fan", "fan_speed", "RPM", below=300.0, grace_seconds=2.0)
    loop = Loop(FakeChip(lambda now: 0.0, channels=(fan,)), limits=(limit,))
    for _ in range(10):
        loop.turn()
    assert loop.board.tripped == []
    loop.board.state = LaneState.WORKING
    for _ in range(6):
        loop.turn()
    assert len(loop.board.tripped) == 1


def test_a_standing_fan_is_judged_under_a_load_that_pauses_at_every_look() -> None:
    fan = Channel("fan", "fan1", "RPM", "test", role="fan_speed")
    limit = GuardLimit("fan", "fan_speed", "RPM", below=300.0, grace_seconds=15.0)
    loop = Loop(FakeChip(lambda now: 0.0, channels=(fan,)), limits=(limit,))
    for step in range(60):
        loop.board.state = LaneState.WORKING if step % 4 == 0 else LaneState.PAUSED
        loop.turn()
    assert len(loop.board.tripped) == 1


def test_a_counter_that_never_stops_rising_is_told_to_the_last_within_bounds() -> None:
    loop = Loop(FakeChip(lambda now: 10.0 * now, channels=(COUNTER,)))
    for _ in range(1_001):
        loop.turn()
    loop.sampler.end("done", 0)
    events = [it.event for it in loop.messages if isinstance(it, SensorEvent)]
    assert len(events) == 20 + 8 + 1, "20 rises, one summary a minute, and the rest"
    assert sum(it.data["increase"] for it in events) == 5_000.0
    assert all("loads" in it.data for it in events)


def test_a_stall_shows_in_the_missed_deadlines_and_in_the_lateness() -> None:
    loop = Loop(FakeChip(lambda now: 40.0))
    worker = loop.sampler.workers[0]
    for pause in [0.5] * 50 + [30.0] + [0.5] * 50:
        worker.turn()
        loop.sampler.turn()
        loop.clock.advance(pause)
    counts = loop.sampler.counts(0)
    assert counts.missed == 59
    assert counts.late_p99_seconds == counts.late_max_seconds == pytest.approx(29.5)


def test_the_counts_say_what_was_done() -> None:
    loop = Loop(FakeChip(lambda now: 40.0 if now < 0.4 else None))
    for _ in range(3):
        loop.turn()
    loop.sampler.end("asked to stop", 4)
    (stopped,) = loop.of(SamplerStopped)
    assert isinstance(stopped, SamplerStopped)
    counts = stopped.counts
    assert (counts.sweeps, counts.samples, counts.missing, counts.dropped) == (3, 3, 2, 4)
    assert counts.late_p99_seconds == 0.0


# --- as a process -------------------------------------------------------------------------------


class Running:
    """A sampler process over a tree, and what it said."""

    def __init__(self, root: Path, folder: Path, **options: object) -> None:
        context = multiprocessing.get_context("forkserver")
        self.board = Board.create(folder / "board", 1)
        self.connection, theirs = context.Pipe()
        config = SamplerConfig(
            str(root),
            0.05,
            SYSTEM.monotonic_ns(),
            **options,  # type: ignore[arg-type]
        )
        self.process = context.Process(
            target=sampler_main, args=(config, str(self.board.path), theirs), daemon=True
        )
        self.process.start()
        theirs.close()

    def until(self, kind: type, seconds: float = 20.0) -> list[object]:
        """All messages up to the first of a kind."""
        heard: list[object] = []
        while not heard or not isinstance(heard[-1], kind):
            assert self.connection.poll(seconds), f"no {kind.__name__}, only {heard[-3:]}"
            heard.append(self.connection.recv())
        return heard

    def close(self) -> None:
        self.connection.close()
        self.process.join(10)
        if self.process.is_alive():
            self.process.kill()
        self.board.close()


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return desktop_b(tmp_path / "root")


@pytest.fixture
def running(tree: Tree, tmp_path: Path) -> Iterator[Running]:
    it = Running(tree.root, tmp_path, limits=(HOT,))
    yield it
    it.close()


def test_a_process_tells_channels_then_samples_then_stops_when_asked(running: Running) -> None:
    heard = running.until(SamplerReady)
    found = heard[0]
    assert isinstance(found, ChannelsFound)
    assert {it.role for it in found.channels if it.key in found.guarded} == {"cpu_temperature"}
    assert len(found.guarded) == 10
    keys = {it.key for it in found.channels if not it.absent_reason}
    running.until(SampleBatch)
    running.connection.send(StopSampling())
    last = running.until(SamplerStopped)[-1]
    assert isinstance(last, SamplerStopped)
    assert last.reason == "asked to stop"
    assert last.counts.samples >= len(keys)
    running.process.join(10)
    assert running.process.exitcode == 0
    assert running.board.get(Slot.SAMPLER_NS) > 0


def test_a_process_trips_the_board_by_itself_when_a_file_shows_heat(
    running: Running, tree: Tree
) -> None:
    running.until(SamplerReady)
    assert running.board.stop is StopReason.NONE
    folder = tree.root / "sys/devices/platform/coretemp.0/hwmon/hwmon0/temp1_input"
    with folder.open("r+b") as file:
        file.write(b"97000\n")
    tripped = running.until(GuardTripped)[-1]
    assert isinstance(tripped, GuardTripped)
    assert running.board.stop is StopReason.LIMIT
    assert (tripped.stop.channel, tripped.stop.value) == ("coretemp Package id 0", 97.0)


def test_a_process_ends_when_the_run_has_gone(running: Running) -> None:
    running.until(SamplerReady)
    running.connection.close()
    running.process.join(10)
    assert running.process.exitcode == 0


def test_a_role_that_does_not_exist_is_said_instead_of_sampling(tmp_path: Path, tree: Tree) -> None:
    it = Running(tree.root, tmp_path, role_overrides=(("it8689 temp1", "cpu_temprature"),))
    try:
        failed = it.until(SamplerFailed)[-1]
    finally:
        it.close()
    assert isinstance(failed, SamplerFailed)
    assert "did you mean 'cpu_temperature'" in failed.text
    assert failed.traceback == ""


def test_a_starved_reader_does_not_delay_the_stop(tree: Tree, tmp_path: Path) -> None:
    """The main thread of this test is the starved parent: it reads nothing until the stop is up."""
    it = Running(tree.root, tmp_path, limits=(HOT,))
    try:
        it.until(SamplerReady)
        path = tree.root / "sys/devices/platform/coretemp.0/hwmon/hwmon0/temp1_input"
        with path.open("r+b") as file:
            file.write(b"98000\n")
        _wait_for(lambda: it.board.stop is StopReason.LIMIT)
        it.until(GuardTripped)
    finally:
        it.close()


def _wait_for(condition: object, seconds: float = 20.0) -> None:
    assert callable(condition)
    deadline_ns = SYSTEM.monotonic_ns() + round(seconds * NS_PER_SECOND)
    while not condition():
        assert SYSTEM.monotonic_ns() < deadline_ns
        SYSTEM.sleep(0.01)


def test_the_sampler_loads_no_heavy_library_when_the_probe_is_off() -> None:
    import subprocess
    import sys

    code = (
        "import sys, harness.sensors.sampler, harness.sensors.catalogue as c\n"
        "from pathlib import Path\n"
        "c.discover(Path('/proc/self'), c.CatalogueOptions())\n"
        "print(sorted({'numba', 'numpy', 'scipy', 'llvmlite', 'pydantic'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("interval", [0.02, 0.1, 0.5, 10.0])
def test_without_an_alarm_the_loop_turns_soon_after_each_deadline_and_twice_a_second(
    interval: float,
) -> None:
    loop = Loop(FakeChip(lambda now: 1.0), interval=interval)
    began, turns = loop.clock.monotonic_ns(), []
    while loop.clock.monotonic_ns() - began < 3 * NS_PER_SECOND:
        loop.sampler.turn()
        loop.clock.advance(loop.sampler.seconds_to_turn())
        turns.append((loop.clock.monotonic_ns() - began) / NS_PER_SECOND)
    gaps = [after - before for before, after in pairwise(turns)]
    assert 0 < min(gaps) <= max(gaps) <= 0.4
    deadlines = [number * interval for number in range(1, int(2.9 / interval))]
    assert all(any(0 < turn - due < 0.032 for turn in turns) for due in deadlines)


@pytest.mark.parametrize("interval", [0.1, 0.5, 1.0])
def test_a_second_reading_that_hangs_stops_the_load_within_two_intervals(interval: float) -> None:
    """The chip's thread is stuck in the driver: the loop alone must see it."""
    loop = Loop(FakeChip(lambda now: 40.0), limits=(HOT,), interval=interval)
    loop.turn()
    over_ns = loop.clock.monotonic_ns()
    assert loop.sampler.desk.observe([Reading("die", 97.0)], 0.5, began_seconds=0.4)
    while not loop.board.tripped:
        loop.clock.advance(loop.sampler.seconds_to_turn())
        loop.sampler.turn()
        assert loop.clock.monotonic_ns() - over_ns <= 2 * interval * NS_PER_SECOND
    (tripped,) = loop.of(GuardTripped)
    assert isinstance(tripped, GuardTripped)
    assert (tripped.stop.value, tripped.since_seconds) == (97.0, 0.4)


def test_the_common_thread_turns_the_loop_in_passing_and_a_bug_there_ends_the_loop() -> None:
    loop = Loop(FakeChip(lambda now: 40.0))
    loop.turn()
    loop.sampler.workers[0].step(loop.clock.monotonic_ns())
    loop.sampler._turn_in_passing()
    assert len(loop.board.beats) == 2
    loop.sampler._turn_in_passing()
    assert len(loop.board.beats) == 2, "it was not due"
    loop.clock.advance(0.5)
    loop.board.put = None  # type: ignore[assignment]
    loop.sampler._turn_in_passing()
    with pytest.raises(TypeError, match="NoneType"):
        loop.sampler.turn()


def test_a_loop_with_an_alarm_wakes_seldom_unless_a_second_reading_is_awaited() -> None:
    clock, board = ManualClock(), FakeBoard()
    config = SamplerConfig("/", 0.1, clock.monotonic_ns(), limits=(HOT,))
    chips = catalogue_of(FakeChip(lambda now: 40.0))
    alarm = Alarm()
    try:
        sampler = Sampler(config, chips, board, lambda it: True, clock, alarm)
        for _ in range(2):
            sampler.workers[0].step(clock.monotonic_ns())
            sampler.turn()
            clock.advance(0.4)
        sampler.turn()
        assert 0.38 < sampler.seconds_to_turn() < 0.4
        assert sampler.desk.observe([Reading("die", 97.0)], 0.5)
        assert sampler.seconds_to_turn() <= 0.0125
        assert select.select([alarm.fileno()], [], [], 0)[0], "the loop was woken"
    finally:
        alarm.close()
