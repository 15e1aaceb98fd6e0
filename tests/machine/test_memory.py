"""Memory that may be used: the machine's, and the control group's."""

from __future__ import annotations

from pathlib import Path

import psutil
import pytest

from harness.machine.memory import available_memory_bytes, machine_memory, memory_limits
from tests.sysfs_trees import Tree

_MIB = 2**20


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    it = Tree(tmp_path)
    it.memory(total_kib=32 * 1024**2, available_kib=16 * 1024**2)
    return it


def test_without_a_limit_the_machines_available_memory_counts(tree: Tree) -> None:
    assert available_memory_bytes(tree.root) == 16 * 2**30


def test_the_smallest_limit_on_the_way_to_the_root_counts(tree: Tree) -> None:
    tree.write("proc/self/cgroup", "0::/a/b/c")
    base = "sys/fs/cgroup"
    tree.write_all(f"{base}/a", {"memory.max": 4096 * _MIB, "memory.current": 1024 * _MIB})
    tree.write_all(f"{base}/a/b", {"memory.max": "max", "memory.current": 0})
    tree.write_all(
        f"{base}/a/b/c",
        {"memory.max": "max", "memory.high": 8192 * _MIB, "memory.current": 100 * _MIB},
    )
    assert available_memory_bytes(tree.root) == 3072 * _MIB
    assert [it.limit_bytes for it in memory_limits(tree.root)] == [8192 * _MIB, 4096 * _MIB]


def test_page_cache_that_gives_way_is_no_use(tree: Tree) -> None:
    tree.write("proc/self/cgroup", "0::/a")
    tree.write_all(
        "sys/fs/cgroup/a",
        {
            "memory.max": 1024 * _MIB,
            "memory.current": 1000 * _MIB,
            "memory.stat": f"anon 5\ninactive_file {900 * _MIB}",
        },
    )
    assert available_memory_bytes(tree.root) == 924 * _MIB


def test_the_older_hierarchy_is_understood(tree: Tree) -> None:
    tree.write("proc/self/cgroup", "9:name=systemd:/\n4:memory:/x\n1:cpu,cpuacct:/y")
    tree.write_all(
        "sys/fs/cgroup/memory/x",
        {"memory.limit_in_bytes": 512 * _MIB, "memory.usage_in_bytes": 12 * _MIB},
    )
    tree.write_all(
        "sys/fs/cgroup/memory",
        {"memory.limit_in_bytes": 9223372036854771712, "memory.usage_in_bytes": 1},
    )
    assert available_memory_bytes(tree.root) == 500 * _MIB


def test_a_path_that_leads_upwards_is_not_followed(tree: Tree) -> None:
    tree.write("proc/self/cgroup", "0::/../../../etc")
    tree.write_all("sys/fs/cgroup", {"memory.max": 256 * _MIB, "memory.current": 0})
    assert available_memory_bytes(tree.root) == 256 * _MIB


def test_a_group_that_is_over_its_limit_leaves_nothing(tree: Tree) -> None:
    tree.write("proc/self/cgroup", "0::/a")
    tree.write_all("sys/fs/cgroup/a", {"memory.max": _MIB, "memory.current": 2 * _MIB})
    assert available_memory_bytes(tree.root) == 0


def test_this_machines_memory_is_what_the_library_says() -> None:
    total, _ = machine_memory()
    assert total == psutil.virtual_memory().total
    # Free memory moves between two looks; more than there is in all it can never be.
    assert 0 < available_memory_bytes() <= total


def test_elsewhere_the_library_is_asked(tmp_path: Path) -> None:
    assert machine_memory(tmp_path)[0] == psutil.virtual_memory().total
