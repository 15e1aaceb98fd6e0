"""Runs without an end event: found, explained, closed as finished results. Oracle: the outcome
table of harness/outcome.py and the situation that each test builds."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from record_samples import (
    BOOT_ID,
    CLOCK,
    EVENT,
    HOT,
    OWNER,
    RUN_ID,
    begin,
    finished_run,
    readings,
    trial,
)

from harness.clock import NS_PER_SECOND, ManualClock
from harness.errors import StorageError
from harness.outcome import Ending, ExitCode, decide
from harness.record import endings as endings_module
from harness.record.database import RECORD_NAME, log_in_use
from harness.record.endings import LossCause, close_lost_runs
from harness.record.lock import CLOSING_NAME, MachineLock
from harness.record.owner import Owner
from harness.record.reader import NO_END_EVENT, read_run
from harness.record.store import RecordStore
from harness.record.verify import verify_run
from harness.record.writer import RecordWriter
from harness.results import Boot, Event, EventKind, FailureKind, RunData
from tests.packing import packed

ENDED = Event(EventKind.LOAD_ENDED, 9.0, "", {"load": 0})
FULL = Event(EventKind.WARNING, 9.0, "the storage is full", {"storage": "full"})


def nobody(_: Owner) -> bool:
    return False


def crash(folder: Path, *items: Any) -> tuple[Path, ManualClock]:
    """A run 12 s old that stops without an end."""
    clock = ManualClock()
    writer = begin(folder, clock)
    for item in (HOT, CLOCK, *items):
        writer.put(item)
    clock.advance(12.0)
    writer.put_sweeps(packed(readings(11.0, 81.5)))
    assert writer.flush()
    writer.abandon()
    clock.advance(3600.0)
    return writer.folder, clock


def closed(folder: Path, clock: ManualClock, boot_id: str = BOOT_ID) -> tuple[Any, RunData]:
    (lost,) = close_lost_runs(folder.parent, clock, boot_id, nobody)
    assert lost.closed, lost.problem
    return lost, read_run(folder)


def exit_code(run: RunData) -> ExitCode:
    return decide([], ending=run.ending, failures=len(run.failures)).exit_code


@pytest.mark.parametrize(
    ("boot_id", "cause", "kind"),
    [
        ("boot-b", LossCause.MACHINE_RESTARTED, FailureKind.MACHINE_RESTARTED),
        (BOOT_ID, LossCause.HARNESS_KILLED, FailureKind.PROCESS_DIED),
    ],
)
def test_a_death_under_load_is_a_failure_with_its_load_cpus_time_temperature_and_clock(
    tmp_path: Path, boot_id: str, cause: LossCause, kind: FailureKind
) -> None:
    folder, clock = crash(tmp_path, EVENT, trial(1))
    lost, run = closed(folder, clock, boot_id)
    assert (lost.run_id, lost.cause, lost.ending) == (RUN_ID, cause, Ending.CRASHED)
    (failure,) = run.failures
    assert (failure.kind, failure.workload, failure.at_seconds) == (kind, "dense", 12.0)
    for words in (
        str(cause),
        "while 'dense all' (dense) on CPUs 0, 1, pattern all-lanes ran",
        "12.0 s into the run",
        "CPU at 81.5 °C",
        "cores at 3.650 GHz",
        "last write 2026-09-21T14:13:32.000Z",
    ):
        assert words in failure.detail
    (event,) = [event for event in run.events if event.kind is EventKind.CRASHED]
    assert event.data["cpu_temperature_celsius"] == 81.5
    assert event.data["core_clock_hz"] == pytest.approx(3.65e9 + 11.5)
    assert event.data["load"]["cpus"] == [0, 1]
    assert exit_code(run) is ExitCode.FAIL
    assert run.trials == (trial(1),)


def test_a_closed_run_ended_when_it_was_last_written_and_is_sealed(tmp_path: Path) -> None:
    folder, clock = crash(tmp_path, EVENT)
    _, run = closed(folder, clock)
    assert (run.ended_utc, run.duration_seconds) == ("2026-09-21T14:13:32.000Z", 12.0)
    assert run.boots[0].ended_seconds == 12.0
    assert not log_in_use(folder / RECORD_NAME)
    assert verify_run(folder) == ()
    assert NO_END_EVENT not in run.banners
    assert not (folder / CLOSING_NAME).exists()


def test_a_run_whose_process_died_before_its_log_was_begun_is_found(tmp_path: Path) -> None:
    folder, clock = crash(tmp_path)
    store = RecordStore.open(folder / RECORD_NAME)
    assert store.checkpoint()
    assert store.leave_wal()
    store.close()
    assert not log_in_use(folder / RECORD_NAME)
    _, run = closed(folder, clock)
    assert run.ending is Ending.ERROR


def test_a_run_is_closed_once(tmp_path: Path) -> None:
    folder, clock = crash(tmp_path, EVENT)
    closed(folder, clock)
    assert close_lost_runs(tmp_path, clock, BOOT_ID, nobody) == ()


def test_a_run_under_way_is_left_alone(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    asked: list[Owner] = []

    def alive(owner: Owner) -> bool:
        asked.append(owner)
        return True

    assert close_lost_runs(tmp_path, ManualClock(), BOOT_ID, alive) == ()
    assert asked == [OWNER]
    assert writer.put(trial(1)).wait(30.0)
    writer.abandon()


def test_a_finished_run_is_left_alone(tmp_path: Path) -> None:
    folder = finished_run(tmp_path)
    before = (folder / RECORD_NAME).read_bytes()
    assert close_lost_runs(tmp_path, ManualClock(), "boot-b", nobody) == ()
    assert (folder / RECORD_NAME).read_bytes() == before


def test_a_run_that_another_command_closes_just_now_is_left_to_it(tmp_path: Path) -> None:
    folder, clock = crash(tmp_path, EVENT)
    me = Owner.of_this_process(BOOT_ID, ())
    with MachineLock.acquire(me, "x", clock, folder=folder, name=CLOSING_NAME):
        assert close_lost_runs(tmp_path, clock, BOOT_ID, nobody) == ()
    assert len(close_lost_runs(tmp_path, clock, BOOT_ID, nobody)) == 1


def test_a_death_between_loads_of_a_run_is_a_failure_too(tmp_path: Path) -> None:
    folder, clock = crash(tmp_path, EVENT, ENDED)
    _, run = closed(folder, clock, "boot-b")
    assert "after 'dense all'" in run.failures[0].detail
    assert exit_code(run) is ExitCode.FAIL


def test_a_death_before_any_load_says_nothing_about_the_machine(tmp_path: Path) -> None:
    folder, clock = crash(tmp_path)
    lost, run = closed(folder, clock)
    assert (lost.ending, run.failures) == (Ending.ERROR, ())
    assert "before any load was started" in lost.text
    assert exit_code(run) is ExitCode.ERROR


def test_full_storage_that_the_record_tells_is_the_cause(tmp_path: Path) -> None:
    folder, clock = crash(tmp_path, EVENT, FULL)
    lost, run = closed(folder, clock)
    assert (lost.cause, run.ending, run.failures) == (LossCause.STORAGE_FULL, Ending.ERROR, ())


def test_full_storage_that_could_not_be_told_is_seen_now(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, clock = crash(tmp_path, EVENT)
    monkeypatch.setattr(endings_module, "_free_bytes", lambda _: 4096)
    lost, _ = closed(folder, clock)
    assert lost.cause is LossCause.STORAGE_FULL


@pytest.mark.parametrize(
    ("signal", "cause"),
    [("SIGHUP", LossCause.TERMINAL_CLOSED), ("SIGTERM", LossCause.INTERRUPTED)],
)
def test_a_closed_terminal_is_an_interruption_and_no_failure(
    tmp_path: Path, signal: str, cause: LossCause
) -> None:
    told = Event(EventKind.INTERRUPTED, 11.0, "", {"signal": signal})
    folder, clock = crash(tmp_path, EVENT, told)
    lost, run = closed(folder, clock)
    assert (lost.cause, run.ending, run.failures) == (cause, Ending.INTERRUPTED, ())
    assert exit_code(run) is ExitCode.INTERRUPTED


def test_a_restart_outranks_what_was_told_before_it(tmp_path: Path) -> None:
    folder, clock = crash(tmp_path, EVENT, FULL)
    lost, _ = closed(folder, clock, "boot-b")
    assert lost.cause is LossCause.MACHINE_RESTARTED


def test_the_one_cpu_of_a_load_is_named_as_the_core(tmp_path: Path) -> None:
    single = dataclasses.replace(EVENT, data={**EVENT.data, "cpus": [5]})
    folder, clock = crash(tmp_path, single)
    _, run = closed(folder, clock)
    assert run.failures[0].core == 5


@pytest.mark.parametrize("data", [{}, {"cpus": "all"}, {"cpus": [None, "1"], "name": 3}])
def test_odd_event_data_is_no_obstacle(tmp_path: Path, data: dict[str, Any]) -> None:
    folder, clock = crash(tmp_path, dataclasses.replace(EVENT, data=data))
    _, run = closed(folder, clock)
    assert "on CPUs not known" in run.failures[0].detail


def test_a_wall_clock_that_was_set_back_does_not_matter(tmp_path: Path) -> None:
    folder, clock = crash(tmp_path, EVENT)
    clock.set_wall(1_000 * NS_PER_SECOND)
    _, run = closed(folder, clock)
    assert run.duration_seconds == 12.0


def test_a_crashed_run_can_be_resumed_and_the_crash_stays(tmp_path: Path) -> None:
    folder, clock = crash(tmp_path, EVENT, trial(1))
    closed(folder, clock, "boot-b")
    boot = Boot(0, "boot-b", "2026-09-21T16:00:00.000Z", 0.0, cold=True)
    writer = RecordWriter.reopen(folder, boot, OWNER, clock)
    assert (writer.boot.number, writer.boot.offset_seconds) == (2, 12.0)
    writer.put(trial(2))
    writer.seal(Ending.COMPLETED, "")
    run = read_run(folder)
    assert [item.number for item in run.trials] == [1, 2]
    assert [failure.kind for failure in run.failures] == [FailureKind.MACHINE_RESTARTED]
    assert exit_code(run) is ExitCode.FAIL


def test_a_crash_of_the_second_part_is_told_by_that_part_alone(tmp_path: Path) -> None:
    folder, clock = crash(tmp_path, EVENT)
    closed(folder, clock)
    writer = RecordWriter.reopen(folder, Boot(0, BOOT_ID, "", 0.0, None), OWNER, clock)
    clock.advance(1.0)
    assert writer.put("only a note").wait(30.0)
    writer.abandon()
    lost, run = closed(folder, clock)
    assert "before any load was started" in lost.text
    assert (lost.ending, len(run.failures)) == (Ending.ERROR, 1)


def test_a_run_that_cannot_be_closed_is_told_and_stops_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, clock = crash(tmp_path, EVENT)
    broken = tmp_path / "20260101T000000Z-broken-0000"
    broken.mkdir()
    damaged = bytearray((whole / RECORD_NAME).read_bytes())
    damaged[100:3000] = b"\xee" * 2900
    (broken / RECORD_NAME).write_bytes(damaged)
    first, second = close_lost_runs(tmp_path, clock, BOOT_ID, nobody)
    assert (first.folder, first.closed, second.closed) == (broken, False, True)
    assert str(broken) in first.problem


def test_a_folder_where_nothing_can_be_written_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, clock = crash(tmp_path, EVENT)

    def refuse(*_: Any) -> None:
        raise StorageError("read-only")

    monkeypatch.setattr(endings_module, "_write_end", refuse)
    (lost,) = close_lost_runs(tmp_path, clock, BOOT_ID, nobody)
    assert (lost.closed, lost.problem, lost.cause) == (False, "read-only", None)


def test_a_run_without_sensors_says_so(tmp_path: Path) -> None:
    clock = ManualClock()
    writer = begin(tmp_path, clock)
    assert writer.put(EVENT).wait(30.0)
    writer.abandon()
    lost, _ = closed(writer.folder, clock)
    assert "no temperature and no clock" in lost.text
