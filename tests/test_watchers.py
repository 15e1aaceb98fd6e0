"""Time, readings and the writer, as the runner watches them."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from harness.board import StopReason
from harness.clock import NS_PER_SECOND, ManualClock
from harness.happenings import StoodStill, StorageFailed, Suspended
from harness.results import Channel, EventKind, Sample
from harness.sensors.messages import ChannelsFound
from harness.watchers import (
    STILL_SECONDS,
    WRITER_SILENT_SECONDS,
    Readings,
    SelfWatch,
    TimeWatch,
    writer_silence,
    writer_trouble,
)
from tests.packing import packed

PACKAGE = Channel("p", "package", "°C", "hwmon", role="cpu_temperature")
CORE = Channel("c", "core 0", "°C", "hwmon", role="cpu_temperature")
FAN = Channel("f", "fan", "RPM", "hwmon")


def readings() -> Readings:
    found = Readings()
    found.found(ChannelsFound((PACKAGE, CORE, FAN), (), (), ()))
    return found


def test_passing_time_is_nothing_to_tell() -> None:
    clock = ManualClock()
    watch = TimeWatch(clock)
    clock.advance(100.0)
    assert watch.look(100.0) == (None, None)


def test_a_suspend_is_noticed_once_with_its_length() -> None:
    clock = ManualClock()
    watch = TimeWatch(clock)
    clock.suspend(42.0)
    assert watch.look(1.0) == (Suspended(42.0), None)
    assert watch.look(2.0) == (None, None)


def test_a_wall_clock_set_back_is_told_and_is_no_suspend() -> None:
    clock = ManualClock()
    watch = TimeWatch(clock)
    clock.set_wall(clock.wall_ns() - 3600 * NS_PER_SECOND)
    suspended, event = watch.look(5.0)
    assert suspended is None
    assert event is not None
    assert event.kind is EventKind.CLOCK_STEPPED
    assert "back by 3600.0 s" in event.text


def test_the_hottest_channel_stands_for_its_role() -> None:
    found = readings()
    found.take(packed((Sample("p", 1.0, 60.0), Sample("c", 1.0, 72.0), Sample("f", 1.0, 900.0))))
    values = found.by_key_and_role()
    assert values["cpu_temperature"] == 72.0
    assert (values["p"], values["f"]) == (60.0, 900.0)


def test_implausible_values_are_not_used() -> None:
    found = readings()
    doubted = Sample("c", 1.0, 127.0, flag="implausible: +127 °C")
    found.take(packed((Sample("p", 1.0, 60.0), doubted)))
    assert found.by_key_and_role()["cpu_temperature"] == 60.0
    assert "c" not in found.highest


def test_a_channel_that_stopped_answering_is_lost() -> None:
    found = readings()
    found.take(packed((Sample("p", 1.0, 60.0),)))
    found.take(packed((Sample("p", 2.0, None, reason="ENODEV"),)))
    assert found.lost() == (PACKAGE,)
    assert found.highest["p"] == 60.0


def test_a_channel_that_never_answered_is_not_lost_again() -> None:
    found = readings()
    found.take(packed((Sample("f", 1.0, None, reason="ENODATA"),)))
    assert found.lost() == ()


def test_what_is_asked_for_is_the_latest_whatever_was_asked_before() -> None:
    found = readings()
    found.take(packed((Sample("p", 1.0, 60.0), Sample("c", 1.0, 50.0))))
    assert found.by_key_and_role()["cpu_temperature"] == 60.0
    found.take(packed((Sample("p", 2.0, 40.0), Sample("c", 2.0, 55.0))))
    assert found.by_key_and_role() == {"p": 40.0, "c": 55.0, "cpu_temperature": 55.0}
    assert found.highest == {"p": 60.0, "c": 55.0}


values = st.none() | st.integers(-40, 120).map(float)
flags = st.sampled_from(["", "", "implausible: x", "repeat"])


@st.composite
def sweeps_of_two_chips(draw: st.DrawFn) -> list[list[Sample]]:
    chips = draw(st.lists(st.sampled_from([("p", "c"), ("f", "unannounced")]), max_size=12))
    return [
        [Sample(key, float(at), draw(values), "", draw(flags)) for key in chip]
        for at, chip in enumerate(chips)
    ]


@given(sweeps_of_two_chips())
def test_sweeps_tell_what_their_readings_tell_one_by_one(made: list[list[Sample]]) -> None:
    # Oracle: dictionaries written reading by reading.
    found, latest, highest = readings(), {}, {}
    for sweep in made:
        found.take(packed(sweep))
        for it in sweep:
            usable = it.value is not None and not it.flag.startswith("implausible")
            latest[it.channel] = it.value if usable else None
            if usable:
                highest[it.channel] = max(it.value, highest.get(it.channel, it.value))
        given_now = {key: value for key, value in latest.items() if value is not None}
        hot = [value for key, value in given_now.items() if key in ("p", "c")]
        roles = {"cpu_temperature": max(hot)} if hot else {}
        assert found.by_key_and_role() == given_now | roles
    assert found.highest == highest
    last = {it.channel: it.value for sweep in made for it in sweep}
    lost = {key for key, value in last.items() if value is None and key in highest}
    assert {channel.key for channel in found.lost()} == lost - {"unannounced"}


def test_a_writer_that_hangs_or_fails_is_a_storage_failure() -> None:
    assert writer_trouble(1.0, None) is None
    assert isinstance(writer_trouble(WRITER_SILENT_SECONDS + 1, None), StorageFailed)
    assert writer_trouble(0.0, OSError("no space")) == StorageFailed("no space")


def silence(beat: float, lag: float = 0.0, awake: float = 0.0, now: float = 500.0) -> float:
    """All in seconds of the monotonic clock."""
    ns = [round(each * NS_PER_SECOND) for each in (now, beat, awake)]
    return writer_silence(ns[0], ns[1], lag, ns[2])


def test_a_writer_that_hangs_without_anything_to_write_but_samples_is_silent() -> None:
    assert silence(beat=499.5) == 0.5
    assert silence(beat=430.0) == 70.0
    assert isinstance(writer_trouble(silence(beat=430.0), None), StorageFailed)


def test_a_writer_that_lives_but_leaves_an_item_waiting_is_silent_too() -> None:
    assert silence(beat=499.5, lag=65.0) == 65.0


def test_a_writer_that_has_not_begun_is_not_silent() -> None:
    assert silence(beat=0.0) == 0.0


def test_a_writer_that_was_stopped_with_the_whole_harness_is_not_blamed() -> None:
    assert silence(beat=400.0, lag=100.0, awake=499.0) == 1.0
    assert writer_trouble(silence(beat=400.0, lag=100.0, awake=499.0), None) is None


def beaten(*seconds: float) -> SelfWatch:
    watch = SelfWatch()
    for each in seconds:
        watch.beat(round((100 + each) * NS_PER_SECOND))
    return watch


def test_a_loop_that_turns_has_nothing_to_tell_of_itself() -> None:
    watch = beaten(0.0, 0.1, STILL_SECONDS - 0.1)
    assert watch.look(StopReason.NONE) is None
    assert watch.look(StopReason.PARENT) is None
    assert watch.awake_ns == 0


def test_a_gap_in_the_own_heartbeat_is_told_once_with_its_length() -> None:
    watch = beaten(0.0, 4.0)
    assert watch.look(StopReason.NONE) == StoodStill(4.0, load_stopped=False)
    assert watch.look(StopReason.NONE) is None
    assert watch.awake_ns == 104 * NS_PER_SECOND


def test_lanes_that_stopped_by_themselves_are_told_of_with_the_gap_that_they_saw() -> None:
    watch = beaten(0.0, 7.0)
    assert watch.look(StopReason.NONE) == StoodStill(7.0, load_stopped=False)
    assert watch.look(StopReason.SILENT_PARENT) == StoodStill(7.0, load_stopped=True)
    assert watch.look(StopReason.SILENT_PARENT) is None
