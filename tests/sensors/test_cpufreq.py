"""Which of the kernel's statements about the clock is taken, and what it is called."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from harness.sensors import gauge
from harness.sensors.cpufreq import CpufreqSource
from tests.sysfs_trees import Tree


def _only_channel(tree: Tree) -> tuple[str, float | None]:
    chip = CpufreqSource().discover(tree.root).chips[0]
    return chip.channels[0].name, chip.read(0.0)[0].value


def test_a_counted_average_is_preferred_to_a_request(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.policy(0, {"cpuinfo_avg_freq": 4_900_000, "scaling_cur_freq": 5_100_000})
    assert _only_channel(tree) == ("CPU 0 clock (counted average)", 4.9e9)


@pytest.mark.parametrize(
    ("flags", "kind"), [("sse aperfmperf", "counted average"), ("sse", "request")]
)
def test_the_scaling_clock_is_a_request_unless_the_processor_counts(
    tmp_path: Path, flags: str, kind: str
) -> None:
    tree = Tree(tmp_path)
    tree.cpuinfo({"flags": flags})
    tree.policy(0, {"scaling_cur_freq": 2_000_000})
    assert _only_channel(tree) == (f"CPU 0 clock ({kind})", 2.0e9)


def test_a_shared_policy_names_all_its_cpus(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.policy(4, {"related_cpus": "4 5 6 7", "scaling_cur_freq": 1})
    assert _only_channel(tree)[0] == "CPUs 4-7 clock (request)"


def test_limits_belong_to_the_policies_that_have_a_clock(tmp_path: Path) -> None:
    tree = Tree(tmp_path)
    tree.policy(0, {"cpuinfo_max_freq": 1})
    tree.policy(1, {"scaling_cur_freq": 1_000, "cpuinfo_max_freq": 5_000_000})
    found = CpufreqSource().discover(tmp_path)
    assert [(it.channel, it.value) for it in found.limits] == [
        (found.chips[0].channels[0].key, 5.0e9)
    ]


def test_a_hidden_clock_is_said(tmp_path: Path) -> None:
    assert "hides its clock" in CpufreqSource().discover(tmp_path).absent[0].absent_reason


def test_an_idle_cpu_whose_clock_was_not_counted_is_said_to_be_idle(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tree = Tree(tmp_path)
    tree.policy(0, {"cpuinfo_avg_freq": 4_900_000})
    chip = CpufreqSource().discover(tree.root).chips[0]

    def idle(*_: object) -> bytes:
        raise BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable")

    monkeypatch.setattr(gauge, "pread", idle)
    (reading,) = chip.read(0.0)
    assert reading.value is None
    assert reading.reason.startswith("EAGAIN")
    assert reading.reason.endswith("the CPU is idle, nothing was counted")
