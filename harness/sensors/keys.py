"""How a channel's key is made: stable across boots, and still readable in its parts.

``source:place:driver:item:label``, where `place` is what stays when the kernel counts its devices
in another order (the real path of the device), and none of the last three holds a colon.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from harness.results import Channel
from harness.sensors.files import visible


@dataclass(frozen=True)
class Traits:
    """The parts of a key; role rules match on them."""

    source: str
    place: str
    driver: str
    item: str
    label: str


def make_key(source: str, place: str, driver: str, item: str, label: str = "") -> str:
    """The key of a channel. Texts come from drivers: they are made printable and shortened."""
    parts = [visible(part).replace(":", "_") for part in (driver, item, label)]
    return ":".join([source, visible(place, 300), *parts])


def traits_of(key: str) -> Traits:
    """The parts of a key that :func:`make_key` made."""
    source, rest = key.split(":", 1)
    place, driver, item, label = rest.rsplit(":", 3)
    return Traits(source, place, driver, item, label)


def numbered(keys: Iterable[str]) -> list[str]:
    """`keys` with every repeated one made unique: the second gets ``#2`` behind it, and so on."""
    counts: dict[str, int] = {}
    unique: list[str] = []
    for key in keys:
        counts[key] = counts.get(key, 0) + 1
        unique.append(key if counts[key] == 1 else f"{key}#{counts[key]}")
    return unique


def with_unique_names(channels: Iterable[Channel]) -> list[Channel]:
    """`channels` whose names differ, so that a report can tell them apart."""
    listed = list(channels)
    names = numbered(channel.name for channel in listed)
    return [
        channel if channel.name == name else replace(channel, name=name.replace("#", " no. "))
        for channel, name in zip(listed, names, strict=True)
    ]
