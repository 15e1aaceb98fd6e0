"""Facts of six boards and of this machine."""

from __future__ import annotations

import json
import platform
from pathlib import Path
from typing import Any

import pytest

from harness.machine.fact_values import is_unknown, known_or_none, reason_of, unknown
from harness.machine.facts import collect_facts
from tests.sysfs_trees import (
    BOARDS,
    Tree,
    arm_board,
    desktop_a,
    desktop_b,
    laptop,
    server,
    virtual_machine,
)


def _unknowns(value: Any, name: str = "") -> list[tuple[str, str]]:
    if is_unknown(value):
        return [(name, reason_of(value))]
    if isinstance(value, dict):
        return [it for part, its in value.items() for it in _unknowns(its, f"{name}.{part}")]
    return []


@pytest.mark.parametrize("board", BOARDS)
def test_facts_are_plain_json_and_what_is_unknown_has_a_reason(board: str, tmp_path: Path) -> None:
    facts = collect_facts(BOARDS[board](tmp_path).root)
    assert json.loads(json.dumps(facts)) == facts
    assert all(reason for _, reason in _unknowns(facts))


def test_a_desktop_says_what_it_is(tmp_path: Path) -> None:
    facts = collect_facts(desktop_a(tmp_path).root)
    assert facts["cpu"]["model"] == "A Desktop CPU"
    assert facts["cpu"]["microcode"] == "0xa601206"
    assert facts["cpu"]["features"] == ["avx2", "fma", "avx512f", "aperfmperf"]
    assert facts["board"]["name"] == "A870"
    assert facts["firmware"]["version"] == "1801"
    assert facts["kernel"]["release"] == "6.12.0"
    assert facts["frequency"]["boost"] is True
    assert facts["frequency"]["policies"] == [
        {
            "cpus": "0-15",
            "driver": "amd-pstate-epp",
            "governor": "performance",
            "preference": "performance",
            "hardware_highest_hz": 5_700_000_000,
        }
    ]
    assert facts["virtualization"] == {"virtual": False, "kind": None}
    assert facts["power"]["source"] == "no battery"


def test_a_hypervisor_without_a_name_is_not_known_and_none_is_none(tmp_path: Path) -> None:
    tree = virtual_machine(tmp_path / "v")
    assert collect_facts(tree.root)["virtualization"] == {
        "virtual": True,
        "kind": "A Cloud Virtual Machine",
    }
    tree.dmi({"sys_vendor": "", "product_name": ""})
    unnamed = collect_facts(tree.root)["virtualization"]
    assert unnamed["virtual"] is True
    assert reason_of(unnamed["kind"]) == "the hypervisor gives no name"
    (tree.root / "proc/cpuinfo").unlink()
    silent = collect_facts(tree.root)["virtualization"]
    assert {reason_of(it) for it in silent.values()} == {SILENT}


SILENT = "neither the processor nor the firmware says"


@pytest.mark.parametrize(
    ("vendor", "product"),
    [
        ("QEMU", "KVM Virtual Machine"),
        ("Apple Inc.", "Apple Virtualization Generic Platform"),
        ("Google", "Google Compute Engine"),
        ("Amazon EC2", "m6g.large"),
    ],
)
def test_a_guest_without_a_flag_is_known_by_its_firmware(
    tmp_path: Path, vendor: str, product: str
) -> None:
    tree = arm_board(tmp_path)
    tree.dmi({"sys_vendor": vendor, "product_name": product})
    found = collect_facts(tree.root)["virtualization"]
    assert found == {"virtual": True, "kind": f"{vendor} {product}"}


@pytest.mark.parametrize(
    ("file", "text", "kind"),
    [
        ("hypervisor/compatible", b"xen,xen-4.17\0xen,xen\0", "xen,xen-4.17 xen,xen"),
        ("hypervisor/compatible", b"linux,kvm\0", "linux,kvm"),
        ("compatible", b"linux,dummy-virt\0", "linux,dummy-virt"),
    ],
)
@pytest.mark.parametrize("place", ["sys/firmware/devicetree/base", "proc/device-tree"])
def test_a_guest_without_a_flag_is_known_by_its_device_tree(
    tmp_path: Path, place: str, file: str, text: bytes, kind: str
) -> None:
    tree = arm_board(tmp_path)
    tree.write(f"{place}/{file}", text)
    assert collect_facts(tree.root)["virtualization"] == {"virtual": True, "kind": kind}


@pytest.mark.parametrize(
    "dmi",
    [
        {},
        {"sys_vendor": "A Server Maker", "product_name": "Rack 2"},
        {"sys_vendor": "Amazon EC2", "product_name": "m6g.metal"},
    ],
)
def test_the_silence_of_a_processor_without_a_flag_shows_no_bare_machine(
    tmp_path: Path, dmi: dict[str, str]
) -> None:
    tree = arm_board(tmp_path)
    tree.dmi(dmi)
    found = collect_facts(tree.root)["virtualization"]
    assert {name: reason_of(it) for name, it in found.items()} == {
        "virtual": SILENT,
        "kind": SILENT,
    }


def test_an_x86_board_whose_product_sounds_virtual_is_what_its_flag_says(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    tree.dmi({"product_name": "Virtual Pinball"})
    assert collect_facts(tree.root)["virtualization"] == {"virtual": False, "kind": None}


def _quota(tree: Tree) -> float | None:
    quota: float | None = collect_facts(tree.root)["container"]["cpu_quota_cpus"]
    return quota


def test_the_quota_of_the_processs_own_group_counts_and_the_smallest_above_it(
    tmp_path: Path,
) -> None:
    tree = desktop_a(tmp_path)
    tree.write("proc/self/cgroup", "0::/user.slice/a.scope")
    assert _quota(tree) is None
    tree.write("sys/fs/cgroup/user.slice/a.scope/cpu.max", "150000 100000")
    assert _quota(tree) == 1.5
    tree.write("sys/fs/cgroup/user.slice/cpu.max", "50000 100000")
    assert _quota(tree) == 0.5
    tree.write("sys/fs/cgroup/user.slice/cpu.max", "max 100000")
    assert _quota(tree) == 1.5
    tree.write("sys/fs/cgroup/cpu.max", "100000 100000")  # what a container sees as its root
    assert _quota(tree) == 1.0
    tree.write("sys/fs/cgroup/other.slice/cpu.max", "1000 100000")
    assert _quota(tree) == 1.0


@pytest.mark.parametrize("mount", ["cpu", "cpu,cpuacct"])
def test_a_quota_of_the_older_hierarchy_is_seen(tmp_path: Path, mount: str) -> None:
    tree = desktop_a(tmp_path)
    tree.write("proc/self/cgroup", "9:name=systemd:/\n4:cpu,cpuacct:/x/y\n3:cpuset:/z")
    tree.write_all(f"sys/fs/cgroup/{mount}", {"cpu.cfs_quota_us": -1, "cpu.cfs_period_us": 100000})
    assert _quota(tree) is None
    limits = {"cpu.cfs_quota_us": 200_000, "cpu.cfs_period_us": 100_000}
    tree.write_all(f"sys/fs/cgroup/{mount}/x", limits)
    assert _quota(tree) == 2.0


def test_the_other_drivers_switch_for_boost_is_turned_round(tmp_path: Path) -> None:
    tree = desktop_b(tmp_path)
    assert collect_facts(tree.root)["frequency"]["boost"] is True
    tree.write("sys/devices/system/cpu/intel_pstate/no_turbo", 1)
    assert collect_facts(tree.root)["frequency"]["boost"] is False


def test_a_laptop_an_arm_board_and_a_server_are_told_by_their_own_sources(tmp_path: Path) -> None:
    assert collect_facts(laptop(tmp_path / "l").root)["power"]["source"] == "battery"
    arm = collect_facts(arm_board(tmp_path / "a").root)
    assert arm["device_tree_model"] == "Some Arm Board Rev 1.2"
    assert arm["cpu"]["vendor"] == "0x41"
    assert arm["cpu"]["features"] == ["aes", "asimd", "crc32", "sha2"]
    assert is_unknown(arm["firmware"]["version"])
    assert (
        collect_facts(server(tmp_path / "s").root)["kernel"]["hardware_error_poll_seconds"] == 300
    )


def test_kernel_parameters_keep_only_what_bears_on_speed(tmp_path: Path) -> None:
    tree = desktop_a(tmp_path)
    parameters = collect_facts(tree.root)["kernel"]["parameters"]
    assert parameters["known"] == ["mitigations=auto", "isolcpus=3"]
    assert parameters["others_count"] == 1
    assert "sda1" not in json.dumps(parameters)
    tree.write("proc/cmdline", "root=/dev/sdb1 mitigations=auto isolcpus=3")
    changed = collect_facts(tree.root)["kernel"]["parameters"]
    assert changed["others_digest"] != parameters["others_digest"]


def test_this_machine_tells_of_itself() -> None:
    facts = collect_facts()
    assert facts["software"]["python"] == platform.python_version()
    assert facts["software"]["blas"]["library"]
    assert facts["software"]["compiler"]["name"] == "LLVM"
    assert facts["memory"]["total_bytes"] > 2**20
    assert facts["kernel"]["release"] == platform.release()


def test_unknown_facts_are_recognised() -> None:
    assert is_unknown(unknown("x"))
    assert reason_of(unknown("x")) == "x"
    assert known_or_none(unknown("x")) is None
    assert not is_unknown({"value": 3})
    assert reason_of(3) == ""
    assert known_or_none(3) == 3
