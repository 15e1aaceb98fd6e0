"""Packages, cores, threads and caches."""

from __future__ import annotations

import os
from pathlib import Path

from harness.machine.fact_values import reason_of
from harness.machine.topology import read_topology
from tests.sysfs_trees import Tree, arm_board


def test_siblings_share_a_core_and_cores_are_counted_once(tmp_path: Path) -> None:
    Tree(tmp_path).cpus(16, threads_per_core=2, packages=2)
    topology = read_topology(tmp_path)
    assert (topology.threads, topology.cores) == (16, 8)
    facts = topology.as_facts()
    assert (facts["packages"], facts["threads_per_core"], facts["memory_nodes"]) == (2, 2, 1)


def test_an_offline_cpu_is_left_out(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.cpus(4)
    tree.write("sys/devices/system/cpu/online", "0,2-3")
    assert [it.cpu for it in read_topology(tmp_path).cpus] == [0, 2, 3]


def test_caches_that_are_alike_are_one_line(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.cpus(4)
    for cpu in range(4):
        tree.write_all(
            f"sys/devices/system/cpu/cpu{cpu}/cache/index1",
            {"level": 3, "type": "Unified", "size": "32M", "shared_cpu_list": "0-3"},
        )
    assert read_topology(tmp_path).as_facts()["caches"] == [
        {"level": 1, "kind": "Data", "size_bytes": 48 * 1024, "shared_by_cpus": 1, "count": 4},
        {"level": 3, "kind": "Unified", "size_bytes": 2**25, "shared_by_cpus": 4, "count": 1},
    ]


def test_unequal_cores_show_their_strengths_and_equal_ones_do_not(tmp_path: Path) -> None:
    assert read_topology(arm_board(tmp_path / "a").root).as_facts()["capacities"] == [414, 1024]
    Tree(tmp_path / "b").cpus(2)
    assert read_topology(tmp_path / "b").as_facts()["capacities"] is None


def test_what_the_firmware_does_not_say_is_none(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.cpus(2)
    for cpu in range(2):
        tree.write(f"sys/devices/system/cpu/cpu{cpu}/topology/physical_package_id", -1)
    facts = read_topology(tmp_path).as_facts()
    assert reason_of(facts["packages"]) == "this system does not say"
    assert facts["cores"] == 2


def test_a_tree_without_cpus_is_empty_with_a_reason(tmp_path: Path) -> None:
    topology = read_topology(tmp_path)
    assert topology.cpus == ()
    assert "lists no CPU" in topology.reason


def test_this_machine_has_the_cpus_the_system_counts() -> None:
    assert read_topology().threads == os.cpu_count()
