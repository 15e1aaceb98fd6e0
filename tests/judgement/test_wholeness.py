"""Whether a record holds what a profile asks for, in the record's own form."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest
from evidence_samples import load_info, run_data

from harness.judgement.wholeness import lacking_loads
from harness.outcome import ExitCode, Verdict
from harness.profile.loader import parse_profile
from harness.profile.model import Profile
from tests.whole_runs import run

COMMAND = """
name: own
loads:
  - workload: command
    name: my check
    soak_seconds: 1
    parameters: {argv: [PROGRAM, "-c", "pass"]}
accept:
  - criterion: no-failures
"""


def profile(program: str = "python3") -> Profile:
    return parse_profile(COMMAND.replace("PROGRAM", program))


@pytest.mark.parametrize(
    ("recorded", "lacking"),
    [
        (["python3", "-c", "pass"], ()),
        (("python3", "-c", "pass"), ()),
        (["python3", "-c", "exit()"], ("my check ran with another argv",)),
    ],
)
def test_words_are_compared_in_the_records_own_form(
    recorded: object, lacking: tuple[str, ...]
) -> None:
    # JSON has no tuples (RFC 8259): what was one in the profile is a list in the record.
    info = load_info("my check", 0, workload="command", trials=0, parameters={"argv": recorded})
    assert lacking_loads(run_data(loads=(info,)), profile()) == lacking


def test_a_load_that_was_not_available_has_not_run_with_anything() -> None:
    other = {"argv": ["other"]}
    info = load_info("my check", 0, workload="command", trials=0, parameters=other)
    gone = replace(info, available=False, reason="needs --allow-commands")
    assert lacking_loads(run_data(loads=(gone,)), profile()) == ()


def test_a_profile_of_the_users_own_command_passes(tmp_path: Path) -> None:
    text = COMMAND.replace("PROGRAM", sys.executable)
    result = run(text, tmp_path, sysfs_root=tmp_path, allow_commands=True).result
    assert (result.verdict, result.exit_code) == (Verdict.PASS, ExitCode.PASS), result.why
    assert not result.partial


def test_a_number_of_lanes_that_the_run_decided_is_not_another_one() -> None:
    text = """
name: own
loads:
  - {workload: memory-march, soak_seconds: 1, parameters: {lanes_sharing: SHARED}}
accept:
  - criterion: no-failures
"""
    info = load_info("memory-march", trials=0, parameters={"lanes_sharing": 2})
    data = run_data(loads=(info,))
    assert lacking_loads(data, parse_profile(text.replace("SHARED", "0"))) == ()
    assert lacking_loads(data, parse_profile(text.replace("SHARED", "3"))) != ()
