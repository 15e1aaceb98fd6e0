"""Named causes of a disturbed trial, each at its stated threshold."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from evidence_samples import channel, event, lane, run_data, trial

from harness.judgement.causes import Causes
from harness.results import Envelope, EventKind, RunData


def causes(number: int = 3, data: RunData | None = None, **worst_lane: Any) -> tuple[str, ...]:
    base = data or run_data()
    trials = list(base.trials)
    trials[number] = replace(trials[number], lanes=(lane(0), lane(1, **worst_lane)))
    changed = replace(base, trials=tuple(trials))
    return Causes(changed).of(trials[number])


def test_a_quiet_trial_has_no_cause() -> None:
    assert causes() == ()


@pytest.mark.parametrize(
    ("below", "at", "words"),
    [
        (
            {"run_delay_seconds": 0.0149},
            {"run_delay_seconds": 0.015},
            "run delay 0.5 % of the trial on CPU 5",
        ),
        ({"major_faults": 9}, {"major_faults": 10}, "10 page faults from disk"),
        (
            {"involuntary_switches": 299},
            {"involuntary_switches": 300},
            "100 involuntary switches a second on CPU 5",
        ),
        # One of two lanes drops by 2 %: their mean by 1 %.
        ({"clock_hz": 3.6e9 * 0.981}, {"clock_hz": 3.6e9 * 0.9799}, "clock 1.0 % below its usual"),
    ],
)
def test_a_cause_begins_at_its_threshold(
    below: dict[str, Any], at: dict[str, Any], words: str
) -> None:
    assert causes(**below) == ()
    found = causes(**at)
    assert len(found) == 1
    assert words in found[0]


def test_what_the_system_does_not_tell_is_no_cause() -> None:
    unknown = {"run_delay_seconds": None, "involuntary_switches": None, "major_faults": None}
    assert causes(**unknown, clock_hz=None) == ()


def test_the_lane_that_suffered_most_is_named() -> None:
    lanes = (lane(0, run_delay_seconds=0.9), lane(1, run_delay_seconds=0.3))
    taken = trial(0, 100.0, lanes=lanes)
    found = Causes(run_data(trials=(taken,))).of(taken)
    assert found == ("run delay 30.0 % of the trial on CPU 4",)


def test_a_lane_without_a_cpu_is_named_by_its_number() -> None:
    assert causes(cpu=None, run_delay_seconds=0.3) == ("run delay 10.0 % of the trial on lane 1",)


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (EventKind.THROTTLED, "throttling (1 event)"),
        (EventKind.SUSPENDED, "the machine was suspended"),
    ],
)
def test_an_event_explains_the_trial_it_falls_into_and_no_other(
    kind: EventKind, words: str
) -> None:
    data = run_data(events=(event(kind, at_seconds=23.0),))
    assert causes(3, data) == (words,)
    assert causes(4, data) == ()


def test_a_note_explains_nothing() -> None:
    assert causes(3, run_data(events=(event(EventKind.NOTE, at_seconds=23.0),))) == ()


def warmed(duration_seconds: float) -> RunData:
    """71 °C in every trial but the fourth (22 s to 25 s), which reaches 82 °C."""
    envelopes = tuple(
        Envelope(
            10.5 + 4.0 * number, duration_seconds, 60.0, 65.0, 82.0 if number == 3 else 71.0, 2
        )
        for number in range(6)
    )
    return run_data(channels=(channel(envelopes=envelopes),))


def test_a_trial_hotter_than_the_others_of_its_load_has_a_cause() -> None:
    assert causes(3, warmed(1.0)) == ("11 °C hotter than usual",)
    assert causes(4, warmed(1.0)) == ()


def test_an_envelope_longer_than_the_trial_cannot_say_what_happened_in_it() -> None:
    assert causes(3, warmed(60.0)) == ()


def test_causes_that_the_record_names_come_first_and_once() -> None:
    base = run_data()
    taken = replace(base.trials[0], causes=("run delay 12 %",))
    assert Causes(base).of(taken) == ("run delay 12 %",)


def delayed(*shares: float) -> RunData:
    """One load whose trials had these shares of run delay on one lane."""
    return run_data(
        trials=tuple(
            trial(number, 100.0, lanes=(lane(0), lane(1, run_delay_seconds=3.0 * share)))
            for number, share in enumerate(shares)
        )
    )


def test_what_every_trial_suffered_disturbs_them_all_and_excuses_none() -> None:
    data = delayed(0.011, 0.010, 0.012, 0.010, 0.013, 0.011)
    found = Causes(data)
    assert all(found.of(item) for item in data.trials)
    assert not any(found.excuse(item) for item in data.trials)


def test_a_trial_disturbed_more_than_the_others_has_an_excuse() -> None:
    data = delayed(0.011, 0.010, 0.012, 0.010, 0.080, 0.011)
    excuses = [Causes(data).excuse(item) for item in data.trials]
    assert excuses == [(), (), (), (), ("run delay 8.0 % of the trial on CPU 5",), ()]


def test_a_trial_within_the_scatter_of_the_others_has_no_excuse() -> None:
    data = delayed(0.55, 0.60, 0.653, 0.641, 0.57, 0.62)
    assert not any(Causes(data).excuse(item) for item in data.trials)


@pytest.mark.parametrize(("lowest_ghz", "excused"), [(3.40, False), (3.00, True)])
def test_a_clock_must_fall_below_the_scatter_of_the_others(
    lowest_ghz: float, excused: bool
) -> None:
    clocks = (3.60, 3.50, 3.45, 3.55, lowest_ghz, 3.52)
    data = run_data(
        trials=tuple(
            trial(number, 100.0, lanes=(lane(0, clock_hz=1e9 * ghz),))
            for number, ghz in enumerate(clocks)
        )
    )
    assert Causes(data).of(data.trials[4])
    # The number told is that against the median, 3.51 GHz, whatever the scatter is.
    told = ("clock 14.5 % below its usual value",) if excused else ()
    assert Causes(data).excuse(data.trials[4]) == told


def test_switches_that_every_trial_had_excuse_none() -> None:
    data = run_data(
        trials=tuple(
            trial(number, 100.0, lanes=(lane(0), lane(1, involuntary_switches=count)))
            for number, count in enumerate((600, 620, 590, 610, 1200, 600))
        )
    )
    found = Causes(data)
    assert all(found.of(item) for item in data.trials)
    assert [bool(found.excuse(item)) for item in data.trials] == [False] * 4 + [True, False]
