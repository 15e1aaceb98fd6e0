"""Any program as a sensor."""

from __future__ import annotations

import sys
from collections.abc import Callable
from itertools import count, pairwise
from pathlib import Path

import psutil
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.clock import NS_PER_SECOND, SYSTEM
from harness.sensors import external
from harness.sensors.contract import Reading
from harness.sensors.external import (
    ExternalChannel,
    ExternalChip,
    ExternalCommand,
    ExternalSource,
    Value,
    learn,
    parse_line,
)
from harness.sensors.plausibility import REPEAT

INLET = ExternalChannel("inlet", "°C", "ambient_temperature")


@pytest.mark.parametrize(
    ("line", "values"),
    [
        ('{"inlet": 21.5}', {"inlet": Value(21.5)}),
        ('{"inlet": {"value": 21.5, "unit": "C"}, "wall": 88}',
         {"inlet": Value(21.5, "°C"), "wall": Value(88.0)}),
        ("inlet=21.5 °C", {"inlet": Value(21.5, "°C")}),
        ("inlet = -3.5e1 degC", {"inlet": Value(-35.0, "°C")}),
        ("a=1 V; b=2 rpm", {"a": Value(1.0, "V"), "b": Value(2.0, "RPM")}),
        ("wall power=81 W\r\n", {"wall power": Value(81.0, "W")}),
    ],
)  # fmt: skip
def test_both_forms_of_a_sample_are_understood(line: str, values: dict[str, Value]) -> None:
    assert parse_line(line) == values


@pytest.mark.parametrize(
    "line",
    ["", "hello", "{", "{}", "[1]", '{"a": true}', '{"a": "1"}', '{"a": null}', "a=nan", "a=1..2",
     '{"a": 1e999}', '{"a": NaN}', "=5", "a=", '{"a":' * 5000, '{"a": ' + "9" * 400 + "}"],
)  # fmt: skip
def test_anything_else_is_refused_in_words(line: str) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        parse_line(line)


@given(st.text(max_size=200))
def test_any_text_is_a_sample_of_finite_numbers_or_refused(text: str) -> None:
    try:
        values = parse_line(text)
    except ValueError:
        return
    assert values
    assert all(abs(it.value) < float("inf") for it in values.values())


class Scripted:
    """A program whose lines and end the test decides."""

    started: list[Scripted]
    broken = False

    def __init__(self, argv: object, started_at: float) -> None:
        if self.broken:
            raise FileNotFoundError("no such program")
        self.started_at = started_at
        self.line = ""
        self.code: int | None = None
        self.killed = False
        self.started.append(self)

    def newest_line(self) -> str:
        line, self.line = self.line, ""
        return line

    def has_ended(self) -> bool:
        return self.code is not None

    def ended_well(self) -> bool:
        return self.code == 0

    def epitaph(self) -> str:
        return f"the program ended with {self.code}: port busy"

    def kill(self) -> None:
        self.killed = True


@pytest.fixture
def programs(monkeypatch: pytest.MonkeyPatch) -> list[Scripted]:
    started: list[Scripted] = []

    class Program(Scripted):
        pass

    Program.started = started
    monkeypatch.setattr(external, "_Program", Program)
    return started


def _chip(*channels: ExternalChannel) -> ExternalChip:
    command = ExternalCommand("meter", ("meter", "--stream"), channels or (INLET,))
    return ExternalChip(command, command.channels)


def _only(chip: ExternalChip, now: float) -> Reading:
    return chip.read(now)[0]


def test_a_sample_is_given_and_between_samples_it_is_a_repeat(programs: list[Scripted]) -> None:
    chip = _chip()
    assert _only(chip, 0.0).reason == "has not printed a sample yet"
    programs[0].line = "inlet=21.5 °C\n"
    assert (_only(chip, 1.0).value, _only(chip, 2.0).flag) == (21.5, REPEAT)


def test_a_program_that_falls_silent_is_missing_after_its_time(programs: list[Scripted]) -> None:
    chip = _chip()
    _only(chip, 0.0)
    programs[0].line = "inlet=21.5 °C\n"
    _only(chip, 1.0)
    assert _only(chip, 10.9).value == 21.5
    late = _only(chip, 11.1)
    assert (late.value, late.reason) == (None, "no sample for 10 s")


def test_a_failing_program_is_started_again_with_growing_pauses(programs: list[Scripted]) -> None:
    chip = _chip()
    starts: list[float] = []
    for tenth in range(400):
        _only(chip, tenth / 10)
        if len(programs) > len(starts):
            starts.append(tenth / 10)
        programs[-1].code = 1
    gaps = [round(after - before) for before, after in pairwise(starts)]
    assert gaps == [1, 2, 5, 15]
    assert _only(chip, 40.0).reason == "the program ended with 1: port busy"
    assert all(program.killed for program in programs[:-1])


def test_a_program_that_prints_one_sample_and_ends_well_is_started_every_second(
    programs: list[Scripted],
) -> None:
    chip = _chip()
    missing = 0
    for tenth in range(1, 300):
        missing += _only(chip, tenth / 10).value is None
        if programs[-1].code is None:
            programs[-1].line, programs[-1].code = "inlet=20 °C\n", 0
    assert missing == 1
    assert 20 <= len(programs) <= 30


def test_a_program_that_cannot_be_started_says_so(
    programs: list[Scripted], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Scripted, "broken", True)
    assert "cannot start meter" in _only(_chip(), 0.0).reason


def test_a_wrong_unit_and_a_missing_name_are_missing_values(programs: list[Scripted]) -> None:
    chip = _chip(INLET, ExternalChannel("wall", "W"))
    chip.read(0.0)
    programs[0].line = "inlet=70 °F; other=1"
    inlet, wall = chip.read(1.0)
    assert inlet.reason == "came in °F, declared as °C"
    assert wall.reason == "the program's last line has no 'wall'"


def test_a_single_value_may_have_any_name_where_one_channel_is_declared(
    programs: list[Scripted],
) -> None:
    chip = _chip()
    chip.read(0.0)
    programs[0].line = '{"T1": 22.0}'
    assert _only(chip, 1.0).value == 22.0


def test_closing_kills_the_program(programs: list[Scripted]) -> None:
    chip = _chip()
    chip.read(0.0)
    chip.close()
    assert programs[0].killed


def test_without_permission_nothing_is_started(tmp_path: Path, programs: list[Scripted]) -> None:
    command = ExternalCommand("meter", ("meter",), (INLET,))
    found = ExternalSource([command], permitted=False).discover(tmp_path)
    assert programs == []
    assert found.absent[0].role == "ambient_temperature"
    assert "--allow-commands" in found.absent[0].absent_reason


# --- with real programs -------------------------------------------------------------------------


def _command(code: str, *channels: ExternalChannel) -> ExternalCommand:
    return ExternalCommand("meter", (sys.executable, "-u", "-c", code), channels)


def test_channels_that_are_not_declared_are_learnt_from_the_first_sample() -> None:
    command = _command(
        'print(\'{"a": {"value": 1, "unit": "W"}, "b": 2}\')\nimport time\ntime.sleep(60)'
    )
    assert learn(command) == [ExternalChannel("a", "W"), ExternalChannel("b", "")]


def test_a_program_that_ends_without_a_sample_is_absent_with_its_last_words(tmp_path: Path) -> None:
    source = ExternalSource([_command("import sys; sys.exit('no port')")], permitted=True)
    absent = source.discover(tmp_path).absent[0]
    assert absent.absent_reason == "the program ended with 1: no port"


def test_a_program_that_prints_nothing_is_given_up_on() -> None:
    with pytest.raises(ValueError, match="no sample within"):
        learn(_command("import time; time.sleep(60)"), seconds=0.3)


def test_a_real_program_is_sampled_and_restarted() -> None:
    chip = ExternalChip(_command("print('inlet=21 °C')", INLET), (INLET,))
    assert _happens(lambda: _only(chip, 0.0).value == 21.0)
    assert _happens(lambda: _only(chip, 0.5).flag == REPEAT)
    later = count(1)
    assert _happens(lambda: _only(chip, 0.5 + next(later) / 10).flag == "")
    chip.close()


#: Tells its own process id and that of a program it started, and goes on with both for ever.
GOES_ON = """
import os, subprocess, sys, time
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
print(f"own={os.getpid()}; child={child.pid}", flush=True)
time.sleep(600)
"""


def test_closing_kills_a_real_program_that_goes_on_and_what_it_started() -> None:
    told = (ExternalChannel("own", ""), ExternalChannel("child", ""))
    chip = ExternalChip(_command(GOES_ON, *told), told)
    assert _happens(lambda: chip.read(0.0)[0].value is not None)
    pids = [int(reading.value or 0) for reading in chip.read(0.0)]
    assert [_runs(pid) for pid in pids] == [True, True]
    chip.close()
    assert _happens(lambda: not any(_runs(pid) for pid in pids))


def _runs(pid: int) -> bool:
    """Whether the process is there and not merely waiting to be reaped."""
    try:
        return psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


def _happens(condition: Callable[[], bool], seconds: float = 20.0) -> bool:
    """Whether it comes true in that time; asked again and again."""
    deadline_ns = SYSTEM.monotonic_ns() + round(seconds * NS_PER_SECOND)
    while not (came := condition()) and SYSTEM.monotonic_ns() < deadline_ns:
        SYSTEM.sleep(0.01)
    return came
