"""The live picture of a run, drawn from one snapshot."""

from __future__ import annotations

from collections.abc import Iterator

from rich.columns import Columns
from rich.console import Group, RenderableType
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


def picture(now: Snapshot, prompt: str = "") -> RenderableType:
    """Everything a person at the bench needs at one glance."""
    parts: list[RenderableType] = [_headline(now), *_first_failure(now), _progress(now)]
    parts += [_lanes(now), *_temperature(now), *_lost(now), _footer(now, prompt)]
    return Group(*parts)


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


def _lanes(now: Snapshot) -> RenderableType:
    """One table a 16 lanes, side by side on machines with many cores."""
    groups = [
        now.lanes[start : start + _LANES_A_COLUMN]
        for start in range(0, len(now.lanes), _LANES_A_COLUMN)
    ]
    return Columns([_lane_table(group) for group in groups], padding=(0, 3))


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
    stale = lane.state == "working" and lane.last_verified_seconds > _STALE_SECONDS
    return Text(f"{lane.last_verified_seconds:.1f} s", style="bold yellow" if stale else "")


def _temperature(now: Snapshot) -> Iterator[Text]:
    keys = [key for key, item in now.channels.items() if item.role == "cpu_temperature"]
    readings = [(key, now.latest[key].value) for key in keys if key in now.latest]
    values = [(value, key) for key, value in readings if value is not None]
    if not values:
        yield Text("CPU temperature: not measured on this machine", style="dim")
        return
    value, key = max(values)
    highest = now.highest.get(key, value)
    line = f"CPU temperature {value:.1f} °C, highest {highest:.1f} °C"
    limit = dict(now.guard_limits).get("cpu_temperature")
    if limit is not None:
        line += f", {limit - value:.1f} °C below the stop at {limit:g} °C"
    if now.slope_celsius_per_second is not None:
        line += f", {60 * now.slope_celsius_per_second:+.1f} °C/min"
    close = limit is not None and limit - value < 5.0
    yield Text(line, style="bold yellow" if close else "")


def _lost(now: Snapshot) -> Iterator[Text]:
    if now.lost:
        names = ", ".join(channel.name for channel in now.lost)
        yield Text(visible(f"channels lost: {names}"), style="yellow")


def _footer(now: Snapshot, prompt: str) -> Text:
    style = "bold yellow" if now.last_write_seconds > _STALE_SECONDS else "dim"
    line = Text(f"last safe write {now.last_write_seconds:.1f} s ago", style=style)
    return Text.assemble(line, f"   {prompt}") if prompt else line
