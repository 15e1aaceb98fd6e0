"""End to end: a tiny profile on this machine, from YAML to reports, and what can go wrong in it."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import psutil
import pytest

from harness.finishing import Concluded, conclude
from harness.lanes.messages import Sabotage
from harness.observing import Nobody
from harness.outcome import Ending, ExitCode, Verdict
from harness.record.listing import list_runs
from harness.record.reader import read_run
from harness.record.verify import verify_run
from harness.results import EventKind, FailureKind
from harness.running import run_profile
from harness.startup import RunOptions
from tests.sysfs_trees import Tree
from tests.whole_runs import SOAK, TINY, loaded, run, verdicts


@pytest.fixture(scope="module")
def quiet_run(tmp_path_factory: pytest.TempPathFactory) -> Concluded:
    """One undisturbed run that several tests look at."""
    return run(TINY, tmp_path_factory.mktemp("quiet"), settings={"cooler": "tower"})


def test_a_quiet_run_passes_and_leaves_all_files(quiet_run: Concluded) -> None:
    assert quiet_run.result.exit_code is ExitCode.PASS
    names = {path.name for path in quiet_run.folder.iterdir()}
    assert names == {"record.sqlite3", "report.html", "junit.xml", "summary.json", "SHA256SUMS"}


def test_the_summary_has_the_promised_keys(quiet_run: Concluded) -> None:
    summary = json.loads((quiet_run.folder / "summary.json").read_text())
    assert summary["format"] == "rigproof.summary"
    promised = (
        "format_version run_id verdict profile started ended criteria workloads failures "
        "safety_stop channels settings facts notes"
    )
    assert set(promised.split()) <= set(summary)
    of_a_workload = (
        "name unit trials boots flagged rejected mean low high confidence cv_percent mean_all "
        "low_all high_all"
    )
    assert set(of_a_workload.split()) <= set(summary["workloads"][0])
    assert summary["settings"] == {"cooler": "tower"}


def test_trials_of_both_loads_are_verified_on_every_lane(quiet_run: Concluded) -> None:
    data = read_run(quiet_run.folder)
    assert len(data.trials) == 6
    cpus = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    for trial in data.trials:
        assert len(trial.lanes) == cpus
        assert all(lane.verified == lane.passes > 0 for lane in trial.lanes)


def test_a_machine_without_sensors_is_said_to_have_none(tmp_path: Path, runs_dir: Path) -> None:
    done = run(TINY, runs_dir, sysfs_root=tmp_path / "nothing", select="zstandard")
    assert verdicts(done)["temperature-ceiling"] == Verdict.NOT_TESTED
    assert "not tested" in (done.folder / "report.html").read_text()


def test_reports_come_out_again_byte_for_byte(quiet_run: Concluded) -> None:
    before = {path.name: path.read_bytes() for path in quiet_run.folder.iterdir()}
    conclude(quiet_run.folder)
    after = {path.name: path.read_bytes() for path in quiet_run.folder.iterdir()}
    assert after == before
    assert verify_run(quiet_run.folder) == ()


def test_junit_has_one_case_a_criterion(quiet_run: Concluded) -> None:
    root = ElementTree.parse(quiet_run.folder / "junit.xml").getroot()  # noqa: S314 - our own file
    names = {case.get("name") for case in root.iter("testcase")}
    assert {"no-failures", "no-crash", "temperature-ceiling"} <= names


def test_a_later_run_takes_over_the_work_of_the_earlier_one(quiet_run: Concluded) -> None:
    again = run(TINY, quiet_run.folder.parent)
    first, second = read_run(quiet_run.folder), read_run(again.folder)
    assert [dict(item.passes) for item in first.loads] == [
        dict(item.passes) for item in second.loads
    ]
    assert second.context["work_taken_from"] == first.run_id


@pytest.mark.parametrize("lane", [0, 1])
def test_one_flipped_bit_of_a_result_fails_the_run_naming_workload_lane_and_core(
    runs_dir: Path, lane: int
) -> None:
    cpus = sorted(os.sched_getaffinity(0))
    if lane >= len(cpus):
        pytest.skip(f"this process may use {len(cpus)} CPU")
    sabotage = {lane: Sabotage(at_pass=1, role="result", kind="any", seed=3)}
    done = run(TINY, runs_dir, sabotage=sabotage, select="matmul")
    failure = done.result.failures[0]
    assert done.result.exit_code is ExitCode.FAIL
    assert failure.kind is FailureKind.WRONG_RESULT
    assert (failure.workload, failure.lane, failure.core) == ("matmul-fp64", lane, cpus[lane])
    assert "transient" in failure.detail
    assert "result_c" in failure.detail
    report = (done.folder / "report.html").read_text()
    assert "matmul-fp64" in report
    assert "wrong result" in report.lower()


def tree(root: Path, millidegrees: int = 45_000) -> Tree:
    made = Tree(root)
    attributes = {"temp1_label": "Package id 0", "temp1_input": millidegrees}
    made.hwmon(0, "platform/coretemp.0", "coretemp", attributes)
    return made


def hot_channel(root: Path) -> Path:
    return root / "sys/devices/platform/coretemp.0/hwmon/hwmon0/temp1_input"


def test_the_guard_stops_a_hot_machine_and_says_whose_limit_it_was(
    tmp_path: Path, runs_dir: Path
) -> None:
    root = tmp_path / "root"
    tree(root, 97_000)
    text = (
        SOAK.replace("SECONDS", "30") + "safety: {whose_limit: the maker of this invented part}\n"
    )
    done = run(text, runs_dir, sysfs_root=root)
    assert done.result.exit_code is ExitCode.SAFETY_STOP
    stop = done.result.safety_stop
    assert stop is not None
    assert (stop.value, stop.limit) == (97.0, 95.0)
    assert "maker of this invented part" in (done.folder / "report.html").read_text()
    assert read_run(done.folder).ending is Ending.SAFETY_STOP


class Meddler(Nobody):
    """Changes the tree when the load starts."""

    def __init__(self, meddle) -> None:  # type: ignore[no-untyped-def]
        self._meddle = meddle

    def stored(self, item: object) -> None:
        if getattr(item, "kind", None) is EventKind.LOAD_STARTED and self._meddle is not None:
            self._meddle()
            self._meddle = None


def test_a_sensor_that_vanishes_is_seen_in_record_and_report_and_breaks_nothing(
    tmp_path: Path, runs_dir: Path
) -> None:
    root = tmp_path / "root"
    tree(root).hwmon(1, "platform/spare.0", "spare", {"temp1_input": 30_000})
    gone = root / "sys/devices/platform/spare.0/hwmon/hwmon1/temp1_input"
    options = RunOptions(runs_dir=runs_dir, sysfs_root=root)
    text = SOAK.replace("SECONDS", "2")
    from harness.finishing import Concluded as Done

    done: Done = run_profile(loaded(text), options, Meddler(lambda: gone.write_bytes(b"")))
    channel = next(item for item in done.result.channels if "spare" in item.key)
    assert channel.missing > 0
    assert channel.samples > 0
    events = read_run(done.folder).events
    assert any(event.kind is EventKind.CHANNEL_LOST for event in events)
    assert done.result.exit_code in {ExitCode.PASS, ExitCode.INCONCLUSIVE}


def test_an_absurd_sensor_is_kept_but_not_judged(tmp_path: Path, runs_dir: Path) -> None:
    root = tmp_path / "root"
    tree(root).hwmon(1, "platform/floating.0", "floating", {"temp1_input": -273_150})
    done = run(SOAK.replace("SECONDS", "1"), runs_dir, sysfs_root=root)
    channel = next(item for item in done.result.channels if "floating" in item.key)
    assert channel.flagged > 0
    assert channel.maximum is None or channel.maximum > -273


def test_a_sensor_that_answers_eio_is_told_with_its_errno(tmp_path: Path, runs_dir: Path) -> None:
    root = tmp_path / "root"
    made = tree(root).hwmon(1, "platform/broken.0", "broken", {"temp1_input": 1})
    with answering_eio(root / made / "temp1_input"):
        done = run(SOAK.replace("SECONDS", "1"), runs_dir, sysfs_root=root)
    channel = next(item for item in done.result.channels if "broken" in item.key)
    assert channel.samples == 0
    assert "EIO" in channel.why


@contextlib.contextmanager
def answering_eio(path: Path) -> Iterator[None]:
    """A file whose reads give EIO, like a broken driver's: a process's memory, at address 0."""
    mounted = subprocess.run(
        ["mount", "--bind", f"/proc/{os.getpid()}/mem", str(path)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("a file that answers EIO needs root and mount(8)")
    try:
        yield
    finally:
        subprocess.run(["umount", str(path)], check=True)


def test_an_interruption_keeps_everything_and_says_so(runs_dir: Path) -> None:
    class Interrupting(Nobody):
        def stored(self, item: object) -> None:
            if getattr(item, "kind", None) is EventKind.LOAD_STARTED:
                os.kill(os.getpid(), signal.SIGINT)

    options = RunOptions(runs_dir=runs_dir)
    done = run_profile(loaded(SOAK.replace("SECONDS", "60")), options, Interrupting())
    assert done.result.exit_code is ExitCode.INTERRUPTED
    data = read_run(done.folder)
    assert data.ending is Ending.INTERRUPTED
    assert data.soaks and not data.soaks[0].complete
    assert data.duration_seconds is not None and data.duration_seconds < 30


def test_a_killed_lane_is_explained_with_its_core(runs_dir: Path) -> None:
    class Killing(Nobody):
        def stored(self, item: object) -> None:
            if getattr(item, "kind", None) is EventKind.LOAD_STARTED:
                threading.Timer(0.3, kill_a_lane).start()

    done = run_profile(
        loaded(SOAK.replace("SECONDS", "60")), RunOptions(runs_dir=runs_dir), Killing()
    )
    failure = done.result.failures[0]
    assert done.result.exit_code is ExitCode.FAIL
    assert failure.kind is FailureKind.LANE_DIED
    assert failure.core in os.sched_getaffinity(0)
    assert "SIGKILL" in failure.detail


def kill_a_lane() -> None:
    """Kill the process that uses most CPU time just now: a working lane."""
    children = psutil.Process().children(recursive=True)
    before = {item.pid: item.cpu_times().user for item in children}
    time.sleep(0.3)
    used = {item: item.cpu_times().user - before[item.pid] for item in children}
    max(used, key=used.__getitem__).kill()


def test_nothing_is_left_running_afterwards(quiet_run: Concluded) -> None:
    names = [" ".join(item.cmdline()) for item in psutil.Process().children(recursive=True)]
    workers = [
        name for name in names if "forkserver" not in name and "resource_tracker" not in name
    ]
    assert workers == []
    assert [line.ending for line in list_runs(quiet_run.folder.parent)].count(None) == 0
