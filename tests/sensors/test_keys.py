"""Channel keys: readable parts, and no two alike."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from harness.results import Channel
from harness.sensors.keys import Traits, make_key, numbered, traits_of, with_unique_names

_plain = st.text(st.characters(blacklist_categories=("Cs",)), max_size=30)


def test_a_key_gives_its_parts_back() -> None:
    key = make_key("hwmon", "devices/pci0000:00/0000:00:18.3", "k10temp", "temp1_input", "Tctl")
    assert traits_of(key) == Traits(
        "hwmon", "devices/pci0000:00/0000:00:18.3", "k10temp", "temp1_input", "Tctl"
    )


@given(_plain, _plain, _plain, _plain)
def test_any_text_from_a_driver_makes_a_printable_key_with_five_parts(
    place: str, driver: str, item: str, label: str
) -> None:
    key = make_key("hwmon", place, driver, item, label)
    assert key.isprintable()
    assert traits_of(key).source == "hwmon"
    assert ":" not in traits_of(key).label


@given(st.lists(st.sampled_from(["a", "b", "c"])))
def test_numbering_makes_every_key_unique(keys: list[str]) -> None:
    assert len(set(numbered(keys))) == len(keys)


def test_equal_names_are_told_apart_and_others_stay() -> None:
    channels = [Channel(str(index), "Core 0", "°C", "hwmon") for index in range(2)]
    channels.append(Channel("x", "fan #1", "RPM", "hwmon"))
    names = [channel.name for channel in with_unique_names(channels)]
    assert names == ["Core 0", "Core 0 no. 2", "fan #1"]
