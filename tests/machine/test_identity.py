"""Which machine this is."""

from __future__ import annotations

from pathlib import Path

from harness.machine.identity import machine_identity
from tests.sysfs_trees import Tree, desktop_a


def test_it_survives_restarts_firmware_microcode_and_clock_changes(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    before = machine_identity(tmp_path)
    tree.boot("99999999-2222-3333-4444-555555555555")
    tree.dmi({"bios_version": "9999", "bios_date": "01/01/2030", "bios_release": "5.9"})
    tree.cpuinfo({"vendor_id": "AuthenticAMD", "cpu family": "25", "model": "97",
                  "model name": "renamed", "stepping": "2", "microcode": "0xffff",
                  "cpu MHz": "800.000"})  # fmt: skip
    tree.policy(0, {"scaling_cur_freq": 1, "scaling_governor": "powersave"})
    assert machine_identity(tmp_path) == before
    assert before.stable


def test_another_installation_processor_or_board_is_another_machine(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    keys = {machine_identity(tmp_path).key}
    tree.write("etc/machine-id", "f" * 32)
    keys.add(machine_identity(tmp_path).key)
    tree.dmi({"board_name": "another"})
    keys.add(machine_identity(tmp_path).key)
    tree.cpuinfo({"vendor_id": "AuthenticAMD", "cpu family": "26", "model": "68"})
    keys.add(machine_identity(tmp_path).key)
    assert len(keys) == 4


def test_it_reveals_nothing_that_it_is_made_of(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    tree.dmi({"board_serial": "SERIAL-1", "product_uuid": "UUID-1"})
    first = machine_identity(tmp_path)
    assert "0123456789abcdef" not in first.key
    tree.dmi({"board_serial": "SERIAL-2", "product_uuid": "UUID-2"})
    assert machine_identity(tmp_path) == first


def test_without_an_installation_id_machines_alike_share_it_and_it_says_so(tmp_path: Path) -> None:
    Tree(tmp_path).dmi({"board_name": "x"})
    identity = machine_identity(tmp_path)
    assert not identity.stable
    assert "share it" in identity.basis


def test_this_machines_identity_is_the_same_twice() -> None:
    assert machine_identity() == machine_identity()
    assert len(machine_identity().key) == 32
