"""A profile as a test file: inert until named, one case a criterion, by the outcome table."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from harness.outcome import Verdict
from harness.pytest_plugin import InconclusiveFailure, ProfileFailure, judge_case
from harness.results import CriterionResult
from tests.sysfs_trees import Tree
from tests.whole_runs import TINY

HERE = Path(__file__).resolve().parents[1]


def run_pytest(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    words = ("-p", "no:cacheprovider", "-v", *words)
    env = {**os.environ, "PYTHONPATH": str(HERE), "RIGPROOF_RUNS_DIR": str(folder / "runs")}
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "harness.pytest_plugin", *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
        env={**env, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"},
    )


def test_a_named_profile_runs_once_and_gives_a_case_a_criterion(tmp_path: Path) -> None:
    (tmp_path / "tiny.yaml").write_text(TINY)
    done = run_pytest(tmp_path, "tiny.yaml", "--rigproof-sysfs-root", str(tmp_path))
    assert done.returncode == 0, done.stdout
    assert "no-failures PASSED" in done.stdout
    assert "no-crash PASSED" in done.stdout
    assert "temperature-ceiling SKIPPED" in done.stdout
    (folder,) = (tmp_path / "runs").glob("*-tiny-*")
    closing = done.stdout.partition(" rigproof ")[2]
    assert "\nPASS  tiny: every required criterion passes\n" in closing
    assert "\n  optional, not tested: temperature-ceiling: " in closing
    assert f"\nreport: {folder / 'report.html'}\n" in closing


def test_a_safety_stop_fails_the_guards_case(tmp_path: Path) -> None:
    root = tmp_path / "root"
    attributes = {"temp1_label": "Package id 0", "temp1_input": 99_000}
    Tree(root).hwmon(0, "platform/coretemp.0", "coretemp", attributes)
    (tmp_path / "tiny.yaml").write_text(TINY)
    done = run_pytest(tmp_path, "tiny.yaml", "--rigproof-sysfs-root", str(root))
    assert done.returncode == 1
    assert "guard FAILED" in done.stdout
    assert "reached 99 °C, limit 95 °C" in done.stdout


def test_a_profile_that_is_not_named_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "tiny.yaml").write_text(TINY)
    (tmp_path / "test_other.py").write_text("def test_it():\n    assert True\n")
    done = run_pytest(tmp_path, ".")
    assert done.returncode == 0
    assert "1 passed" in done.stdout
    assert not (tmp_path / "runs").exists()


def test_a_bad_profile_is_a_collection_error_of_one_line(tmp_path: Path) -> None:
    (tmp_path / "bad.yaml").write_text("name: bad\nloads: []\ntrails: 3\n")
    done = run_pytest(tmp_path, "bad.yaml")
    assert done.returncode == 2
    assert "bad.yaml:" in done.stdout
    assert "Traceback" not in done.stdout


def criterion(verdict: Verdict, required: bool) -> CriterionResult:
    return CriterionResult("c", required, verdict, None, None, None, None, "", "because")


@pytest.mark.parametrize("required", [True, False])
def test_a_pass_passes(required: bool) -> None:
    judge_case(criterion(Verdict.PASS, required), allow_inconclusive=False)
    assert criterion(Verdict.PASS, required).verdict is Verdict.PASS


def test_a_required_failure_fails() -> None:
    with pytest.raises(ProfileFailure, match="because"):
        judge_case(criterion(Verdict.FAIL, True), allow_inconclusive=True)


@pytest.mark.parametrize("verdict", [Verdict.INCONCLUSIVE, Verdict.NOT_TESTED])
def test_an_undecided_required_criterion_fails_with_its_own_type(verdict: Verdict) -> None:
    with pytest.raises(InconclusiveFailure):
        judge_case(criterion(verdict, True), allow_inconclusive=False)
    judge_case(criterion(verdict, True), allow_inconclusive=True)


@pytest.mark.parametrize("verdict", [Verdict.NOT_TESTED, Verdict.FAIL, Verdict.INCONCLUSIVE])
def test_an_optional_criterion_never_fails_its_case(verdict: Verdict) -> None:
    with pytest.raises(pytest.skip.Exception, match="because"):
        judge_case(criterion(verdict, False), allow_inconclusive=False)
