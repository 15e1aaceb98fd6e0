"""The live picture of a run, drawn from one snapshot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rich.columns import Columns
from rich.console import Console, ConsoleOptions, Group, RenderableType
from rich.table import Table
from rich.text import Text

from harness.cli.plain import visible
from harness.cli.verdicts import failure_line
from harness.observing import LaneView, Snapshot
from harness.units import elapsed, quantity

_PHASES = {
    "gathering": "starting lanes",
    "calibration": "calibrating",
    "settling": "waiting for the temperature",
    "stepping": "measuring",
}
_LANES_A_COLUMN = 16
_STALE_SECONDS = 5.0
#: Columns that one table of lanes takes, with the gap to the next, and lines beside its lanes: the
#: heading, and the line that counts the lanes left out.
_TABLE_WIDTH, _TABLE_EXTRA_LINES = 56, 2
_FEWEST_LANES = 2


def picture(now: Snapshot, prompt: str = "") -> RenderableType:
    """Everything a person at the bench needs at one glance, whatever the terminal's size."""
    return _Picture(now, prompt)


@dataclass(frozen=True)
class _Picture:
    now: Snapshot
    prompt: str

    def __rich_console__(
        self, console: Console, options: ConsoleOptions
    ) -> Iterator[RenderableType]:
        """What must never leave the screen comes first; the lanes take the room that is left."""
        now = self.now
        above = Group(
            _headline(now), *_first_failure(now), _progress(now), *_temperature(now), *_lost(now),
            _footer(now, self.prompt),
        )  # fmt: skip
        used = len(console.render_lines(above, options, pad=False))
        yield above
        yield from _lanes(now.lanes, options.max_width, options.max_height - used)


def _headline(now: Snapshot) -> Text:
    if now.failures:
        count = len(now.failures)
        word = Text(f"FAILED ({count} failure{'s' if count > 1 else ''})", style="bold red")
    else:
        word = Text("no failure so far", style="green")
    return Text.assemble(Text(f"{now.profile}  ", style="bold"), word, f"  run {now.run_id}")


def _first_failure(now: Snapshot) -> Iterator[Text]:
    """Kept in sight whatever happens afterwards."""
    if now.failures:
        celsius = now.first_failure_celsius
        heat = "temperature not measured" if celsius is None else f"at {celsius:.1f} °C"
        line = failure_line(now.failures[0]).strip()
        yield Text(f"first failure: {line} ({heat})", style="red")


def _progress(now: Snapshot) -> Text:
    left = max(now.planned_seconds - now.elapsed_seconds, 0.0)
    load = f"{now.load} ({now.pattern})" if now.load else "no load"
    parts = [f"{_PHASES.get(now.phase, now.phase)}: {load}"]
    if now.trials_planned:
        parts.append(f"trial {now.trials_done} of {now.trials_planned}")
    parts.append(f"elapsed {elapsed(now.elapsed_seconds)}, about {elapsed(left)} left")
    return Text("   ".join(parts))


def _lanes(lanes: tuple[LaneView, ...], width: int, height: int) -> Iterator[RenderableType]:
    """Tables of lanes side by side; where not all have room, those that tell most, and a count."""
    rows = max(height - _TABLE_EXTRA_LINES, _FEWEST_LANES)
    side_by_side = max(width // _TABLE_WIDTH, 1)
    shown = lanes
    if len(lanes) > rows * side_by_side:
        telling = sorted(lanes, key=_urgency)[: rows * side_by_side]
        shown = tuple(lane for lane in lanes if lane in telling)
    column = max(min(rows, _LANES_A_COLUMN), -(-len(shown) // side_by_side))
    groups = [shown[start : start + column] for start in range(0, len(shown), column)]
    yield Columns([_lane_table(group) for group in groups], padding=(0, 3))
    if len(shown) < len(lanes):
        yield _left_out([lane for lane in lanes if lane not in shown])


def _urgency(lane: LaneView) -> tuple[bool, bool, bool, bool, int]:
    """Failures first, then lanes that are gone, without a recent pass, at work; then the others."""
    return (
        lane.failures == 0,
        lane.state != "gone",
        not _is_stale(lane),
        lane.state != "working",
        lane.lane,
    )


def _is_stale(lane: LaneView) -> bool:
    age = lane.last_verified_seconds
    return lane.state == "working" and age is not None and age > _STALE_SECONDS


def _left_out(lanes: list[LaneView]) -> Text:
    verified = sum(lane.verified for lane in lanes)
    failures = sum(lane.failures for lane in lanes)
    text = f"{len(lanes)} more lanes: {verified} passes verified, {failures} failures"
    return Text(text, style="bold red" if failures else "dim")


def _lane_table(lanes: tuple[LaneView, ...]) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim")
    for title in ("CPU", "clock", "verified", "last", "failures", "state"):
        table.add_column(title, justify="left" if title == "state" else "right", no_wrap=True)
    for lane in lanes:
        failures = Text(str(lane.failures), style="bold red" if lane.failures else "")
        table.add_row(
            "-" if lane.cpu is None else str(lane.cpu),
            "-" if lane.clock_hz is None else quantity(lane.clock_hz, "Hz", digits=3),
            str(lane.verified),
            _age(lane),
            failures,
            lane.state,
        )
    return table


def _age(lane: LaneView) -> Text:
    """Age of the last verified pass, loud when a working lane has none."""
    if lane.last_verified_seconds is None:
        return Text("-")
    style = "bold yellow" if _is_stale(lane) else ""
    return Text(f"{lane.last_verified_seconds:.1f} s", style=style)


def _temperature(now: Snapshot) -> Iterator[Text]:
    keys = [key for key, item in now.channels.items() if item.role == "cpu_temperature"]
    values = [now.latest[key] for key in keys if key in now.latest]
    highest = max(
        [*values, *(now.highest[key] for key in keys if key in now.highest)], default=None
    )
    if highest is None:
        yield Text("CPU temperature: not measured on this machine", style="dim")
    elif not values:
        yield Text(f"CPU temperature: no value now, highest was {highest:.1f} °C", "bold yellow")
    else:
        yield _temperature_line(max(values), highest, now)


def _temperature_line(value: float, highest: float, now: Snapshot) -> Text:
    line = f"CPU temperature {value:.1f} °C, highest {highest:.1f} °C"
    limit = dict(now.guard_limits).get("cpu_temperature")
    if limit is not None:
        side = "below" if value <= limit else "above"
        line += f", {abs(limit - value):.1f} °C {side} the stop at {limit:g} °C"
    if now.slope_celsius_per_second is not None:
        line += f", {60 * now.slope_celsius_per_second:+.1f} °C/min"
    close = limit is not None and limit - value < 5.0
    return Text(line, style="bold yellow" if close else "")


def _lost(now: Snapshot) -> Iterator[Text]:
    if now.lost:
        names = ", ".join(channel.name for channel in now.lost)
        yield Text(visible(f"channels lost: {names}"), style="yellow")


def _footer(now: Snapshot, prompt: str) -> Text:
    style = "bold yellow" if now.last_write_seconds > _STALE_SECONDS else "dim"
    line = Text(f"last safe write {now.last_write_seconds:.1f} s ago", style=style)
    return Text.assemble(line, f"   {prompt}") if prompt else line
