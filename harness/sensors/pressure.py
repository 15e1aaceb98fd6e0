"""Pressure stall information: the share of time in which somebody waits for a resource.

Source: Documentation/accounting/psi.rst. The averages that the kernel offers move slowly, so the
share is taken from `total=`, which counts microseconds. CPU "full" is always 0 for the whole
system and is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from harness.results import Channel
from harness.sensors.contract import Discovery, Reading
from harness.sensors.files import Attribute, describe
from harness.sensors.keys import make_key
from harness.sensors.rates import PERIOD_SECONDS, Rate

_FOLDER = "proc/pressure"
#: Resource, line of its file, and what it says in words.
_LINES = (
    ("cpu", "some", "somebody waits for a CPU"),
    ("memory", "some", "somebody waits for memory"),
    ("memory", "full", "everybody waits for memory"),
    ("io", "some", "somebody waits for storage"),
    ("io", "full", "everybody waits for storage"),
)
_MICROSECONDS = 1e6


def parse_totals(text: bytes) -> dict[str, int]:
    """`total` in microseconds of each line (``some``, ``full``) of one pressure file."""
    totals: dict[str, int] = {}
    for line in text.split(b"\n"):
        name, _, rest = line.partition(b" ")
        _, found, total = rest.rpartition(b"total=")
        if found and total.isdigit() and len(total) < 20:
            totals[name.decode("ascii", "replace")] = int(total)
    return totals


class PressureChip:
    """The three pressure files."""

    name = "pressure"
    period_seconds = PERIOD_SECONDS
    shares_thread = True

    def __init__(self, root: Path, resources: Sequence[str]) -> None:
        self._files = {it: Attribute(root / _FOLDER / it) for it in resources}
        self._lines = [line for line in _LINES if line[0] in self._files]
        self._rates = [Rate() for _ in self._lines]
        self.channels = tuple(_channel(*line) for line in self._lines)

    def read(self, now_seconds: float) -> Sequence[Reading]:
        """See :class:`harness.sensors.contract.Chip`."""
        texts = {name: self._totals(file) for name, file in self._files.items()}
        return [
            _reading(channel.key, texts[line[0]], line[1], rate, now_seconds)
            for channel, line, rate in zip(self.channels, self._lines, self._rates, strict=True)
        ]

    def close(self) -> None:
        """See :class:`harness.sensors.contract.Chip`."""
        for file in self._files.values():
            file.close()

    @staticmethod
    def _totals(file: Attribute) -> dict[str, int] | str:
        try:
            return parse_totals(file.read())
        except OSError as error:
            return describe(error)


def _reading(
    key: str, totals: dict[str, int] | str, line: str, rate: Rate, now_seconds: float
) -> Reading:
    if isinstance(totals, str):
        return Reading(key, None, totals)
    if line not in totals:
        return Reading(key, None, f"no line '{line}' with a total in the file")
    per_second, why = rate.feed(totals[line], now_seconds)
    share = None if per_second is None else min(per_second / _MICROSECONDS * 100, 100.0)
    return Reading(key, share, why)


class PressureSource:
    """Pressure stall information, where the kernel keeps it."""

    name = "pressure"

    def discover(self, root: Path) -> Discovery:
        """See :class:`harness.sensors.contract.Source`."""
        resources: list[str] = []
        why = "this system keeps no pressure stall information"
        for resource in ("cpu", "memory", "io"):
            try:
                file = Attribute(root / _FOLDER / resource)
                found = parse_totals(file.read())
                file.close()
            except FileNotFoundError:
                continue
            except OSError as error:
                why = f"/{_FOLDER}/{resource}: {describe(error)}"
                continue
            resources += [resource] if found else []
        if not resources:
            return Discovery(absent=(_channel("cpu", "some", "somebody waits for a CPU", why),))
        return Discovery(chips=(PressureChip(root, resources),))


def _channel(resource: str, line: str, text: str, absent_reason: str = "") -> Channel:
    return Channel(
        key=make_key("pressure", "", "psi", resource, line),
        name=f"pressure: {text}",
        unit="%",
        source="pressure",
        absent_reason=absent_reason,
    )
