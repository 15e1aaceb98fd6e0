"""The guard's decisions, without clock and without I/O."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.results import Channel
from harness.sensors.contract import Reading
from harness.sensors.guard import Action, Guard, GuardLimit, ReadAgain, Tell, Trip, Unconfirmed
from harness.sensors.plausibility import REPEAT
from harness.sweeps import IMPLAUSIBLE

DIE = Channel("die", "Package id 0", "°C", "hwmon", role="cpu_temperature")
FAN = Channel("fan", "fan1", "RPM", "hwmon", role="fan_speed")
ROOM = Channel("room", "room", "°C", "command", role="ambient_temperature")
HOT = GuardLimit("safety.stop_above_celsius", "cpu_temperature", "°C", above=95.0, whose="maker")
SLOW = GuardLimit("safety.limits[0]", "fan_speed", "RPM", below=500.0, grace_seconds=15.0)


def _guard(*limits: GuardLimit, **options: object) -> Guard:
    return Guard(limits or (HOT,), (DIE, FAN, ROOM), **options)  # type: ignore[arg-type]


def _die(value: float | None, flag: str = "") -> list[Reading]:
    return [Reading("die", value, "" if value is not None else "EIO", flag)]


def test_a_crossing_that_holds_stops_the_load_and_says_whose_limit_it_was() -> None:
    guard = _guard()
    assert guard.observe(_die(95.0), 1.0) == []
    assert guard.observe(_die(96.5), 2.0) == [ReadAgain("die")]
    (trip,) = guard.confirm(_die(96.75), 2.001)
    assert isinstance(trip, Trip)
    stop = trip.stop
    assert (stop.channel, stop.value, stop.limit, stop.unit) == ("Package id 0", 96.75, 95.0, "°C")
    assert (stop.at_seconds, stop.whose) == (2.001, "maker")
    assert guard.tripped


def test_a_single_spike_stops_nothing_and_is_told() -> None:
    guard = _guard()
    guard.observe(_die(140.0), 1.0)
    unconfirmed, told = guard.confirm(_die(61.0), 1.001)
    assert unconfirmed == Unconfirmed("die")
    assert isinstance(told, Tell)
    assert "spike" in told.event.text
    assert not guard.tripped
    assert guard.observe(_die(97.0), 2.0) == [ReadAgain("die")]


@pytest.mark.parametrize("second", [_die(None), _die(99.0, f"{IMPLAUSIBLE}: x")])
def test_a_second_reading_that_cannot_be_had_stops_the_load(second: list[Reading]) -> None:
    guard = _guard()
    guard.observe(_die(96.0), 1.0)
    (trip,) = guard.confirm(second, 1.001)
    assert isinstance(trip, Trip)
    assert trip.stop.value == 96.0


def test_a_second_reading_that_does_not_come_within_an_interval_stops_the_load() -> None:
    guard = _guard(confirm_within_seconds=0.5)
    guard.observe(_die(96.0), 1.0)
    assert guard.tick(1.4) == []
    (trip,) = guard.tick(1.6)
    assert isinstance(trip, Trip)


def test_an_implausible_value_over_the_limit_is_no_crossing() -> None:
    guard = _guard()
    assert guard.observe(_die(127.0, f"{IMPLAUSIBLE}: code"), 1.0) == []


def test_a_repeat_over_the_limit_is_a_crossing() -> None:
    assert _guard().observe(_die(97.0, REPEAT), 1.0) == [ReadAgain("die")]


def test_a_channel_that_gave_values_and_gives_none_for_the_stated_time_stops_the_load() -> None:
    guard = _guard()
    guard.observe(_die(60.0), 1.0)
    for second in range(1, 11):
        guard.observe(_die(None), 1.0 + second)
        assert guard.tick(1.0 + second) == []
    (trip,) = guard.tick(11.5)
    assert isinstance(trip, Trip)
    assert trip.stop.unit == "s"
    assert trip.stop.value == pytest.approx(10.5)
    assert "gives no value" in trip.stop.channel


def test_implausible_values_do_not_keep_a_channel_alive() -> None:
    guard = _guard()
    guard.observe(_die(60.0), 0.0)
    trips = []
    for step in range(30):
        guard.observe(_die(127.0, f"{IMPLAUSIBLE}: code"), step * 0.5)
        trips += guard.tick(step * 0.5)
    assert len(trips) == 1


BLIND = [_die(None), _die(127.0, f"{IMPLAUSIBLE}: code"), []]


def _seconds_until_stop(guard: Guard, readings: list[Reading], load_begins: int) -> float | None:
    """One reading and one tick a second for two minutes; when the guard stopped the load."""
    for second in range(120):
        loaded = max(float(second - load_begins), 0.0)
        guard.observe(readings, float(second), loaded)
        if any(isinstance(it, Trip) for it in guard.tick(float(second), loaded)):
            return float(second)
    return None


@pytest.mark.parametrize("readings", BLIND)
def test_a_limit_whose_channels_never_gave_a_value_is_waited_for_from_when_load_begins(
    readings: list[Reading],
) -> None:
    """Missing, implausible, and hung from the first reading."""
    assert _seconds_until_stop(_guard(), readings, load_begins=30) == 41.0
    assert _seconds_until_stop(_guard(), readings, load_begins=200) is None


def test_a_blind_guard_that_the_operator_accepted_is_told_and_stops_nothing() -> None:
    guard = _guard(accept_blind=True)
    actions = [it for at in range(300) for it in guard.tick(float(at), float(at))]
    (told,) = actions
    assert isinstance(told, Tell)
    assert "1 of the 1 channels that safety.stop_above_celsius is about" in told.event.text
    assert not guard.tripped


def test_who_accepts_to_have_no_temperature_has_not_accepted_to_have_no_fan() -> None:
    guard = _guard(HOT, SLOW, accept_blind=True)
    trips = [
        action
        for at in range(60)
        for action in guard.tick(float(at), float(at))
        if isinstance(action, Trip)
    ]
    assert [(it.stop.channel, it.stop.whose) for it in trips] == [
        ("fan1 (gives no value)", SLOW.whose)
    ]


def test_beside_a_channel_that_guards_one_that_never_gave_a_value_is_told_once() -> None:
    other = Channel("two", "Package id 1", "°C", "hwmon", role="cpu_temperature")
    guard = Guard((HOT,), (DIE, other))
    actions = []
    for second in range(60):
        guard.observe(_die(50.0), float(second), float(second))
        actions += guard.tick(float(second), float(second))
    (told,) = actions
    assert isinstance(told, Tell)
    assert "1 of the 2 channels" in told.event.text
    assert told.event.text.endswith("guard nothing: Package id 1")


def test_a_channel_that_is_read_seldom_by_design_is_given_more_time() -> None:
    guard = _guard(periods={"die": 10.0})
    guard.observe(_die(60.0), 0.0)
    for second in range(30):
        assert guard.tick(float(second)) == []
    assert guard.tick(31.0) != []


def test_a_guard_that_was_itself_held_up_does_not_call_channels_stale() -> None:
    guard = _guard()
    guard.observe(_die(60.0), 0.0)
    guard.tick(0.5)
    assert guard.tick(300.0) == []
    for second in range(301, 310):
        guard.tick(float(second))
    assert guard.tick(312.0) != []


def test_a_fan_is_judged_only_after_load_has_been_on_for_a_while() -> None:
    guard = _guard(SLOW)
    standing = [Reading("fan", 0.0)]
    assert guard.observe(standing, 1.0, loaded_seconds=0.0) == []
    assert guard.observe(standing, 2.0, loaded_seconds=14.0) == []
    assert guard.observe(standing, 3.0, loaded_seconds=15.0) == [ReadAgain("fan")]
    (trip,) = guard.confirm(standing, 3.001, loaded_seconds=15.0)
    assert isinstance(trip, Trip)
    assert (trip.stop.value, trip.stop.limit) == (0.0, 500.0)


def test_a_warning_level_tells_once_until_the_value_has_fallen_again() -> None:
    level = GuardLimit("w", "cpu_temperature", "°C", above=95.0, warn_above=90.0)
    guard = _guard(level)
    seen = [len(guard.observe(_die(value), at)) for at, value in enumerate([89, 91, 92, 89, 91])]
    assert seen == [0, 1, 0, 0, 0]
    assert [len(guard.observe(_die(value), at)) for at, value in enumerate([80, 91], 10)] == [0, 1]


def test_a_mere_warning_does_not_make_the_channel_necessary() -> None:
    guard = _guard(GuardLimit("w", "cpu_temperature", "°C", warn_above=90.0))
    guard.observe(_die(60.0), 0.0)
    assert all(guard.tick(float(second)) == [] for second in range(1, 60))
    assert guard.guarded == ()
    assert guard.watched == {"die"}


def test_only_channels_of_the_role_with_the_unit_are_guarded() -> None:
    guard = _guard(HOT, GuardLimit("x", "cpu_temperature", "W", above=1.0))
    assert [it.key for it in guard.guarded] == ["die"]
    assert guard.observe([Reading("room", 300.0)], 1.0) == []


def test_an_absent_channel_leaves_the_guard_blind() -> None:
    gone = Channel("die", "x", "°C", "hwmon", role="cpu_temperature", absent_reason="no driver")
    assert Guard((HOT,), (gone,)).guarded == ()


def test_after_the_first_stop_nothing_more_is_asked_for() -> None:
    guard = _guard()
    guard.observe(_die(99.0), 1.0)
    guard.confirm(_die(99.0), 1.0)
    assert guard.observe(_die(99.0), 2.0) == []
    assert guard.tick(100.0) == []


def test_a_guard_held_up_while_its_channels_are_read_does_not_forgive_the_future() -> None:
    guard = _guard()
    guard.observe(_die(50.0), 0.0)
    guard.tick(0.0)
    guard.observe(_die(50.0), 29.9)
    assert guard.tick(30.0) == []
    assert guard.tick(39.9) == []
    assert isinstance(guard.tick(40.1)[0], Trip)


def test_a_guard_that_is_held_up_again_and_again_does_not_wait_for_ever() -> None:
    guard = _guard()
    guard.observe(_die(50.0), 0.0)
    guard.tick(0.0)
    stops = [at for step in range(1, 10) if guard.tick(at := 5.5 * step)]
    assert stops == [16.5], "one gap of 5.5 s was forgiven"


def test_a_repeat_does_not_keep_a_channel_alive() -> None:
    guard = _guard()
    guard.observe(_die(50.0), 0.0)
    for tick in range(1, 21):
        guard.observe(_die(50.0, REPEAT), tick / 2)
        assert guard.tick(tick / 2) == []
    guard.observe(_die(50.0, REPEAT), 10.5)
    assert isinstance(guard.tick(10.5)[0], Trip)


def test_a_driver_that_repeats_for_longer_than_the_stated_time_is_given_three_of_its_times() -> (
    None
):
    guard = Guard((replace(HOT, stale_after_seconds=1.0),), (DIE,), caches={"die": 1.5})
    guard.observe(_die(50.0), 0.0)
    assert guard.tick(0.9) == guard.tick(1.8) == guard.tick(2.7) == guard.tick(3.6) == []
    assert guard.tick(4.4) == []
    assert guard.tick(4.6) != []


def _repeated(guard: Guard, before: float, value: float) -> list[Action]:
    """`before` at 0 s, `value` at 1 s, and at once again from the driver's cache."""
    guard.observe(_die(before), 0.0)
    assert guard.observe(_die(value), 1.0) == [ReadAgain("die")]
    return guard.confirm(_die(value, REPEAT), 1.001)


def test_a_drivers_own_cache_confirms_no_jump_and_the_next_fresh_value_refutes_it() -> None:
    guard = _guard(confirm_within_seconds=0.5)
    assert _repeated(guard, 52.0, 120.0) == []
    assert guard.awaited == {"die"}
    assert guard.observe(_die(120.0, REPEAT), 1.5) == []
    unconfirmed, told = guard.observe(_die(52.5), 1.6)
    assert unconfirmed == Unconfirmed("die")
    assert isinstance(told, Tell)
    assert not (guard.tripped or guard.awaits)


@pytest.mark.parametrize("fresh", [_die(119.0), _die(None), _die(127.0, f"{IMPLAUSIBLE}: x")])
def test_a_fresh_value_over_the_limit_or_none_at_all_confirms_what_was_repeated(
    fresh: list[Reading],
) -> None:
    guard = _guard(confirm_within_seconds=0.5)
    _repeated(guard, 52.0, 120.0)
    (trip,) = guard.observe(fresh, 1.5)
    assert isinstance(trip, Trip)


def test_a_repeated_crossing_without_a_fresh_value_stops_within_one_and_a_half_intervals() -> None:
    guard = _guard(confirm_within_seconds=0.5)
    _repeated(guard, 52.0, 120.0)
    assert guard.tick(1.74) == []
    (trip,) = guard.tick(1.76)
    assert isinstance(trip, Trip)
    assert trip.stop.value == 120.0


def test_slow_readings_count_from_their_begin_so_that_the_load_is_off_within_two_intervals() -> (
    None
):
    guard = _guard(confirm_within_seconds=0.5)
    guard.observe(_die(52.0), 0.0)
    guard.observe(_die(120.0), 1.45, began_seconds=1.0)
    assert guard.tick(1.85) == []
    (trip,) = guard.confirm(_die(120.0, REPEAT), 1.86)
    assert isinstance(trip, Trip)
    hung = _guard(confirm_within_seconds=0.5)
    hung.observe(_die(120.0), 1.45, began_seconds=1.0)
    assert hung.tick(1.87) == []
    assert isinstance(hung.tick(1.88)[0], Trip)


def test_a_stop_says_since_when_the_first_reading_over_the_limit_was_under_way() -> None:
    confirmed, hung, repeated = (_guard(confirm_within_seconds=0.5) for _ in range(3))
    for guard in (confirmed, hung, repeated):
        guard.observe(_die(52.0), 0.0)
        guard.observe(_die(120.0), 1.45, began_seconds=1.0)
    repeated.confirm(_die(120.0, REPEAT), 1.5)
    stops = [
        confirmed.confirm(_die(120.0), 1.5),
        hung.tick(1.88),
        repeated.observe(_die(99.0), 1.6),
    ]
    assert [(it.since_seconds if isinstance(it, Trip) else None) for (it,) in stops] == [1.0] * 3


def test_a_stop_for_a_channel_that_fell_silent_knows_of_no_reading_over_the_limit() -> None:
    guard = _guard()
    guard.observe(_die(60.0), 0.0)
    assert [guard.tick(float(second)) for second in range(11)] == [[]] * 11
    (trip,) = guard.tick(11.0)
    assert isinstance(trip, Trip)
    assert trip.since_seconds is None


def test_a_repeat_confirms_a_value_that_came_from_nearby_at_once() -> None:
    (trip,) = _repeated(_guard(), 93.0, 96.0)
    assert isinstance(trip, Trip)


def test_within_a_drivers_cache_the_same_value_is_a_repeat_even_without_a_flag() -> None:
    """Some drivers cache each input apart, so that another input of the chip has changed."""
    guard = _guard(caches={"die": 1.5}, confirm_within_seconds=2.0)
    guard.observe(_die(52.0), 0.0)
    guard.observe(_die(120.0), 1.0)
    assert guard.confirm(_die(120.0), 1.001) == []
    assert guard.observe(_die(120.0), 2.4) == []
    assert isinstance(guard.observe(_die(120.0), 2.6)[0], Trip)


def _hover(guard: Guard, first: list[Reading], second: list[Reading], times: int) -> list[Action]:
    """Two seconds apart: a reading over the limit, and one under it when read again at once."""
    actions: list[Action] = []
    for turn in range(times):
        guard.observe(first, 2.0 * turn, 60.0)
        actions += guard.confirm(second, 2.0 * turn, 60.0)
    return actions


def test_a_value_that_hovers_at_its_limit_is_no_spike_and_stops_the_load_at_the_fifth_time() -> (
    None
):
    guard = _guard()
    actions = _hover(guard, _die(95.125), _die(95.0), 4)
    assert [type(it) for it in actions] == [Tell] * 4
    trip, told = _hover(guard, _die(95.125), _die(95.0), 1)
    assert isinstance(trip, Trip)
    assert (trip.stop.value, trip.stop.limit) == (95.125, 95.0)
    assert isinstance(told, Tell)
    assert "at its limit, 5 of the 5 times within 60 s" in told.event.text


def test_crossings_that_are_not_confirmed_stop_nothing_when_they_are_rare() -> None:
    guard = _guard()
    told = 0
    for turn in range(500):
        guard.observe(_die(95.125), 20.0 * turn)
        told += len(guard.confirm(_die(95.0), 20.0 * turn))
    assert not guard.tripped
    assert told == 20


def test_spikes_are_all_flagged_and_the_first_twenty_are_told() -> None:
    guard = _guard()
    actions = _hover(guard, _die(120.0), _die(60.0), 500)
    assert sum(isinstance(it, Unconfirmed) for it in actions) == 500
    told = [it.event.text for it in actions if isinstance(it, Tell)]
    assert len(told) == 20
    assert told[-1].endswith("further ones are flagged and not told")
    assert not guard.tripped


@pytest.mark.parametrize(("second", "is_spike"), [(540.0, False), (700.0, True)])
def test_of_other_units_a_spike_is_a_tenth_of_the_limit_or_more_away(
    second: float, is_spike: bool
) -> None:
    guard = _guard(SLOW)
    actions = _hover(guard, [Reading("fan", 495.0)], [Reading("fan", second)], 1)
    assert any(isinstance(it, Unconfirmed) for it in actions) is is_spike


@given(st.lists(st.one_of(st.none(), st.floats(20.0, 126.0)), min_size=1, max_size=60))
def test_the_guard_stops_exactly_when_two_readings_in_a_row_are_over(
    values: list[float | None],
) -> None:
    """Each value is read twice, as the sampler does, unless the first reading is in order."""
    guard = _guard()
    tripped_at = None
    for turn, value in enumerate(values):
        actions = guard.observe(_die(value), turn * 0.1)
        if actions == [ReadAgain("die")]:
            actions = guard.confirm(_die(value), turn * 0.1)
        if any(isinstance(action, Trip) for action in actions):
            tripped_at = turn
            break
    over = [turn for turn, value in enumerate(values) if value is not None and value > 95.0]
    assert tripped_at == (over[0] if over else None)


def _warnings_of_a_still_die(values: list[float], load_begins: int) -> list[str]:
    """One reading a second; the texts that the guard tells."""
    guard = _guard()
    texts = []
    for second, value in enumerate(values):
        for action in guard.observe(_die(value), float(second), max(second - load_begins, 0.0)):
            assert isinstance(action, Tell)
            texts.append(action.event.text)
    return texts


def test_a_temperature_that_a_minute_of_load_has_not_moved_is_told_once_and_stops_nothing() -> None:
    (text,) = _warnings_of_a_still_die([41.0] * 200, load_begins=10)
    assert "read exactly 41 °C for 70 s, since before 60 s of load" in text
    assert "may be stuck" in text


def test_a_temperature_that_load_has_moved_may_stand_still_afterwards() -> None:
    assert _warnings_of_a_still_die([41.0] * 11 + [63.0] * 200, load_begins=10) == []
    assert _warnings_of_a_still_die([41.0] * 400, load_begins=400) == []


def test_the_guard_awaits_a_second_reading_until_it_comes_or_the_load_is_off() -> None:
    guard = _guard(confirm_within_seconds=0.5)
    assert not guard.awaits
    guard.observe(_die(96.0), 1.0)
    assert guard.awaits
    guard.confirm(_die(61.0), 1.001)
    assert not guard.awaits
    guard.observe(_die(96.0), 2.0)
    assert isinstance(guard.tick(2.6)[0], Trip)
    assert not guard.awaits
