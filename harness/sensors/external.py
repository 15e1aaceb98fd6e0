"""Any program as a sensor: a bench thermometer, a wall-power meter, a vendor's utility.

The program runs beside the load and prints one sample a line, either a JSON object
``{"inlet": 21.4}`` or ``{"inlet": {"value": 21.4, "unit": "°C"}}``, or ``inlet=21.4 °C`` (several
separated by semicolons). It is started from an argument list, never through a shell, only when the
command line permits it; it is started again with growing pauses when it ends, and killed with the
run.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.clock import NS_PER_SECOND, SYSTEM
from harness.results import Channel
from harness.sensors.contract import Discovery, Reading
from harness.sensors.files import visible
from harness.sensors.keys import make_key
from harness.sensors.plausibility import REPEAT, doubt

#: A program whose channels are not declared shows them within this time, or is left out.
_LEARN_SECONDS = 5.0
_MOST_CHANNELS = 64
_LONGEST_LINE = 4096
_PAUSES_SECONDS = (1.0, 2.0, 5.0, 15.0, 60.0)
#: A program that ran at least this long has recovered: the pauses begin anew.
_SETTLED_SECONDS = 30.0
_PAIR = re.compile(r"^\s*([^=]{1,80}?)\s*=\s*([-+]?[0-9.]+(?:[eE][-+]?\d{1,3})?)\s*(\S.*)?$")
_UNITS = {"C": "°C", "degC": "°C", "celsius": "°C", "rpm": "RPM", "watt": "W", "volt": "V"}


@dataclass(frozen=True)
class ExternalChannel:
    """One value that a program gives; `role` is one of the table's or empty."""

    name: str
    unit: str
    role: str = ""


@dataclass(frozen=True)
class ExternalCommand:
    """A program and the channels it gives; without declared channels its first sample tells.

    `silent_after_seconds` is how old its last sample may be.
    """

    name: str
    argv: tuple[str, ...]
    channels: tuple[ExternalChannel, ...] = ()
    silent_after_seconds: float = 10.0


@dataclass(frozen=True)
class Value:
    """One value of a sample; `unit` is empty where the program gives none."""

    value: float
    unit: str = ""


def parse_line(line: str) -> dict[str, Value]:
    """The values of one line of output; raises ValueError saying what is wrong with it."""
    text = line.strip()
    pairs = _from_json(text) if text.startswith("{") else _from_pairs(text)
    if not pairs:
        raise ValueError(f"no name=value in {visible(text, 60)!r}")
    bad = [name for name, value in pairs.items() if not math.isfinite(value.value)]
    if bad:
        raise ValueError(f"{visible(bad[0])} is not a finite number")
    return pairs


def _from_json(text: str) -> dict[str, Value]:
    try:
        parsed = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise ValueError(f"not one JSON object: {error}") from error
    return {str(name): _json_value(str(name), value) for name, value in parsed.items()}


def _json_value(name: str, given: Any) -> Value:
    unit = ""
    if isinstance(given, Mapping):
        unit = str(given.get("unit", ""))
        given = given.get("value")
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise ValueError(f"{visible(name)} is {visible(repr(given), 40)}, not a number")
    try:
        return Value(float(given), canonical(unit))
    except OverflowError:
        raise ValueError(f"{visible(name)} is too large a number") from None


def _from_pairs(text: str) -> dict[str, Value]:
    values: dict[str, Value] = {}
    for part in filter(None, (piece.strip() for piece in text.split(";"))):
        match = _PAIR.match(part)
        if match is None:
            raise ValueError(f"{visible(part, 60)!r} is not name=value unit")
        values[match[1]] = Value(float(match[2]), canonical(match[3] or ""))
    return values


def canonical(unit: str) -> str:
    """The unit as the other sources write it (``C`` and ``degC`` are °C)."""
    return _UNITS.get(unit.strip(), visible(unit.strip(), 16))


class ExternalChip:
    """One running program. `read` takes the newest complete line and never waits."""

    period_seconds = 0.0
    shares_thread = False

    def __init__(self, command: ExternalCommand, channels: Sequence[ExternalChannel]) -> None:
        self.name = f"command {visible(command.name)}"
        self._command = command
        self._channels = tuple(channels)
        self.channels = tuple(_channel(command, it) for it in channels)
        self._program: _Program | None = None
        self._failures = 0
        self._start_after = 0.0
        self._sample: dict[str, Value] = {}
        self._sampled_at = -math.inf
        self._why = "has not printed a sample yet"

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """See :class:`harness.sensors.contract.Chip`."""
        fresh = self._take(now_seconds)
        if now_seconds - self._sampled_at > self._command.silent_after_seconds:
            return [Reading(it.key, None, self._why) for it in self.channels]
        pairs = zip(self.channels, self._channels, strict=True)
        return [self._reading(channel, its, fresh) for channel, its in pairs]

    def close(self) -> None:
        """See :class:`harness.sensors.contract.Chip`: kill the program and what it started."""
        if self._program is not None:
            self._program.kill()
            self._program = None

    def _take(self, now_seconds: float) -> bool:
        """Start the program where it does not run, and take its newest sample; True when new."""
        program = self._program or self._start(now_seconds)
        if program is None:
            return False
        line = program.newest_line()
        fresh = bool(line) and self._understand(line, now_seconds)
        if program.has_ended():
            self._bury(program, now_seconds)
        return fresh

    def _start(self, now_seconds: float) -> _Program | None:
        if now_seconds < self._start_after:
            return None
        try:
            self._program = _Program(self._command.argv, now_seconds)
        except (OSError, ValueError) as error:
            self._why = f"cannot start {visible(self._command.argv[0])}: {error}"
            self._pause(now_seconds)
        return self._program

    def _bury(self, program: _Program, now_seconds: float) -> None:
        self._program = None
        # A program that prints one sample and ends well is meant to be started again and again.
        gave = program.ended_well() and self._sampled_at >= program.started_at
        if gave or now_seconds - program.started_at >= _SETTLED_SECONDS:
            self._failures = 0
        self._why = program.epitaph()
        program.kill()
        self._pause(now_seconds)

    def _pause(self, now_seconds: float) -> None:
        pause = _PAUSES_SECONDS[min(self._failures, len(_PAUSES_SECONDS) - 1)]
        self._failures += 1
        self._start_after = now_seconds + pause

    def _understand(self, line: str, now_seconds: float) -> bool:
        try:
            self._sample = parse_line(line)
        except ValueError as error:
            self._why = str(error)
            return False
        self._sampled_at = now_seconds
        self._why = f"no sample for {self._command.silent_after_seconds:g} s"
        return True

    def _reading(self, channel: Channel, its: ExternalChannel, fresh: bool) -> Reading:
        value = self._sample.get(its.name)
        if value is None and len(self._sample) == 1 and len(self._channels) == 1:
            value = next(iter(self._sample.values()))
        if value is None:
            return Reading(channel.key, None, f"the program's last line has no '{its.name}'")
        if value.unit and value.unit != its.unit:
            return Reading(channel.key, None, f"came in {value.unit}, declared as {its.unit}")
        flag = doubt(value.value, its.unit) or ("" if fresh else REPEAT)
        return Reading(channel.key, value.value, flag=flag)


class ExternalSource:
    """The programs a profile names; none is started without permission."""

    name = "command"

    def __init__(self, commands: Sequence[ExternalCommand], permitted: bool) -> None:
        self._commands = commands
        self._permitted = permitted

    def discover(self, root: Path) -> Discovery:
        """See :class:`harness.sensors.contract.Source`."""
        from harness.sensors.deadline import call_all

        if not self._permitted:
            why = "external commands run only with --allow-commands"
            return Discovery(absent=tuple(_absent(it, why) for it in self._commands))
        # A command's learning may take seconds, so all of them learn side by side.
        answers = call_all([_Finding(it) for it in self._commands], _LEARN_SECONDS + 2.0)
        found = [
            answer.value or Discovery(absent=(_absent(command, str(answer.error or "no answer")),))
            for command, answer in zip(self._commands, answers, strict=True)
        ]
        return Discovery(
            chips=tuple(chip for part in found for chip in part.chips),
            absent=tuple(channel for part in found for channel in part.absent),
        )


@dataclass(frozen=True)
class _Finding:
    """Makes one command's chip, learning its channels where they are not declared."""

    command: ExternalCommand

    def __call__(self) -> Discovery:
        declared = self.command.channels
        if declared:
            return Discovery(chips=(ExternalChip(self.command, declared[:_MOST_CHANNELS]),))
        try:
            learnt = learn(self.command)
        except (OSError, ValueError) as error:
            return Discovery(absent=(_absent(self.command, str(error)),))
        return Discovery(chips=(ExternalChip(self.command, learnt),))


def learn(command: ExternalCommand, seconds: float = _LEARN_SECONDS) -> list[ExternalChannel]:
    """Run the program until its first sample, and take its channels from there.

    Raises OSError when it cannot be started, ValueError when it gives no sample in time.
    """
    program = _Program(command.argv, 0.0)
    end_ns = SYSTEM.monotonic_ns() + round(seconds * NS_PER_SECOND)
    try:
        while True:
            line = program.newest_line()
            if line:
                sample = parse_line(line)
                names = list(sample)[:_MOST_CHANNELS]
                return [ExternalChannel(name, sample[name].unit) for name in names]
            if program.has_ended():
                raise ValueError(program.epitaph())
            if SYSTEM.monotonic_ns() > end_ns:
                raise ValueError(f"printed no sample within {seconds:g} s: declare its unit")
            SYSTEM.sleep(0.02)
    finally:
        program.kill()


class _Program:
    """A started program: its newest line, its end, its last words."""

    def __init__(self, argv: Sequence[str], started_at: float) -> None:
        from harness.sensors.subprogram import Subprogram

        self.started_at = started_at
        self._child = Subprogram(argv, longest_line=_LONGEST_LINE)
        self._drained = False

    def newest_line(self) -> str:
        """The newest complete line since the last call, or nothing."""
        ended = self._child.exit_code() is not None
        line = self._child.newest_line()
        self._drained = ended
        return line

    def has_ended(self) -> bool:
        """True when the program has ended and all it printed was taken."""
        return self._drained

    def ended_well(self) -> bool:
        """True when it ended by itself without an error."""
        return self._child.exit_code() == 0

    def epitaph(self) -> str:
        """How it ended, in words."""
        code = self._child.exit_code()
        words = self._child.last_words()
        how = f"killed by signal {-code}" if code is not None and code < 0 else f"ended with {code}"
        return f"the program {how}" + (f": {visible(words)}" if words else "")

    def kill(self) -> None:
        """End it and everything it started."""
        self._child.kill()


def _channel(command: ExternalCommand, its: ExternalChannel) -> Channel:
    same = its.name == command.name
    return Channel(
        key=make_key("command", "", command.name, its.name),
        name=visible(its.name if same else f"{command.name} {its.name}"),
        unit=its.unit,
        source="command",
        role=its.role,
        reason="the profile says so" if its.role else "",
    )


def _absent(command: ExternalCommand, reason: str) -> Channel:
    declared = command.channels[0] if command.channels else ExternalChannel(command.name, "")
    return Channel(
        key=make_key("command", "", command.name, declared.name),
        name=visible(command.name),
        unit=declared.unit,
        source="command",
        role=declared.role,
        absent_reason=visible(reason, 200),
    )
