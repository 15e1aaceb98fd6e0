"""Gates are pure functions of time that every lane computes alike."""

from __future__ import annotations

import itertools
from statistics import fmean

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.clock import NS_PER_SECOND
from harness.lanes.gate import Bursts, SquareWave, _splitmix


@given(st.floats(0.1, 50), st.floats(5, 95), st.integers(0, 10_000))
def test_square_wave_windows_keep_duty_and_never_drift(
    frequency: float, duty: float, number: int
) -> None:
    gate = SquareWave.of(frequency, duty)
    window = gate.window(number)
    assert window.on_ns == number * gate.period_ns
    assert (window.off_ns - window.on_ns) / gate.period_ns == pytest.approx(duty / 100, rel=1e-6)


def test_bursts_do_not_overlap_and_keep_their_mean_idle() -> None:
    gate = Bursts(seed=7, idle_ns=NS_PER_SECOND, burst_ns=NS_PER_SECOND // 10)
    windows = [gate.window(number) for number in range(400)]
    idles = [later.on_ns - earlier.off_ns for earlier, later in itertools.pairwise(windows)]
    assert min(idles) >= 0
    # 399 exponential idles of mean 1 s: their mean lies within 4 standard errors of 1 s.
    assert fmean(idles) / NS_PER_SECOND == pytest.approx(1.0, abs=4 / 399**0.5)


def test_walking_through_the_windows_gives_each_of_them() -> None:
    for gate in (SquareWave.of(3.0, 40.0), Bursts(5, 10**9, 10**8)):
        walked = list(itertools.islice(gate.windows(), 60))
        assert walked == [gate.window(number) for number in range(60)]


def test_bursts_are_where_they_were_when_each_was_summed_up_from_the_start() -> None:
    gate = Bursts(seed=3, idle_ns=10**9, burst_ns=10**8)
    for number, window in enumerate(itertools.islice(gate.windows(), 40)):
        idle_ns = sum(gate._idle(step) for step in range(number + 1))
        assert window.on_ns == idle_ns + number * gate.burst_ns


def test_a_seed_gives_the_same_bursts_everywhere() -> None:
    one, two = Bursts(1, 10**9, 10**8), Bursts(1, 10**9, 10**8)
    assert one.window(50) == two.window(50)
    assert one.window(50) != Bursts(2, 10**9, 10**8).window(50)


def test_splitmix64_gives_the_reference_output() -> None:
    # Vigna's reference implementation, seed 1234567: first output 6457827717110365317. A counter
    # `c` here stands for state c * gamma, so the seed is the counter c = seed / gamma mod 2^64.
    gamma = 0x9E3779B97F4A7C15
    counter = 1234567 * pow(gamma, -1, 2**64) % 2**64
    assert _splitmix(counter) == 6457827717110365317
