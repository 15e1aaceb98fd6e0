"""Facts of the board and its firmware (ABI/testing/sysfs-class-dmi, readable without root).

Serial numbers, asset tags and the product's UUID are not read. Boards without such a table (most
Arm boards) have a device tree instead, whose `model` names the board.
"""

from __future__ import annotations

from pathlib import Path

from harness.machine.fact_values import FactValue, text_fact

_DMI = "sys/class/dmi/id"
_MODEL = ("sys/firmware/devicetree/base/model", "proc/device-tree/model")
_ITEMS = {
    "board": ("board_vendor", "board_name", "board_version"),
    "firmware": ("bios_vendor", "bios_version", "bios_date", "bios_release"),
    "product": ("sys_vendor", "product_name", "product_version"),
}
_NAMES = {
    "board_vendor": "vendor",
    "board_name": "name",
    "board_version": "version",
    "bios_vendor": "vendor",
    "bios_version": "version",
    "bios_date": "date",
    "bios_release": "release",
    "sys_vendor": "vendor",
    "product_name": "name",
    "product_version": "version",
}


def board_facts(root: Path) -> dict[str, FactValue]:
    """Board, firmware and product: vendor, name, version, date."""
    facts: dict[str, FactValue] = {
        group: {_NAMES[item]: text_fact(root / _DMI / item) for item in items}
        for group, items in _ITEMS.items()
    }
    for path in _MODEL:
        model = text_fact(root / path)
        if isinstance(model, str):
            facts["device_tree_model"] = model
            break
    return facts
