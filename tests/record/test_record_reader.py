"""Reading damaged records: all that can be had, a banner for the rest, never a traceback."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pytest
from record_samples import CLOCK, HOT, begin, finished_run, header, readings, trial

from harness.clock import ManualClock
from harness.errors import RecordError
from harness.outcome import Ending
from harness.record import tables as tables_module
from harness.record.database import RECORD_NAME
from harness.record.reader import read_outline, read_run, samples, utc_or_unknown
from harness.results import RunData
from tests.packing import packed


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return finished_run(tmp_path)


def changed(folder: Path, sql: str) -> RunData:
    connection = sqlite3.connect(folder / RECORD_NAME)
    connection.executescript(sql)
    connection.close()
    return read_run(folder)


def told(run: RunData, text: str) -> bool:
    return any(text in banner for banner in run.banners)


def test_the_readings_of_a_channel_are_two_arrays_in_order_of_time(folder: Path) -> None:
    times, values = samples(folder, HOT.key)
    assert times.tolist() == [step / 2 for step in range(10)]
    assert values.tolist() == [70.0 + step // 2 for step in range(10)]


def test_a_missing_reading_is_nan_and_counted_with_its_reason(tmp_path: Path) -> None:
    writer = begin(tmp_path)
    writer.put(HOT)
    writer.put_sweeps(packed((*readings(0.0), *readings(0.5, None))))
    writer.seal(Ending.COMPLETED, "")
    _, values = samples(writer.folder, HOT.key)
    assert np.isnan(values).tolist() == [False, False, True, True] or np.isnan(values).sum() == 2
    data = next(d for d in read_run(writer.folder).channels if d.channel.key == HOT.key)
    assert (data.samples, data.missing, data.flagged) == (2, 2, 0)
    assert data.missing_reason == "EIO: input/output error"


def test_a_channel_without_readings_has_no_values_and_says_why(folder: Path) -> None:
    data = read_run(folder).channels[2]
    assert (data.samples, data.missing, data.envelopes) == (0, 0, ())
    assert (data.first_value, data.last_value, data.missing_reason) == (None, None, "mode 0400")


def test_an_outlines_ending_profile_and_context_are_those_of_the_whole_record(
    folder: Path, tmp_path: Path
) -> None:
    whole = read_run(folder)
    assert whole.context != {}
    seen = read_outline(folder)
    assert (seen.ending, seen.context) == (whole.ending, whole.context)
    assert seen.profile_sha256 == whole.profile_sha256 != ""
    writer = begin(tmp_path / "crashed")
    writer.abandon()
    assert read_outline(writer.folder).ending is None


def test_an_unknown_channel_is_named(folder: Path) -> None:
    with pytest.raises(RecordError, match="no channel 'x'"):
        samples(folder, "x")


def test_envelopes_of_a_short_run_have_the_width_of_a_second(folder: Path) -> None:
    data = read_run(folder).channels[1]
    assert data.channel == CLOCK
    assert [envelope.at_seconds for envelope in data.envelopes] == [0.0, 1.0, 2.0, 3.0, 4.0]
    first = data.envelopes[0]
    assert (first.minimum, first.mean, first.maximum) == (3.65e9, 3.65e9 + 0.25, 3.65e9 + 0.5)
    assert (first.duration_seconds, first.samples) == (1.0, 2)


@pytest.mark.parametrize(
    ("sql", "banner"),
    [
        ("UPDATE sample_blocks SET envelopes = x'0102' WHERE id = 1", "1 blocks of sensor"),
        ("UPDATE sample_blocks SET start_seconds = 9e999 WHERE id = 1", "1 blocks of sensor"),
        ("UPDATE events SET data_json = '[' WHERE id = 2", "1 rows of events"),
        ("UPDATE events SET kind = 'unknown' WHERE id = 2", "row 2 of events"),
        ("UPDATE loads SET passes_json = '{\"a\": 1}'", "of loads"),
        ("UPDATE lanes SET readings_json = '3'", "of lanes"),
        ("UPDATE trials SET rate = 1.0", "does not match its hash"),
        ("DELETE FROM chain WHERE number > 2", "no commit covers"),
    ],
)
def test_damage_costs_only_what_it_hit_and_is_told(folder: Path, sql: str, banner: str) -> None:
    run = changed(folder, sql)
    assert told(run, banner), run.banners
    assert len(run.trials) == 2
    assert len(run.channels) == 3
    assert run.ending is Ending.COMPLETED


def test_an_unknown_ending_is_an_error_ending(folder: Path) -> None:
    assert changed(folder, "UPDATE endings SET ending = 'odd'").ending is Ending.ERROR


def test_a_time_that_no_calendar_has_is_unknown(folder: Path) -> None:
    run = changed(folder, "UPDATE header SET created_wall_ns = 9223372036854775807")
    assert run.started_utc == utc_or_unknown(2**63 - 1)
    assert utc_or_unknown(10**30) == "unknown"


def test_a_cut_record_gives_what_is_left_or_one_clear_error(folder: Path) -> None:
    whole = (folder / RECORD_NAME).read_bytes()
    for pages in range(1, len(whole) // 4096):
        (folder / RECORD_NAME).write_bytes(whole[: pages * 4096])
        try:
            run = read_run(folder)
        except RecordError as error:
            assert str(folder / RECORD_NAME) in str(error)
        else:
            assert told(run, "DAMAGED")


def _many_trials(tmp_path: Path) -> Path:
    writer = begin(tmp_path)
    for number in range(1, 401):
        writer.put(trial(number, lanes=()))
    writer.seal(Ending.COMPLETED, "")
    return writer.folder


def _page_of(folder: Path, table: str) -> tuple[int, ...]:
    """Numbers of the leaf pages of `table`, found by what is written on them."""
    whole = (folder / RECORD_NAME).read_bytes()
    word = {"trials": b"run delay 12 %"}[table]
    pages = range(len(whole) // 4096)
    return tuple(page for page in pages if whole.count(word, page * 4096, page * 4096 + 4096) > 9)


def test_rows_behind_a_destroyed_page_are_read_too(tmp_path: Path) -> None:
    folder = _many_trials(tmp_path)
    pages = _page_of(folder, "trials")
    assert len(pages) > 4
    whole = bytearray((folder / RECORD_NAME).read_bytes())
    middle = pages[len(pages) // 2] * 4096
    whole[middle : middle + 4096] = b"\xee" * 4096
    (folder / RECORD_NAME).write_bytes(whole)
    run = read_run(folder)
    numbers = [item.number for item in run.trials]
    assert told(run, "DAMAGED: table trials")
    assert numbers == sorted(numbers)
    assert numbers[0] == 1
    assert numbers[-1] == 400
    assert 200 < len(numbers) < 400


def test_a_table_beyond_its_limit_is_read_up_to_it_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = _many_trials(tmp_path)
    monkeypatch.setattr(tables_module.TableReader.rows, "__kwdefaults__", {"most": 100})
    run = read_run(folder)
    assert len(run.trials) == 100
    assert told(run, "only the first 100 rows of trials")


def test_more_text_than_the_limit_is_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = ManualClock()
    writer = begin(tmp_path, clock)
    for _ in range(20):
        writer.put("x" * 1000)
    writer.seal(Ending.COMPLETED, "")
    monkeypatch.setattr(tables_module, "MOST_TEXT_BYTES", 10_000)
    run = read_run(writer.folder)
    assert 0 < len(run.notes) < 10
    assert told(run, "events holds too much text")


def test_a_run_may_be_part_of_its_profile(tmp_path: Path) -> None:
    writer = begin(tmp_path, partial=True)
    writer.seal(Ending.COMPLETED, "")
    run = read_run(writer.folder)
    assert run.partial
    assert run.profile_sha256 == header().profile_sha256
