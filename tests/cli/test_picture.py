"""The live picture: everything a person at the bench needs, on small and large machines."""

from __future__ import annotations

from dataclasses import replace
from io import StringIO

from rich.console import Console

from harness.cli.keys import NoteLine
from harness.cli.picture import picture
from harness.observing import LaneView, Snapshot
from harness.results import Channel, Failure, FailureKind, Sample

CHANNEL = Channel("k", "package", "°C", "hwmon", role="cpu_temperature")


def lanes(count: int) -> tuple[LaneView, ...]:
    return tuple(LaneView(i, i, "working", 3.7e9, 100 + i, 0.02, 0) for i in range(count))


def snapshot(**more: object) -> Snapshot:
    base = Snapshot(
        run_id="r1",
        profile="overnight",
        phase="stepping",
        load="mill",
        pattern="all-lanes",
        elapsed_seconds=61.0,
        planned_seconds=121.0,
        trials_done=2,
        trials_planned=18,
        lanes=lanes(2),
        failures=(),
    )
    return replace(base, **more)  # type: ignore[arg-type]


def drawn(now: Snapshot, width: int = 120, prompt: str = "") -> str:
    console = Console(file=StringIO(), width=width, highlight=False)
    console.print(picture(now, prompt))
    return console.file.getvalue()  # type: ignore[attr-defined, no-any-return]


def test_a_quiet_run_shows_progress_and_no_failure() -> None:
    text = drawn(snapshot())
    assert "no failure so far" in text
    assert "trial 2 of 18" in text
    assert "measuring: mill (all-lanes)" in text


def test_the_first_failure_stays_in_sight_with_place_time_and_temperature() -> None:
    first = Failure(FailureKind.WRONG_RESULT, "mill", 1, 5, 75.0, "transient: bit 3")
    later = replace(first, core=6, at_seconds=80.0)
    text = drawn(snapshot(failures=(first, later), first_failure_celsius=81.5), width=200)
    assert "FAILED (2 failures)" in text
    assert "first failure: wrong result in mill on lane 1 (CPU 5)" in text
    assert "81.5 °C" in text
    assert "CPU 6" not in text


def test_temperature_shows_highest_margin_and_slope() -> None:
    now = snapshot(
        channels={"k": CHANNEL},
        latest={"k": Sample("k", 61.0, 80.0)},
        highest={"k": 84.0},
        guard_limits=(("cpu_temperature", 95.0),),
        slope_celsius_per_second=0.05,
    )
    text = drawn(now)
    assert "80.0 °C, highest 84.0 °C, 15.0 °C below the stop at 95 °C, +3.0 °C/min" in text


def test_an_unmeasured_temperature_is_said_to_be_unmeasured() -> None:
    assert "not measured on this machine" in drawn(snapshot())


def test_lost_channels_and_the_age_of_the_last_write_are_told() -> None:
    text = drawn(snapshot(lost=(CHANNEL,), last_write_seconds=7.3))
    assert "channels lost: package" in text
    assert "last safe write 7.3 s ago" in text


def test_sixty_four_lanes_fit_side_by_side() -> None:
    text = drawn(snapshot(lanes=lanes(64)), width=240)
    assert max(len(line) for line in text.splitlines()) <= 240
    assert len(text.splitlines()) < 26
    assert "163" in text  # lane 63's verified passes


def type_in(text: str) -> NoteLine:
    line = NoteLine()
    for key in text:
        line.press(key)
    return line


def test_n_begins_a_note_and_enter_ends_it() -> None:
    assert type_in("nfan offf\x7f\r").finished() == ["fan off"]


def test_escape_drops_a_note_and_other_keys_do_nothing() -> None:
    assert type_in("xyznabc\x1b").finished() == []
    assert type_in("n   \r").finished() == []


def test_a_note_is_shown_while_it_is_typed() -> None:
    assert "note: hel_" in type_in("nhel").prompt()
    assert "n: add a note" in type_in("").prompt()


def test_a_finished_note_is_told_once() -> None:
    line = type_in("na\r")
    assert line.finished() == ["a"]
    assert line.finished() == []
