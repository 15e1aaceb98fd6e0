"""A glance at a run: what another terminal sees while the run goes on."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from record_samples import ABSENT, CLOCK, EVENT, FAILURE, HOT, begin, finished_run, readings, trial

from harness.clock import ManualClock
from harness.errors import RecordError
from harness.outcome import Ending
from harness.record.database import RECORD_NAME
from harness.record.progress import progress
from harness.results import Event, EventKind
from tests.packing import packed


def test_a_glance_shows_where_the_run_stands(tmp_path: Path) -> None:
    clock = ManualClock()
    writer = begin(tmp_path, clock)
    for item in (HOT, CLOCK, ABSENT, EVENT, trial(1), FAILURE):
        writer.put(item)
    clock.advance(3.0)
    writer.put_sweeps(packed((*readings(2.0, 88.0), *readings(2.5, None))))
    assert writer.flush()
    seen = progress(writer.folder)
    writer.abandon()
    assert (seen.run_id, seen.profile_name) == (writer.run_id, "sample")
    assert (seen.at_seconds, seen.wall_ns) == (3.0, clock.wall_ns())
    assert (seen.trials, seen.failures, seen.first_failure) == (1, 1, FAILURE)
    assert [event.kind for event in seen.events] == [EventKind.RUN_STARTED, EventKind.LOAD_STARTED]
    assert seen.end.ending is None
    assert {item.channel.key: item.value for item in seen.latest} == {
        HOT.key: 88.0,
        CLOCK.key: 3.65e9 + 3.0,
    }


def test_a_glance_at_a_finished_run_says_how_it_ended(tmp_path: Path) -> None:
    seen = progress(finished_run(tmp_path))
    assert (seen.end.ending, seen.end.text, seen.end.at_seconds) == (
        Ending.COMPLETED,
        "all done",
        42.0,
    )


def test_only_the_latest_events_are_shown_oldest_first(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    for number in range(50):
        writer.put(Event(EventKind.WARNING, float(number), str(number)))
    assert writer.flush()
    seen = progress(writer.folder)
    writer.abandon()
    assert [event.text for event in seen.events] == [str(number) for number in range(30, 50)]


def test_a_run_without_readings_has_no_latest_values(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    assert progress(writer.folder).latest == ()
    writer.abandon()


@pytest.mark.parametrize("sql", ["DELETE FROM chain", "DELETE FROM header"])
def test_a_record_without_its_ground_is_one_clear_error(tmp_path: Path, sql: str) -> None:
    folder = finished_run(tmp_path)
    connection = sqlite3.connect(folder / RECORD_NAME)
    connection.executescript(sql)
    connection.close()
    with pytest.raises(RecordError, match="damaged"):
        progress(folder)
