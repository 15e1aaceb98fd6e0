"""The live picture: everything a person at the bench needs, on small and large machines."""

from __future__ import annotations

from dataclasses import replace
from io import StringIO

import pytest
from rich.console import Console

from harness.cli.keys import NoteLine
from harness.cli.picture import picture
from harness.observing import LaneView, Snapshot
from harness.results import Channel, Failure, FailureKind

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
        latest={"k": 80.0},
        highest={"k": 84.0},
        guard_limits=(("cpu_temperature", 95.0),),
        slope_celsius_per_second=0.05,
    )
    text = drawn(now)
    assert "80.0 °C, highest 84.0 °C, 15.0 °C below the stop at 95 °C, +3.0 °C/min" in text


SECOND = replace(CHANNEL, key="k2", name="package 1")


def test_the_highest_is_that_of_any_processor_and_not_of_the_one_that_is_hotter_now() -> None:
    now = snapshot(
        channels={"k": CHANNEL, "k2": SECOND},
        latest={"k": 60.0, "k2": 55.0},
        highest={"k": 70.0, "k2": 94.0},
    )
    assert "CPU temperature 60.0 °C, highest 94.0 °C" in drawn(now)


def test_a_temperature_lost_on_the_way_is_not_called_unmeasured() -> None:
    now = snapshot(channels={"k": CHANNEL}, latest={}, highest={"k": 84.0})
    assert "no value now, highest was 84.0 °C" in drawn(now)


def test_a_temperature_over_the_stop_is_called_above_it() -> None:
    now = snapshot(
        channels={"k": CHANNEL},
        latest={"k": 97.0},
        guard_limits=(("cpu_temperature", 95.0),),
    )
    assert "2.0 °C above the stop at 95 °C" in drawn(now)


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


def lines_of(now: Snapshot, width: int, height: int) -> list[str]:
    console = Console(file=StringIO(), width=width, height=height, highlight=False)
    console.print(picture(now, "n: add a note"))
    return console.file.getvalue().splitlines()  # type: ignore[attr-defined, no-any-return]


@pytest.mark.parametrize(("width", "height"), [(80, 24), (60, 14), (120, 30), (240, 50)])
def test_whatever_the_size_of_the_terminal_nothing_that_matters_leaves_it(
    width: int, height: int
) -> None:
    failure = Failure(FailureKind.WRONG_RESULT, "mill", 61, 61, 75.0, "bit 3")
    many = list(lanes(64))
    many[61] = replace(many[61], failures=1)
    many[40] = replace(many[40], state="gone")
    many[7] = replace(many[7], last_verified_seconds=9.0)
    lines = lines_of(snapshot(lanes=tuple(many), failures=(failure,)), width, height)
    assert len(lines) <= height
    assert max(map(len, lines)) <= width
    text = "\n".join(lines)
    for wanted in ("FAILED", "first failure", "CPU temperature", "last safe write", "n: add"):
        assert wanted in text
    cells = text.split()
    assert {"gone", "9.0"} <= set(cells)
    assert "161" in cells, "the lane that failed is in sight, by its verified passes"


def test_lanes_that_have_no_room_are_counted_with_their_passes() -> None:
    lines = lines_of(snapshot(lanes=lanes(64)), 80, 24)
    shown = [line for line in lines if line.rstrip().endswith("working")]
    hidden = 64 - len(shown)
    verified = sum(100 + lane for lane in range(64)) - sum(int(line.split()[3]) for line in shown)
    assert lines[-1].strip() == f"{hidden} more lanes: {verified} passes verified, 0 failures"
    assert len(lines) >= 20, "the room is used"


def test_the_one_lane_at_work_is_in_sight_among_many_that_wait() -> None:
    waiting = [replace(lane, state="idle") for lane in lanes(64)]
    waiting[50] = replace(waiting[50], state="working")
    lines = lines_of(snapshot(lanes=tuple(waiting)), 80, 24)
    (at_work,) = [line for line in lines if line.rstrip().endswith("working")]
    assert at_work.split()[0] == "50"


def test_lanes_that_have_room_are_all_shown() -> None:
    assert "more lanes" not in "\n".join(lines_of(snapshot(lanes=lanes(16)), 80, 24))
