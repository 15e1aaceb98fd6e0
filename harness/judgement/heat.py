"""Heat under sustained load: fits of the temperature, and what may be said of them.

Fitted are stretches of steady load (all lanes, or the same half of them) from the start of the
load: the hottest channel of each role, of which statements tell, and every channel of which a
criterion asks where its temperature would end. The record's envelopes serve as samples.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from harness.criteria.evidence import Evidence, Heating, Room
from harness.criteria.steady_temperature import SteadyTemperature
from harness.criteria.temperature import CPU_TEMPERATURE, TemperatureCriterion, highest
from harness.criteria.temperature_margin import TemperatureMargin
from harness.judgement.moments import times_of
from harness.profile.model import Profile
from harness.results import ChannelData, Envelope, EventKind, RunData, SoakData, Statement
from harness.statistics.heat import (
    Control,
    ControlFinding,
    HeatLoss,
    SystemResistance,
    ThermalMargin,
    find_control,
    heat_loss,
    system_resistance,
    thermal_margin,
)
from harness.statistics.thermal import ThermalFit, fit_temperature
from harness.units import duration, percent, temperature, temperature_difference

TOPIC = "heat"
NO_FIT = "no soak of steady load, with a temperature to follow, was long enough"
#: Patterns whose power is steady, so that a fit means something.
STEADY_PATTERNS = ("all-lanes", "half-lanes", "mixed", "after-suspend")
#: Shorter stretches heat only the die and show nothing of the cooler.
SHORTEST_SECONDS = 10.0


@dataclass(frozen=True)
class HeatFinding:
    """One soak's temperature: the fit, whether something regulated it, and what follows."""

    load: str
    channel: ChannelData
    seconds: float
    inside: tuple[Envelope, ...]
    fit: ThermalFit
    control: ControlFinding
    resistance: SystemResistance
    margin: ThermalMargin | None
    loss: HeatLoss
    #: Of the channels of its role, the one that read highest during the soak.
    hottest: bool = True

    @property
    def heating(self) -> Heating:
        """What criteria need of it."""
        held = self.control.control is Control.HELD
        fit = _without_end(self.fit) if held else self.fit
        end = fit.end_celsius
        known = fit.steady_celsius is not None and end is not None
        return Heating(
            load=self.load,
            channel=self.channel.channel.key,
            highest_celsius=highest(self.channel),
            steady_celsius=fit.steady_celsius,
            steady_low=fit.low_celsius,
            steady_high=fit.high_celsius,
            rise_left_celsius=fit.remaining_celsius if known else None,
            rise_left_low=_minus(fit.low_celsius, end),
            rise_left_high=_minus(fit.high_celsius, end),
            reason=self.control.why if held else fit.reason or "",
            held_by_control=held,
        )


def _without_end(fit: ThermalFit) -> ThermalFit:
    """A controller's choice is no property of the cooler: nothing is foreseen of it."""
    return replace(
        fit, steady_celsius=None, low_celsius=None, high_celsius=None, remaining_celsius=None
    )


def _minus(value: float | None, other: float | None) -> float | None:
    return None if value is None or other is None else value - other


def heat_findings(data: RunData, profile: Profile, room: Room) -> tuple[HeatFinding, ...]:
    """Every steady soak of the run: the hottest channel of each role, and all that are judged.

    What a cooler channel tends to is not shown by the hottest: it may warm up more slowly.
    """
    judged = _judged_channels(data, profile)
    followed = [
        (soak, channels)
        for soak in data.soaks
        if soak.pattern in STEADY_PATTERNS and _seconds(soak) >= SHORTEST_SECONDS
        if (channels := _followed(soak, judged, data, profile))
    ]
    fits = sum(len(channels) for _, channels in followed)
    return tuple(
        finding
        for soak, channels in followed
        for finding in _of_soak(soak, channels, fits, data, profile, room)
    )


@dataclass(frozen=True)
class _Followed:
    """A channel to fit in one soak, and whether it was the hottest of its role."""

    channel: ChannelData
    hottest: bool


def _followed(
    soak: SoakData, judged: Sequence[ChannelData], data: RunData, profile: Profile
) -> list[_Followed]:
    hottest = [item for role in _roles(profile) for item in _hottest(role, soak, data)]
    leading = {item.channel.key: item for item in hottest}
    every = {**leading, **{each.channel.key: each for each in judged}}
    return [_Followed(item, key in leading) for key, item in every.items()]


def _of_soak(
    soak: SoakData,
    channels: Sequence[_Followed],
    fits: int,
    data: RunData,
    profile: Profile,
    room: Room,
) -> Iterator[HeatFinding]:
    load = next((item.name for item in data.loads if item.number == soak.load), soak.workload)
    control = _control(soak, data)
    for item in channels:
        found = _finding(load, soak, item.channel, control, fits, data, profile, room)
        yield replace(found, hottest=item.hottest)


def _judged_channels(data: RunData, profile: Profile) -> list[ChannelData]:
    """The readable channels of which some criterion asks where their temperature would end."""
    evidence = Evidence(data, ())
    return [
        item
        for spec in profile.accept
        if isinstance(spec, TemperatureMargin | SteadyTemperature)
        for item in spec.readable_channels(evidence)
        if item.channel.unit == "°C"
    ]


def _roles(profile: Profile) -> tuple[str, ...]:
    asked = [spec.role for spec in profile.accept if isinstance(spec, TemperatureCriterion)]
    return tuple(dict.fromkeys((CPU_TEMPERATURE, *asked)))


def _seconds(soak: SoakData) -> float:
    return soak.ended_seconds - soak.started_seconds


def _hottest(role: str, soak: SoakData, data: RunData) -> Iterator[ChannelData]:
    peaks = [
        (max(item.maximum for item in inside), index)
        for index, channel in enumerate(data.channels)
        if channel.channel.role == role and channel.channel.unit == "°C"
        if (inside := _during(channel, soak))
    ]
    if peaks:
        yield data.channels[max(peaks)[1]]


def _during(channel: ChannelData, soak: SoakData) -> list[Envelope]:
    """The envelopes that lie wholly within the soak."""
    return [
        item
        for item in channel.envelopes
        if soak.started_seconds <= item.at_seconds
        and item.at_seconds + item.duration_seconds <= soak.ended_seconds
    ]


def _finding(
    load: str,
    soak: SoakData,
    channel: ChannelData,
    control: ControlFinding,
    fits: int,
    data: RunData,
    profile: Profile,
    room: Room,
) -> HeatFinding:
    inside = _during(channel, soak)
    fit = fit_temperature(
        [item.at_seconds + item.duration_seconds / 2 - soak.started_seconds for item in inside],
        [item.mean for item in inside],
        confidence=profile.confidence,
        start_celsius=_before(channel, soak),
        fits=fits,
    )
    limit = profile.safety.stop_above_celsius
    return HeatFinding(
        load=load,
        channel=channel,
        seconds=_seconds(soak),
        inside=tuple(inside),
        fit=fit,
        control=control,
        resistance=system_resistance(fit, room.ambient_celsius, _last_power(soak, data), control),
        margin=None
        if limit is None or channel.channel.role != CPU_TEMPERATURE
        else thermal_margin(fit, limit, control, room.ambient_celsius, room.worst_celsius),
        loss=heat_loss([rate for _, rate in soak.rate_points], profile.confidence),
    )


def _before(channel: ChannelData, soak: SoakData) -> float | None:
    """The last reading before the load."""
    earlier = [
        item
        for item in channel.envelopes
        if item.at_seconds + item.duration_seconds <= soak.started_seconds
    ]
    return earlier[-1].mean if earlier else None


def _control(soak: SoakData, data: RunData) -> ControlFinding:
    """Whether clock, fans or power were regulated; a throttle event says so by itself."""
    throttled = times_of(data.events, EventKind.THROTTLED)
    if any(soak.started_seconds <= time <= soak.ended_seconds for time in throttled):
        why = "held by control: the processor throttled"
        return ControlFinding(Control.HELD, (), (), why, clock_moved=True)
    return find_control(
        _each_series("core_clock", soak, data),
        _each_series("fan_speed", soak, data),
        _each_series("cpu_power", soak, data),
    )


def _each_series(role: str, soak: SoakData, data: RunData) -> list[list[float]]:
    """Means of each channel of the role during the soak: of cores, only those under the load."""
    working = {lane.cpu for lane in soak.lanes}
    series = (
        [item.mean for item in _during(channel, soak)]
        for channel in data.channels
        if channel.channel.role == role
        if channel.channel.cpu is None or None in working or channel.channel.cpu in working
    )
    return [values for values in series if values]


def _last_power(soak: SoakData, data: RunData) -> float | None:
    """Mean power of all packages over the last third of the soak, where it is nearly steady."""
    columns = [
        {item.at_seconds: item.mean for item in _during(channel, soak)}
        for channel in data.channels
        if channel.channel.role == "cpu_power"
    ]
    filled = [column for column in columns if column]
    if not filled:
        return None
    common = sorted(set.intersection(*(set(column) for column in filled)))
    late = common[len(common) * 2 // 3 :]
    return sum(column[time] for time in late for column in filled) / len(late) if late else None


def heat_statements(findings: Sequence[HeatFinding]) -> tuple[Statement, ...]:
    """One statement for the hottest channel of each role in each fitted soak."""
    return tuple(
        Statement(TOPIC, " ".join(_sentences(item)), _assumption(item))
        for item in findings
        if item.hottest
    )


def _sentences(item: HeatFinding) -> Iterator[str]:
    name = f"{item.load}, {item.channel.channel.name}"
    why = item.control.why
    if item.control.control is Control.HELD:
        yield f"{name}: {_reached(item)}."
        yield f"{why[0].upper()}{why[1:]}; no steady value and no margin is claimed."
    else:
        yield f"{name}: {item.fit.why}{_interval(item.fit)}{_constant(item.fit)}."
        yield from _margin(item)
        yield from _resistance(item.resistance)
    yield _loss(item.loss, item.control)


def _reached(item: HeatFinding) -> str:
    end = item.fit.end_celsius
    at_end = "" if end is None else f", {temperature(end)} at the end"
    return f"at most {temperature(_peak(item))}{at_end}"


def _peak(item: HeatFinding) -> float:
    return max(each.maximum for each in item.inside)


def _interval(fit: ThermalFit) -> str:
    if fit.low_celsius is None or fit.high_celsius is None:
        return ""
    return f" ({temperature(fit.low_celsius)} to {temperature(fit.high_celsius)})"


def _constant(fit: ThermalFit) -> str:
    constants = [duration(part.time_constant_seconds) for part in fit.components]
    if not constants or fit.steady_celsius is None:
        return ""
    return f", time constant {' and '.join(constants)}"


def _margin(item: HeatFinding) -> Iterator[str]:
    margin = item.margin
    if margin is None or margin.margin_celsius is None:
        return
    day = ""
    if margin.hot_day_celsius is not None:
        day = f", and {temperature_difference(margin.hot_day_celsius)} on the worst declared day"
    yield f"{temperature_difference(margin.margin_celsius)} remain to the guard's limit{day}."


def _resistance(found: SystemResistance) -> Iterator[str]:
    if found.celsius_per_watt is not None:
        yield (
            f"Effective system resistance {found.celsius_per_watt:.3g} °C/W (cooler, case and fan "
            "setting together; not the theta-JA of a data sheet)."
        )


def _loss(loss: HeatLoss, control: ControlFinding) -> str:
    """What throughput the soak cost, and whether the clock says that heat was why."""
    if loss.lost_percent is None or loss.low_percent is None or loss.high_percent is None:
        return f"Throughput lost to heat over the soak is not known: {loss.reason}."
    between = f"({percent(loss.low_percent)} to {percent(loss.high_percent)})"
    if loss.low_percent <= 0:
        return f"No loss of throughput to heat over the soak is shown {between}."
    lost = f"{percent(loss.lost_percent)} of the throughput {between}"
    if control.clock_moved:
        return f"Heat cost {lost} over the soak."
    if control.clock_moved is None:
        return f"The soak cost {lost}; the clock was not measured, so heat may or may not be why."
    return f"The soak cost {lost}, but the clock stayed constant: heat need not be why."


def _assumption(item: HeatFinding) -> str:
    base = (
        "The fit holds at constant power, clock and fan, and shows nothing of parts that warm up "
        "over times much longer than the load lasted."
    )
    if item.control.control is Control.UNKNOWN:
        return f"{base} Here: {item.control.why}."
    return base
