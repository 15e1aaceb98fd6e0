"""Whether a channel was seen while load ran, in every stretch of it."""

from __future__ import annotations

import pytest
from evidence_samples import channel, evidence, heating, load_info, run_data, soak, trial

from harness.criteria.coverage import unseen
from harness.criteria.temperature_ceiling import TemperatureCeiling
from harness.criteria.temperature_margin import TemperatureMargin
from harness.outcome import Verdict
from harness.results import ChannelData, Envelope, RunData

LOADS = (load_info("steady", 0, trials=0), load_info("last", 1, trials=0))
#: Nine minutes of one load, then one of another: 10 % of the run.
SOAKS = (
    soak(540.0, 0, started_seconds=0.0, ended_seconds=540.0),
    soak(60.0, 1, number=200, started_seconds=540.0, ended_seconds=600.0),
)
RUN = run_data(loads=LOADS, trials=(), soaks=SOAKS, duration_seconds=600.0)


def seen_in(*spans: tuple[int, int], every: int = 1, width: float = 1.0) -> ChannelData:
    """A channel with a value in each of these whole seconds, and nearly all samples of the run."""
    times = [at for since, until in spans for at in range(since, until, every)]
    envelopes = tuple(Envelope(float(at), width, 60.0, 60.0, 61.0, 2) for at in times)
    return channel(envelopes=envelopes, samples=950, missing=50)


def reasons(item: ChannelData, data: RunData = RUN) -> list[str]:
    return unseen((item,), data)


def test_a_channel_seen_all_the_time_gives_no_reason() -> None:
    assert reasons(seen_in((0, 600))) == []


def test_a_sensor_that_vanishes_for_the_last_load_was_not_seen_under_it() -> None:
    lost = "cpu temperature gave no usable value for 57.0 s of the 1 min 00 s of last"
    assert reasons(seen_in((0, 543))) == [lost]
    data = run_data(**{**vars(RUN), "channels": (seen_in((0, 543)),)})
    ceiling = TemperatureCeiling(at_most_celsius=90.0).judge(evidence(data))
    assert (ceiling.verdict, ceiling.measured) == (Verdict.INCONCLUSIVE, None)
    assert lost in ceiling.why
    fitted = evidence(data, heating=(heating(),))
    assert lost in TemperatureMargin(at_least_celsius=5.0).judge(fitted).why
    assert TemperatureCeiling(at_most_celsius=50.0).judge(evidence(data)).verdict is Verdict.FAIL


def test_a_gap_in_the_middle_of_a_load_counts_as_one_at_its_end() -> None:
    # A tenth of the nine minutes is 54 s.
    assert reasons(seen_in((0, 100), (153, 600))) == []
    assert "55.0 s of the 9 min 00 s of steady" in reasons(seen_in((0, 100), (155, 600)))[0]


def test_a_trial_during_which_nothing_was_read_is_told() -> None:
    data = run_data(soaks=(), trials=(trial(0, 100.0), trial(5, 100.0)))
    # Trials from 10 s to 13 s and from 30 s to 33 s.
    assert reasons(seen_in((0, 34)), data) == []
    assert "of the 3.00 s of spin" in reasons(seen_in((0, 15)), data)[0]


@pytest.mark.parametrize(("every", "width"), [(10, 1.0), (30, 30.0), (2, 1.0)])
def test_a_sensor_that_is_seldom_read_is_seen_by_its_own_measure(every: int, width: float) -> None:
    assert reasons(seen_in((0, 600), every=every, width=width)) == []
    assert reasons(seen_in((0, 531), every=every, width=width))


def test_readings_that_come_a_little_late_are_no_gap() -> None:
    assert reasons(seen_in((0, 300), (304, 590), (593, 597))) == []


def test_over_the_whole_run_the_samples_are_counted() -> None:
    few = channel(samples=899, missing=101)
    assert reasons(few) == ["cpu temperature gave a usable value for only 89.9 % of the run"]


def test_a_gap_inside_a_wide_envelope_of_a_long_run_is_seen() -> None:
    """A night is merged into envelopes of half a minute: 60 readings each, one holds 20."""
    trials = (trial(0, 100.0),)
    data = run_data(soaks=(), trials=trials, duration_seconds=3_000.0)
    begun = trials[0].started_seconds

    def merged(at_trial: int) -> ChannelData:
        counts = dict.fromkeys(range(0, 3000, 30), 60) | {int(begun // 30) * 30 + 30: at_trial}
        envelopes = tuple(Envelope(float(at) - 30.0, 30.0, 60.0, 60.0, 61.0, n)
                          for at, n in counts.items())  # fmt: skip
        return channel(envelopes=envelopes, samples=6_000, missing=0)

    assert reasons(merged(58), data) == []
    assert "gave no usable value for 3.00 s of the 3.00 s of spin" in reasons(merged(20), data)[0]
