"""Running a program of the user's own: what counts as right, and what is refused."""

from __future__ import annotations

import hashlib
import json
import os
import sys
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from bit_flips import flip_results

from workloads import command, surroundings
from workloads.command import CommandTask, CommandWorkload
from workloads.faults import flip

WORKLOAD = CommandWorkload()
missing = pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"argv": ["/no/such/program"]}, "'/no/such/program', which is no program that runs here"),
        ({"argv": ["true"], "folder": "/no/such/folder"}, "which is no folder here"),
    ],
)


def python(code: str, **more: Any) -> dict[str, Any]:
    return WORKLOAD.complete({"argv": [sys.executable, "-c", code], **more})


def ran(code: str, **more: Any) -> tuple[CommandTask, int | None]:
    """A task after one pass, and its golden."""
    parameters = python(code, **more)
    task = WORKLOAD.prepare(parameters, seed=1)
    assert isinstance(task, CommandTask)
    task.execute()
    task.close()
    return task, WORKLOAD.golden(parameters, seed=1)


def judged_right(code: str, **more: Any) -> bool:
    task, golden = ran(code, **more)
    assert golden is not None
    right = task.digest() == golden
    assert right == all(finding.ok for finding in task.invariants())
    return right


def test_the_program_sees_the_users_environment_and_not_the_lanes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("OMP_NUM_THREADS", "6")
    monkeypatch.delenv("MKL_NUM_THREADS", raising=False)
    monkeypatch.delenv(surroundings.KEPT_VARIABLE, raising=False)
    wanted = dict(os.environ)
    monkeypatch.setenv(surroundings.KEPT_VARIABLE, "{}")
    surroundings.set_for_lanes({"OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"})
    task, _ = ran("import json, os; print(json.dumps(dict(os.environ)))")
    seen = json.loads(task.buffers()["result_output"].tobytes())
    monkeypatch.delenv("MKL_NUM_THREADS")
    assert {name: seen.get(name) for name in wanted} == wanted
    assert surroundings.KEPT_VARIABLE not in seen
    assert "MKL_NUM_THREADS" not in seen


def test_by_default_the_exit_status_decides_and_the_output_may_vary() -> None:
    assert judged_right("import os; print(os.getpid())")
    assert not judged_right("raise SystemExit(3)")


def test_another_exit_status_can_be_the_right_one() -> None:
    assert judged_right("raise SystemExit(3)", exit_status=3)
    assert not judged_right("pass", exit_status=3)


def test_a_signal_is_not_right_and_is_named() -> None:
    code = "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"
    assert not judged_right(code)
    task, _ = ran(code)
    assert "expected exit status 0, killed by SIGKILL" in task.invariants()[0].detail


def test_a_pattern_must_be_found_in_the_output() -> None:
    more = {"check": "pattern", "pattern": r"^residual = 0\.0+$"}
    assert judged_right("print('start'); print('residual = 0.000')", **more)
    assert not judged_right("print('residual = 0.1')", **more)
    assert not judged_right("print('residual = 0.0'); raise SystemExit(1)", **more)


def test_a_known_output_is_compared_by_its_sha256() -> None:
    more = {"check": "output", "output_sha256": hashlib.sha256(b"42\n").hexdigest()}
    assert judged_right("print(6 * 7)", **more)
    assert not judged_right("print(6 * 9)", **more)


def test_an_unknown_output_must_be_the_same_every_time() -> None:
    first, golden = ran("print(42)", check="output")
    again, _ = ran("print(42)", check="output")
    other, _ = ran("print(43)", check="output")
    failed, _ = ran("print(42); raise SystemExit(1)", check="output")
    assert golden is None
    assert first.digest() == again.digest()
    assert len({first.digest(), other.digest(), failed.digest()}) == 3


def test_more_output_than_can_be_kept_is_not_right(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(command, "OUTPUT_LIMIT_BYTES", 10)
    more = {"check": "pattern", "pattern": "x"}
    task, golden = ran("print('x' * 100)", **more)
    assert task.digest() != golden
    assert "printed more than 10 bytes" in task.invariants()[-1].detail


def test_a_run_that_takes_too_long_is_killed_and_wrong() -> None:
    code = "import time\nwhile True: time.sleep(60)"
    task, golden = ran(code, timeout_seconds=0.5)
    assert task.digest() != golden
    assert "ran out of time" in task.invariants()[0].detail


def test_the_end_of_standard_error_is_told() -> None:
    task, _ = ran("import sys; sys.exit('the disk is gone')")
    assert task.invariants()[0].detail.endswith("standard error ends: the disk is gone")


def test_it_runs_in_the_given_folder(tmp_path: Path) -> None:
    more = {"check": "pattern", "pattern": f"^{tmp_path.resolve()}$", "folder": str(tmp_path)}
    assert judged_right("import os; print(os.getcwd())", **more)


def test_a_relative_program_is_looked_for_from_the_working_folder(tmp_path: Path) -> None:
    script = tmp_path / "script"
    script.write_text(f"#!{sys.executable}\nprint('here')\n")
    script.chmod(0o755)
    parameters = WORKLOAD.complete({"argv": ["./script"], "folder": str(tmp_path)})
    task = WORKLOAD.prepare(parameters, seed=1)
    task.execute()
    assert task.digest() == WORKLOAD.golden(parameters, seed=1)
    task.close()


def test_every_flip_in_what_the_check_looks_at_is_caught() -> None:
    parameters = python("print('x' * 500)", check="output")
    task = WORKLOAD.prepare(parameters, seed=1)
    campaign = flip_results(task)
    assert campaign.caught == campaign.flips
    task.close()


def test_flips_in_an_output_that_nobody_checks_are_harmless() -> None:
    task, golden = ran("print('x' * 500)")
    rng = Random(1)
    for _ in range(50):
        flip(task.buffers()["result_output"], rng.randrange(500), rng.randrange(8))
        assert task.digest() == golden
    task.buffers()["result_status"][0] ^= np.int64(4)
    assert task.digest() != golden


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({}, "argv: received an empty list, needs a program and its arguments"),
        ({"argv": [""]}, "argv: received an empty list"),
        ({"argv": "rm -rf /tmp/x"}, "argv: received 'rm -rf /tmp/x', needs tuple"),
        ({"argv": ["echo", 3]}, "needs a list of strings"),
        ({"argv": ["x"], "check": "luck"}, "choose from exit-status, output, pattern"),
        ({"argv": ["x"], "exit_status": 256}, "exit_status: received 256, must lie in 0 to 255"),
        ({"argv": ["x"], "pattern": "a"}, "give a pattern and check: pattern, or neither"),
        ({"argv": ["x"], "check": "pattern"}, "give a pattern and check: pattern, or neither"),
        ({"argv": ["x"], "check": "pattern", "pattern": "("}, r"pattern: received '\(': missing"),
        ({"argv": ["x"], "check": "output", "output_sha256": "12"}, "needs 64 digits 0-9 a-f"),
        ({"argv": ["x"], "output_sha256": "0" * 64}, "unused with check: exit-status"),
        ({"argv": ["x"], "timeout_seconds": 0}, "timeout_seconds: received 0.0, must lie in"),
        ({"argv": ["x"], "shell": True}, "'shell' is no parameter of command"),
    ],
)
def test_what_makes_no_sense_is_refused_with_the_rule(given: dict[str, Any], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        WORKLOAD.complete(given)


@missing
def test_a_program_or_folder_that_is_not_there_is_refused_before_the_start(
    given: dict[str, Any], told: str
) -> None:
    with pytest.raises(ValueError, match=told):
        WORKLOAD.prepare(WORKLOAD.complete(given), seed=1)


@missing
def test_a_program_or_folder_that_is_not_there_is_not_available(
    given: dict[str, Any], told: str
) -> None:
    """Known before the run, so nothing fails under load: its criteria are not tested."""
    found = WORKLOAD.availability_with(WORKLOAD.complete(given))
    assert not found.available
    assert told in found.reason


def test_a_program_that_is_there_is_available() -> None:
    assert WORKLOAD.availability_with(python("")).available


def test_a_healthy_run_may_take_all_the_time_that_it_was_given() -> None:
    parameters = python("", timeout_seconds=7200.0)
    assert WORKLOAD.pass_limit_seconds(parameters) == 7200.0
    assert WORKLOAD.longest_pass_seconds(parameters, 1.0) > 7200.0


def test_it_needs_permission() -> None:
    assert WORKLOAD.needs_permission
