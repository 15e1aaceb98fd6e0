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
    # The same answer as in junit.xml: nothing was guarded here.
    assert "guard SKIPPED" in done.stdout
    (folder,) = (tmp_path / "runs").glob("*-tiny-*")
    assert "not tested: no channel was guarded in this run" in (folder / "junit.xml").read_text()
    closing = done.stdout.partition(" rigproof ")[2]
    assert "\nPASS  tiny: every required criterion passes\n" in closing
    assert "\n  optional, not tested: temperature-ceiling: " in closing
    assert f"\nreport: {folder / 'report.html'}\n" in closing


def test_a_safety_stop_fails_the_guards_case_and_ends_the_session(tmp_path: Path) -> None:
    root = tmp_path / "root"
    attributes = {"temp1_label": "Package id 0", "temp1_input": 99_000}
    Tree(root).hwmon(0, "platform/coretemp.0", "coretemp", attributes)
    (tmp_path / "tiny.yaml").write_text(TINY)
    (tmp_path / "next.yaml").write_text(TINY.replace("name: tiny", "name: next"))
    done = run_pytest(tmp_path, "tiny.yaml", "next.yaml", "--rigproof-sysfs-root", str(root))
    # The outcome table's code, and no further load on a machine that was stopped for its safety.
    assert done.returncode == 4
    assert "guard FAILED" in done.stdout
    assert "reached 99 °C, limit 95 °C" in done.stdout
    assert "run FAILED" in done.stdout
    assert "tiny ended the session (stopped by a safety limit)" in done.stdout
    assert "next.yaml::" not in done.stdout
    assert not list((tmp_path / "runs").glob("*-next-*"))


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


#: Stands for the measuring, so that a run can end as it must.
INVENTED = """
from pathlib import Path
from types import SimpleNamespace

from harness.outcome import ExitCode, Verdict
from harness.pytest_plugin import ProfileFile
from harness.results import CriterionResult, Failure, FailureKind

WHY = "broken off\\x1b]0;title\\x07\\nno-failures PASSED"


def run(self):
    (Path(__file__).parent / f"{self.path.stem}-ran").touch()
    known = {"required": True, "measured": None, "low": None, "high": None, "limit": None}
    rules = [
        CriterionResult(name=name, verdict=Verdict.INCONCLUSIVE, unit="", why=WHY, **known)
        for name in ("no-failures", "no-crash", "temperature-ceiling")
    ]
    died = Failure(FailureKind.LANE_DIED, "w", 0, 0, 1.0, WHY)
    result = SimpleNamespace(
        exit_code=ExitCode.CODE, verdict=Verdict.INCONCLUSIVE, criteria=rules, safety_stop=None,
        limits=(), failures=(died,), why=WHY, profile_name=self.path.stem,
    )
    return SimpleNamespace(result=result, folder=Path("somewhere"))


ProfileFile._run = run
"""


def run_invented(folder: Path, code: str, *words: str) -> subprocess.CompletedProcess[str]:
    """Two profiles whose runs end with this exit code, and a test of another kind after them."""
    (folder / "conftest.py").write_text(INVENTED.replace("CODE", code))
    for name in ("first", "second"):
        (folder / f"{name}.yaml").write_text(TINY)
    (folder / "test_other.py").write_text("def test_it():\n    assert True\n")
    return run_pytest(folder, "first.yaml", "second.yaml", "test_other.py", *words)


def test_after_an_interruption_nothing_else_of_the_session_runs(tmp_path: Path) -> None:
    done = run_invented(tmp_path, "INTERRUPTED", "--allow-inconclusive")
    assert done.returncode == 130
    assert "first.yaml::run" in done.stdout
    assert (tmp_path / "first-ran").exists()
    assert not (tmp_path / "second-ran").exists()
    assert "second.yaml::" not in done.stdout
    assert "test_it" not in done.stdout


def test_an_undecided_run_does_not_keep_the_next_one_from_running(tmp_path: Path) -> None:
    done = run_invented(tmp_path, "INCONCLUSIVE")
    assert done.returncode == 1
    assert (tmp_path / "second-ran").exists()
    assert "test_it PASSED" in done.stdout


def test_no_control_sequence_of_a_program_reaches_the_terminal(tmp_path: Path) -> None:
    done = run_invented(tmp_path, "FAIL")
    assert "\x1b" not in done.stdout
    assert "\nno-failures PASSED" not in done.stdout
    assert "lane died: broken off\\x1b]0;title\\x07\\nno-failures PASSED" in done.stdout


REFUSED = """
name: refused
loads:
  - {workload: sha256-chain, soak_seconds: 1}
safety: {require_temperature: true}
accept:
  - {criterion: no-failures}
"""


def test_a_refused_start_is_an_error_of_one_line_in_every_case(tmp_path: Path) -> None:
    (tmp_path / "refused.yaml").write_text(REFUSED)
    done = run_pytest(tmp_path, "refused.yaml", "--rigproof-sysfs-root", str(tmp_path))
    assert done.returncode == 1
    assert "no-failures ERROR" in done.stdout
    told = [line for line in done.stdout.splitlines() if line.startswith("refused requires a CPU")]
    assert len(told) == len(("no-failures", "guard", "run"))
    assert "Traceback" not in done.stdout
    assert "harness/" not in done.stdout
    assert "During handling" not in done.stdout


def test_a_bug_keeps_its_traceback_which_does_not_grow_from_case_to_case(tmp_path: Path) -> None:
    (tmp_path / "tiny.yaml").write_text(TINY)
    (tmp_path / "conftest.py").write_text(
        "from harness.pytest_plugin import ProfileFile\n\n\n"
        "def broken(self):\n    raise ZeroDivisionError('a bug')\n\n\n"
        "ProfileFile._run = broken\n"
    )
    done = run_pytest(tmp_path, "tiny.yaml", "--tb=native")
    cases = done.stdout.split("ERROR at setup of ")[1:]
    assert len(cases) == 5
    assert all("in broken" in case for case in cases)
    lines = [case.partition("ZeroDivisionError")[0].count("\n") for case in cases]
    assert len(set(lines[1:])) == 1


def test_a_profile_does_not_share_the_machine_with_workers(tmp_path: Path) -> None:
    (tmp_path / "tiny.yaml").write_text(TINY)
    (tmp_path / "test_other.py").write_text("def test_it():\n    assert True\n")
    done = run_pytest(tmp_path, "-p", "xdist.plugin", "-n", "2", "tiny.yaml")
    assert done.returncode == 2
    assert "cannot share it with workers" in done.stdout + done.stderr
    assert len((done.stdout + done.stderr).splitlines()) == 1
    assert not (tmp_path / "runs").exists()
    assert run_pytest(tmp_path, "-p", "xdist.plugin", "-n", "2", "test_other.py").returncode == 0


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
