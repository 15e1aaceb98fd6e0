"""Rig, sampler and guard in one loop: load heats, sensors show it, the guard ends it.

Most run with a clock that moves only when told, so that thousands of intervals pass at once; the
last ones are real processes under a real load.
"""

from __future__ import annotations

import multiprocessing
import pickle
from collections.abc import Sequence
from pathlib import Path

import pytest

from harness.board import Board, LaneSlot, LaneState, StopReason
from harness.clock import SYSTEM, ManualClock
from harness.results import Event, EventKind, SafetyStop, Sample
from harness.sensors.catalogue import discover
from harness.sensors.guard import GuardLimit
from harness.sensors.messages import GuardTripped, SampleBatch, SamplerReady, SensorEvent
from harness.sensors.sampler import Sampler, SamplerConfig, sampler_main
from harness.sweeps import left_out
from tests.sensors.fakes import FakeBoard
from tests.simulated_rig import Fault, RigModel, make_rig, running_rig

INTERVAL = 0.5
HOT = GuardLimit("stop", "cpu_temperature", "°C", above=80.0, whose="the test")
FAN = GuardLimit("fan", "fan_speed", "RPM", below=300.0, whose="the test", grace_seconds=5.0)


class Machine:
    """A rig under load with a sampler over it, moved on interval by interval."""

    def __init__(
        self,
        root: Path,
        limits: Sequence[GuardLimit] = (),
        model: RigModel | None = None,
        faults: Sequence[Fault] = (),
    ) -> None:
        self.clock = ManualClock()
        self.rig = make_rig(root, model, faults)
        self.board = FakeBoard(state=LaneState.WORKING, load=4)
        self.messages: list[object] = []
        config = SamplerConfig(str(root), INTERVAL, self.clock.monotonic_ns(), limits=tuple(limits))
        self.sampler = Sampler(config, discover(root), self.board, self._send, self.clock)
        self.names = {it.key: it.name for worker in self.sampler.workers
                      for it in worker.chip.channels}  # fmt: skip

    def _send(self, message: object) -> bool:
        self.messages.append(pickle.loads(pickle.dumps(message)))  # noqa: S301 - as the pipe does
        return True

    def run(self, intervals: int, load: float = 1.0) -> None:
        """Let intervals pass; the load is off once the board is tripped, as lanes do it."""
        for _ in range(intervals):
            self.rig.advance(0.0 if self.board.tripped else load, INTERVAL)
            self.clock.advance(INTERVAL)
            for worker in self.sampler.workers:
                worker.step(self.clock.monotonic_ns())
            self.sampler.turn()

    def samples(self, name: str) -> list[Sample]:
        return [
            sample
            for it in self.messages
            if isinstance(it, SampleBatch)
            for sample in it.samples
            if self.names[sample.channel] == name
        ]

    def events(self, kind: EventKind) -> list[Event]:
        found = [it.event for it in self.messages if isinstance(it, SensorEvent)]
        return [event for event in found if event.kind is kind]

    @property
    def stop(self) -> SafetyStop | None:
        stops = [it.stop for it in self.messages if isinstance(it, GuardTripped)]
        return stops[0] if stops else None


def test_the_guard_ends_the_load_in_the_interval_in_which_the_limit_is_first_seen(
    tmp_path: Path,
) -> None:
    machine = Machine(tmp_path, [HOT])
    machine.run(300)
    stop = machine.stop
    assert stop is not None
    die = machine.samples("coretemp Package id 0")
    first_over = next(it for it in die if it.value is not None and it.value > 80.0)
    assert stop.at_seconds - first_over.at_seconds < INTERVAL
    values = [it.value for it in die if it.value is not None]
    assert values[-1] < 45.0
    assert max(values) == first_over.value


def test_a_machine_that_stays_below_its_limit_runs_on(tmp_path: Path) -> None:
    machine = Machine(tmp_path, [HOT, FAN], RigModel(full_watts=60.0))
    machine.run(400)
    assert machine.stop is None
    assert machine.board.tripped == []
    assert machine.samples("coretemp Package id 0")[-1].value == pytest.approx(58.0, abs=0.1)


def test_a_failed_fan_stops_the_load_before_the_die_is_hot(tmp_path: Path) -> None:
    machine = Machine(tmp_path, [HOT, FAN], faults=[Fault(12.0, "fail_fan")])
    machine.run(60)
    stop = machine.stop
    assert stop is not None
    assert (stop.channel, stop.value, stop.limit) == ("nct6799 fan1", 0.0, 300.0)
    assert stop.at_seconds <= 12.0 + 2 * INTERVAL


def test_a_chip_that_vanishes_and_returns_under_another_number_is_followed(tmp_path: Path) -> None:
    faults = [Fault(5.0, "disappear"), Fault(12.0, "reappear", 9)]
    machine = Machine(tmp_path, faults=faults)
    machine.run(60, load=0.3)
    lost = machine.events(EventKind.CHANNEL_LOST)
    back = machine.events(EventKind.CHANNEL_BACK)
    assert {it.data["channel"].rsplit(":", 1)[1] for it in lost} == {
        "Package id 0", "Core 0", "Core 1",
    }  # fmt: skip
    assert len(back) == 3
    assert lost[0].data["since_seconds"] == pytest.approx(5.0, abs=INTERVAL)
    gap = [it for it in machine.samples("coretemp Package id 0") if it.value is None]
    assert 12 <= len(gap) <= 20
    assert machine.samples("coretemp Package id 0")[-1].value is not None


def test_a_guarded_chip_that_vanishes_stops_the_load_after_the_stated_time(tmp_path: Path) -> None:
    machine = Machine(tmp_path, [HOT], RigModel(full_watts=40.0), [Fault(5.0, "disappear")])
    machine.run(60)
    stop = machine.stop
    assert stop is not None
    assert "gives no value" in stop.channel
    assert 14.0 <= stop.at_seconds <= 16.5


def test_a_sensor_that_cannot_be_read_any_more_is_said_and_others_go_on(tmp_path: Path) -> None:
    machine = Machine(tmp_path, faults=[Fault(5.0, "become_unreadable")])
    machine.run(30)
    last = machine.samples("coretemp Package id 0")[-1]
    assert last.reason == "EINVAL: not a regular file"
    assert machine.samples("nct6799 SYSTIN")[-1].value == 33.0


def test_a_disconnected_sensor_is_flagged_kept_and_no_crossing(tmp_path: Path) -> None:
    faults = [Fault(5.0, "disconnect", 127.0), Fault(8.0, "recover")]
    machine = Machine(tmp_path, [HOT], RigModel(full_watts=40.0), faults)
    machine.run(40)
    assert machine.stop is None
    flagged = [it for it in machine.samples("coretemp Package id 0") if left_out(it.flag)]
    assert {it.value for it in flagged} == {127.0}
    assert len(flagged) == 6


def test_a_stuck_sensor_shows_in_the_record_as_a_value_that_no_longer_follows_the_load(
    tmp_path: Path,
) -> None:
    machine = Machine(tmp_path, faults=[Fault(5.0, "stick")])
    machine.run(60)
    values = {it.value for it in machine.samples("coretemp Package id 0")[20:]}
    assert len(values) == 1
    assert machine.rig.board.model.die_celsius > max(it for it in values if it is not None) + 10


def test_power_and_energy_are_true_across_many_wraps_of_the_counter(tmp_path: Path) -> None:
    model = RigModel(energy_range_uj=1_100_000_000)  # 1,100 J: wraps every 10 s at full power
    machine = Machine(tmp_path, model=model)
    machine.run(200)
    power = [it.value for it in machine.samples("package-0 power") if it.value is not None]
    assert len(power) == 199
    assert all(it == pytest.approx(110.0, rel=1e-3) for it in power)
    energy = machine.samples("package-0 energy")[-1].value
    assert energy == pytest.approx(110.0 * 199 * INTERVAL, rel=1e-6)


def test_throttling_and_memory_errors_are_events_with_the_load_and_the_place(
    tmp_path: Path,
) -> None:
    model = RigModel(throttle_celsius=75.0)
    machine = Machine(tmp_path, model=model, faults=[Fault(9.0, "correct_an_error", 2)])
    machine.run(200)
    throttled = machine.events(EventKind.THROTTLED)
    assert {it.data["cpu"] for it in throttled} == {0, 1}
    assert all(it.data["loads"] == [4] for it in throttled)
    (error,) = machine.events(EventKind.HARDWARE_ERROR)
    assert error.data["total"] == 2.0
    assert error.at_seconds == pytest.approx(9.0, abs=2 * INTERVAL)


@pytest.mark.parametrize("seed", range(20))
def test_load_is_off_within_two_intervals_of_any_crossing(tmp_path: Path, seed: int) -> None:
    """The bench does a thousand of these; here are some, of different speed and phase."""
    model = RigModel(
        time_constant_seconds=2.0 + 3.0 * seed,
        full_watts=120.0 + 7.0 * seed,
        ambient_celsius=20.0 + seed,
        throttle_celsius=500.0,
    )
    machine = Machine(tmp_path, [HOT], model)
    machine.run(40 + 12 * seed)
    stop = machine.stop
    assert stop is not None
    die = machine.samples("coretemp Package id 0")
    first_over = next(it for it in die if it.value is not None and it.value > 80.0)
    assert stop.at_seconds - first_over.at_seconds <= 2 * INTERVAL


# --- real processes ------------------------------------------------------------------------------


def burn(board_path: str) -> None:
    """A lane in small: works until the board says stop, and notes when its load was off."""
    board = Board.open(Path(board_path))
    board.set_lane(0, LaneSlot.STATE, LaneState.WORKING)
    total = 0
    while board.stop is StopReason.NONE:
        total += sum(range(2_000))
    board.set_lane(0, LaneSlot.OFF_NS, SYSTEM.monotonic_ns())
    board.set_lane(0, LaneSlot.STATE, LaneState.IDLE)


def test_a_real_load_heats_the_rig_until_the_guards_process_stops_it(tmp_path: Path) -> None:
    model = RigModel(time_constant_seconds=1.0, full_watts=200.0, die_kelvin_per_watt=0.3)
    context = multiprocessing.get_context("forkserver")
    board = Board.create(tmp_path / "board", 1)
    with running_rig(tmp_path / "root", model) as root:
        ours, theirs = context.Pipe()
        config = SamplerConfig(str(root), 0.1, SYSTEM.monotonic_ns(), limits=(HOT,))
        sampler = context.Process(
            target=sampler_main, args=(config, str(board.path), theirs), daemon=True
        )
        lane = context.Process(target=burn, args=(str(board.path),), daemon=True)
        sampler.start()
        theirs.close()
        while not isinstance(_next(ours), SamplerReady):
            pass
        lane.start()
        (root / "load_of").write_text(str(lane.pid))
        try:
            message = _next(ours)
            while not isinstance(message, GuardTripped):
                message = _next(ours)
            lane.join(20)
        finally:
            ours.close()
            for process in (lane, sampler):
                process.join(5)
                process.kill()
    assert lane.exitcode == 0
    assert board.stop is StopReason.LIMIT
    assert message.stop.value > 80.0
    assert message.stop.whose == "the test"
    assert board.lane(0, LaneSlot.OFF_NS) > 0
    board.close()


def _next(connection: multiprocessing.connection.Connection) -> object:
    assert connection.poll(30), "nothing came for half a minute"
    return connection.recv()
