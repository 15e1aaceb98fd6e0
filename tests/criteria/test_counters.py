"""Throttling and hardware errors: only the increase counts, and unknown is not zero."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evidence_samples import (
    counter,
    event,
    evidence,
    run_data,
    soak,
)

from harness.criteria.counters import increase_of, restarts_of
from harness.criteria.hardware_errors import HardwareErrors
from harness.criteria.throttling import Throttling
from harness.outcome import Verdict
from harness.results import Boot, Channel, ChannelData, Envelope, EventKind


def test_a_counter_that_stood_still_passes() -> None:
    data = run_data(channels=(counter("throttle_count", 7, 7),))
    result = Throttling().judge(evidence(data))
    assert (result.verdict, result.measured) == (Verdict.PASS, 0)
    assert result.uncertainty == "count: exact"


def test_only_the_increase_during_the_run_counts() -> None:
    counters = (counter("throttle_count", 7, 9), counter("throttle_count", 0, 1, "other"))
    data = run_data(channels=counters, events=(event(EventKind.THROTTLED),))
    result = Throttling().judge(evidence(data))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 3)
    assert "the first: core 5 throttled" in result.why
    assert Throttling(at_most=3).judge(evidence(data)).verdict is Verdict.PASS


def test_a_counter_that_was_reset_counts_from_its_reset() -> None:
    data = run_data(channels=(counter("hardware_errors", 100, 2),))
    assert HardwareErrors().judge(evidence(data)).measured == 2


def test_events_count_where_the_counter_could_not_be_read_at_both_ends() -> None:
    lost = replace(counter("hardware_errors", 0, 0), first_value=None)
    data = run_data(channels=(lost,), events=(event(EventKind.HARDWARE_ERROR, text="DIMM A1"),))
    result = HardwareErrors().judge(evidence(data))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 1)


def test_without_any_counter_the_number_is_unknown_and_not_zero() -> None:
    result = HardwareErrors(required=False).judge(evidence())
    assert (result.verdict, result.measured) == (Verdict.NOT_TESTED, None)
    assert "unknown, not 0" in result.why


def course(*blocks: tuple[float, float, float], first: float, last: float) -> ChannelData:
    """A throttle counter with (second, smallest, largest) for each block of one second."""
    envelopes = tuple(Envelope(at, 1.0, low, low, high, 2) for at, low, high in blocks)
    return replace(counter("throttle_count", first, last), envelopes=envelopes, last_value=last)


TWO_BOOTS = (Boot(1, "boot-a", "", 0.0, None), Boot(2, "boot-b", "", 100.0, None))


@pytest.mark.parametrize(
    ("blocks", "first", "last", "increase"),
    [
        ([(0, 7, 9), (1, 9, 9), (2, 9, 12)], 7, 12, 5),
        # Set to zero within the boot, and it counted five more although it ends below its start.
        ([(0, 7, 9), (1, 0, 0), (2, 0, 5)], 7, 5, 7),
        # Set to zero inside a block: both of its ends count.
        ([(0, 7, 7), (1, 0, 9), (2, 3, 3)], 7, 3, 5),
        # Set to zero twice.
        ([(0, 4, 4), (1, 1, 1), (2, 3, 3), (3, 2, 2)], 4, 2, 5),
        ([(0, 4, 4)], 4, 4, 0),
    ],
)
def test_the_positive_steps_of_a_counter_are_added_up_over_its_resets(
    blocks: list[tuple[float, float, float]], first: float, last: float, increase: float
) -> None:
    assert increase_of(course(*blocks, first=first, last=last), ()) == increase


@pytest.mark.parametrize(
    ("blocks", "first", "last", "increase"),
    [
        # What the second boot had counted before the run went on is not of the run.
        ([(10, 4, 6), (120, 50, 50), (130, 50, 51)], 4, 51, 3),
        # One block holds the end of the first boot and the start of the second.
        ([(10, 100, 100), (99.5, 0, 100), (130, 0, 2)], 100, 2, 2),
        # The second boot starts lower: no fall within a boot, so nothing was set to zero.
        ([(10, 100, 103), (100, 3, 3), (130, 3, 3)], 100, 3, 3),
    ],
)
def test_each_boot_counts_from_its_own_first_value(
    blocks: list[tuple[float, float, float]], first: float, last: float, increase: float
) -> None:
    counted = course(*blocks, first=first, last=last)
    data = run_data(boots=TWO_BOOTS, channels=(counted,), trials=(), soaks=())
    assert Throttling(at_most=1000).judge(evidence(data)).measured == increase


def test_going_on_in_the_same_boot_is_no_restart() -> None:
    assert restarts_of(TWO_BOOTS) == (100.0,)
    assert restarts_of((TWO_BOOTS[0], replace(TWO_BOOTS[1], boot_id="boot-a"))) == ()


def absent(name: str, source: str) -> ChannelData:
    channel = Channel(
        name, name, "count", source, "throttle_count", counter=True, absent_reason="EACCES"
    )
    return ChannelData(channel, (), 0, 0, 0)


def test_a_counter_that_could_not_be_read_beside_others_forbids_a_pass() -> None:
    seen = counter("throttle_count", 7, 7)
    result = Throttling().judge(
        evidence(run_data(channels=(seen, absent("core 3 throttled", "throttle"))))
    )
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "core 3 throttled: EACCES" in result.why
    risen = counter("throttle_count", 7, 8)
    failed = Throttling().judge(
        evidence(run_data(channels=(risen, absent("core 3 throttled", "throttle"))))
    )
    assert (failed.verdict, failed.measured) == (Verdict.FAIL, 1)


def test_a_source_that_this_system_does_not_have_is_no_missing_counter() -> None:
    channels = (counter("throttle_count", 7, 7), absent("accelerator", "nvml"))
    assert Throttling().judge(evidence(run_data(channels=channels))).verdict is Verdict.PASS


def test_few_events_of_a_counter_that_was_lost_prove_no_pass() -> None:
    lost = replace(counter("throttle_count", 0, 0), last_value=None, missing_reason="EIO")
    data = run_data(channels=(lost,), events=(event(EventKind.THROTTLED),))
    assert Throttling(at_most=5).judge(evidence(data)).verdict is Verdict.INCONCLUSIVE


def ended_at(counted: ChannelData, *seconds: float) -> ChannelData:
    """The counter with blocks of one second that end at these moments only."""
    value = counted.last_value or 0.0
    envelopes = tuple(Envelope(at - 1.0, 1.0, value, value, value, 2) for at in seconds)
    return replace(counted, envelopes=envelopes, missing=3500, missing_reason="ENODEV")


def test_a_counter_that_vanished_before_the_last_load_ended_proves_no_pass() -> None:
    lost = ended_at(counter("throttle_count", 5, 5), 1.0, 10.0)
    result = Throttling().judge(evidence(run_data(channels=(lost,))))
    assert (result.verdict, result.measured) == (Verdict.INCONCLUSIVE, None)
    assert "count: no value when the load ended, 11 min 40 s into the run: ENODEV" in result.why
    beside = counter("throttle_count", 5, 5, "other")
    both = Throttling().judge(evidence(run_data(channels=(beside, lost))))
    assert both.verdict is Verdict.INCONCLUSIVE


def test_a_rise_seen_before_the_counter_vanished_still_fails() -> None:
    risen = replace(ended_at(counter("throttle_count", 5, 7), 1.0, 10.0), first_value=5.0)
    result = Throttling().judge(evidence(run_data(channels=(risen,))))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 2)


@pytest.mark.parametrize("last_seconds", [696.0, 700.0, 720.0])
def test_readings_missed_in_mid_run_do_no_harm_to_a_counter_read_at_the_end(
    last_seconds: float,
) -> None:
    # The last load ends at 700 s; a reading may be some seconds old.
    seen = ended_at(counter("throttle_count", 5, 5), 1.0, last_seconds)
    result = Throttling().judge(evidence(run_data(channels=(seen,))))
    assert (result.verdict, result.measured) == (Verdict.PASS, 0)


def test_what_a_second_boot_counts_does_not_stand_for_the_end_of_the_first() -> None:
    # Loads end at 33 s in the first boot and at 700 s in the second, which begins at 100 s.
    later = run_data(boots=TWO_BOOTS, soaks=(soak(600.0, boot=2),))
    count = counter("throttle_count", 0, 0)
    both = replace(later, channels=(ended_at(count, 1.0, 33.0, 700.0),))
    assert Throttling().judge(evidence(both)).verdict is Verdict.PASS
    second_only = replace(later, channels=(ended_at(count, 1.0, 10.0, 700.0),))
    result = Throttling().judge(evidence(second_only))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "no value when the load ended, 33.0 s into the run" in result.why


def memory(place_and_item: str, rise: float) -> ChannelData:
    """A memory counter, keyed as its source keys it, that rose by so much from 3."""
    found = counter("hardware_errors", 3, 3 + rise, place_and_item)
    place, item = place_and_item.split()
    key = f"hardware errors:{place}:driver:{item}:"
    return replace(found, channel=replace(found.channel, key=key))


@pytest.mark.parametrize(
    ("counts", "errors"),
    [
        # One error of a module is one of its controller too.
        ({"mc0 ce_count": 1, "mc0/dimm0 dimm_ce_count": 1}, 1),
        ({"mc0 ce_count": 3, "mc0/dimm0 dimm_ce_count": 1, "mc0/dimm1 dimm_ce_count": 2}, 3),
        # Errors of which no module is known, and a controller that was set to zero in between.
        ({"mc0 ce_count": 5, "mc0/dimm0 dimm_ce_count": 1}, 5),
        ({"mc0 ce_count": 1, "mc0/dimm0 dimm_ce_count": 2, "mc0/rank1 dimm_ce_count": 2}, 4),
        # Controllers and kinds of errors are things of their own.
        ({"mc0 ce_count": 1, "mc1/dimm0 dimm_ce_count": 1}, 2),
        ({"mc0 ce_count": 1, "mc0 ue_count": 1, "mc0/dimm0 dimm_ue_count": 1}, 2),
        ({"mc0/dimm0 dimm_ce_count": 1, "mc0/dimm1 dimm_ce_count": 1}, 2),
    ],
)
def test_one_memory_error_counts_once_though_controller_and_module_both_count_it(
    counts: dict[str, int], errors: int
) -> None:
    channels = tuple(memory(name, rise) for name, rise in counts.items())
    events = tuple(  # the sampler tells the rise of each of them
        replace(event(EventKind.HARDWARE_ERROR), data={"channel": item.channel.key})
        for item in channels
    )
    result = HardwareErrors().judge(evidence(run_data(channels=channels, events=events)))
    assert (result.verdict, result.measured) == (Verdict.FAIL, errors)


def test_events_without_a_channel_and_those_of_other_counters_each_count() -> None:
    module = memory("mc0/dimm0 dimm_ce_count", 0)
    told = event(EventKind.HARDWARE_ERROR, text="machine check exceptions")
    row = replace(told, data={"channel": "hardware errors::interrupts:MCE:"})
    data = run_data(channels=(module,), events=(told, row, row))
    assert HardwareErrors().judge(evidence(data)).measured == 3


ALARM_ROW = counter("heat_alarms", 0, 0, "thermal event interrupts", "hardware errors")
CHECK_ROW = counter("error_alarms", 0, 0, "machine check exceptions", "hardware errors")
LOG_LINES = counter("error_alarms", 0, 0, "hardware error lines", "kernel log")


@pytest.mark.parametrize("required", [True, False])
@pytest.mark.parametrize(
    ("criterion", "silent"),
    [
        (Throttling, (ALARM_ROW,)),
        (Throttling, (counter("throttle_count", 0, 0, "slowed down: heat", "nvml"),)),
        (HardwareErrors, (CHECK_ROW,)),
        (HardwareErrors, (CHECK_ROW, LOG_LINES)),
        (HardwareErrors, (counter("hardware_errors", 0, 0, "ECC errors", "nvml"),)),
    ],
)
def test_silent_alarms_and_another_devices_counters_are_no_pass(
    criterion: type[Throttling] | type[HardwareErrors],
    silent: tuple[ChannelData, ...],
    required: bool,
) -> None:
    result = criterion(required=required).judge(evidence(run_data(channels=silent)))
    expected = Verdict.INCONCLUSIVE if required else Verdict.NOT_TESTED
    assert (result.verdict, result.measured) == (expected, None)
    assert "unknown" in result.why
    assert all(item.channel.name in result.why for item in silent)


@pytest.mark.parametrize(
    ("criterion", "rung"),
    [
        (Throttling, counter("heat_alarms", 0, 2, "thermal events", "hardware errors")),
        (HardwareErrors, counter("error_alarms", 0, 2, "machine checks", "hardware errors")),
        (HardwareErrors, counter("hardware_errors", 0, 2, "ECC errors", "nvml")),
    ],
)
def test_an_alarm_that_rang_fails_though_its_silence_would_prove_nothing(
    criterion: type[Throttling] | type[HardwareErrors], rung: ChannelData
) -> None:
    result = criterion().judge(evidence(run_data(channels=(rung,))))
    assert (result.verdict, result.measured) == (Verdict.FAIL, 2)


def test_why_the_memory_controller_is_silent_is_said() -> None:
    absent_driver = replace(
        counter("hardware_errors", 0, 0, "memory errors"), first_value=None, last_value=None
    )
    absent_driver = replace(
        absent_driver, channel=replace(absent_driver.channel, absent_reason="no driver is loaded")
    )
    data = run_data(channels=(absent_driver, CHECK_ROW))
    result = HardwareErrors(required=False).judge(evidence(data))
    assert result.verdict is Verdict.NOT_TESTED
    assert "no driver is loaded" in result.why


def test_of_many_counters_a_few_are_named() -> None:
    cores = tuple(counter("throttle_count", 0, 0, f"core {core} throttled") for core in range(64))
    result = Throttling().judge(evidence(run_data(channels=cores)))
    assert result.why.endswith("core 0 throttled; core 1 throttled; core 2 throttled and 61 more")
