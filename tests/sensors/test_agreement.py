"""Whether two statements about one clock agree."""

from __future__ import annotations

from harness.results import Channel
from harness.sensors.agreement import clock_agreement

CHANNELS = (
    Channel("m0", "measured 0", "Hz", "clock probe", cpu=0),
    Channel("m1", "measured 1", "Hz", "clock probe", cpu=1),
    Channel("s0", "CPU 0 clock (request)", "Hz", "cpufreq", cpu=0),
    Channel("s1", "CPU 1 clock (request)", "Hz", "cpufreq", cpu=1),
    Channel("s2", "CPU 2 clock (request)", "Hz", "cpufreq", cpu=2),
)


def test_each_cpu_with_both_statements_is_judged() -> None:
    values = {"m0": 4.0e9, "m1": 4.0e9, "s0": 4.1e9, "s1": 5.0e9, "s2": 4.0e9}
    found = clock_agreement(CHANNELS, values)
    assert [(it.cpu, it.agree) for it in found] == [(0, True), (1, False)]
    assert found[1].ratio == 1.25
    assert found[1].stated_by == "CPU 1 clock (request)"


def test_a_missing_or_zero_value_gives_no_statement() -> None:
    assert clock_agreement(CHANNELS, {"m0": 4e9}) == ()
    assert clock_agreement(CHANNELS, {"m0": 0.0, "s0": 4e9}) == ()
