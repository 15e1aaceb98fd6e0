"""The profile's safety section as the guard gets it, and what the guard then makes of a reading."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import RefusedStart
from harness.record.reader import read_run
from harness.results import Channel, EventKind
from harness.sensors.contract import Reading
from harness.sensors.guard import Guard, ReadAgain, Tell
from harness.startup import Machine, RunOptions, guard_limits, plan_run
from tests.sysfs_trees import Tree
from tests.whole_runs import SOAK, loaded, run

DIE = Channel("die", "CPU die", "°C", "hwmon", role="cpu_temperature")


def guard(safety: str) -> Guard:
    profile = loaded(SOAK.replace("SECONDS", "1") + f"safety: {{{safety}}}\n").profile
    return Guard(guard_limits(profile), (DIE,))


def told(watch: Guard, celsius: float) -> list[str]:
    actions = watch.observe([Reading("die", celsius)], 1.0)
    return [action.event.text for action in actions if isinstance(action, Tell)]


def test_a_refusal_for_want_of_memory_tells_both_amounts_in_the_units_of_every_other_screen() -> (
    None
):
    machine = Machine({}, "boot", (0, 1), (), available_bytes=3 * 2**19)
    profile = loaded(SOAK.replace("SECONDS", "1")).profile
    with pytest.raises(RefusedStart, match=r"needs [\d.]+ [MG]iB for 2 lanes, 1\.50 MiB are"):
        plan_run(profile, machine, RunOptions(Path("runs")))


@pytest.mark.parametrize("stop", ["95", "null"])
def test_a_reading_above_the_warning_level_is_told(stop: str) -> None:
    watch = guard(f"warn_above_celsius: 70, stop_above_celsius: {stop}")
    assert told(watch, 70.0) == []
    assert told(watch, 70.5) == [
        "CPU die is at 70.5 °C, above the warning level of 70 °C",
    ]


def test_without_a_stop_the_warning_level_stops_nothing_and_needs_no_sensor() -> None:
    watch = guard("warn_above_celsius: 70, stop_above_celsius: null")
    assert watch.guarded == ()
    assert not [it for it in watch.observe([Reading("die", 125.0)], 1.0) if type(it) is ReadAgain]
    assert all(watch.tick(float(second)) == [] for second in range(2, 60))


def test_with_both_the_stop_is_still_the_stop() -> None:
    watch = guard("warn_above_celsius: 70, stop_above_celsius: 80, whose_limit: the maker's")
    assert watch.observe([Reading("die", 80.5)], 1.0) == [ReadAgain("die")]
    (limit,) = watch.limits
    assert (limit.name, limit.above, limit.warn_above, limit.whose) == (
        "safety.stop_above_celsius", 80.0, 70.0, "the maker's",
    )  # fmt: skip


def test_a_profile_that_says_nothing_warns_at_90_and_stops_at_95() -> None:
    (limit,) = guard("whose_limit: nobody's").limits
    assert (limit.warn_above, limit.above) == (90.0, 95.0)


def test_with_neither_there_is_no_limit() -> None:
    assert guard("warn_above_celsius: null, stop_above_celsius: null").limits == ()


@pytest.mark.parametrize("stop", ["95", "null"])
def test_a_whole_run_above_the_warning_level_records_one_warning_and_goes_on(
    tmp_path: Path, runs_dir: Path, stop: str
) -> None:
    attributes: dict[str, str | int] = {"temp1_label": "Package id 0", "temp1_input": 72_000}
    Tree(tmp_path / "root").hwmon(0, "platform/coretemp.0", "coretemp", attributes)
    text = (
        SOAK.replace("SECONDS", "1")
        + f"safety: {{warn_above_celsius: 70, stop_above_celsius: {stop}}}\n"
    )
    done = run(text, runs_dir, sysfs_root=tmp_path / "root", accept_no_temperature=True)
    warnings = [
        event.text
        for event in read_run(done.folder).events
        if event.kind is EventKind.WARNING and "warning level of 70 °C" in event.text
    ]
    assert len(warnings) == 1
    assert "72 °C" in warnings[0]
    assert done.result.safety_stop is None
