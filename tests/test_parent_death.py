"""Processes of a run end with it. Oracle: what becomes of real processes whose parent is gone."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from harness.parent_death import STARTED_BY_VARIABLE

HERE = Path(__file__).resolve().parents[1]
#: What multiprocessing's own command line looks like, as far as the template looks at it.
AS_TEMPLATE = "# from multiprocessing.forkserver import main"
SETTLE = "from harness.parent_death import settle_template as settle; settle(); print('on')"


def python(code: str, started_by: int | None) -> subprocess.CompletedProcess[str]:
    environment = {key: it for key, it in os.environ.items() if key != STARTED_BY_VARIABLE}
    if started_by is not None:
        environment[STARTED_BY_VARIABLE] = str(started_by)
    return subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=False,
        cwd=HERE,
        env=environment,
    )


def test_a_template_whose_run_is_there_goes_on() -> None:
    done = python(SETTLE + AS_TEMPLATE, os.getpid())
    assert (done.returncode, done.stdout) == (0, "on\n")


def test_a_template_whose_run_died_before_it_could_ask_ends_at_once() -> None:
    done = python(SETTLE + AS_TEMPLATE, os.getpid() + 1)
    assert (done.returncode, done.stdout) == (3, "")


@pytest.mark.parametrize("started_by", [None, 1])
def test_another_process_that_imports_the_template_is_left_alone(started_by: int | None) -> None:
    done = python(SETTLE if started_by else SETTLE + AS_TEMPLATE, started_by)
    assert (done.returncode, done.stdout) == (0, "on\n")


CHILD = """
import os, signal
from harness.parent_death import ask_for_death_signal
asked = ask_for_death_signal()
print(os.getpid(), asked, flush=True)
os.kill(os.getpid(), signal.SIGSTOP)
"""
PARENT = f"""
import subprocess, sys
child = subprocess.Popen([sys.executable, "-c", {CHILD!r}], stdout=subprocess.PIPE, text=True)
print(child.stdout.readline(), end="", flush=True)
sys.stdin.read()
"""


def test_a_stopped_process_dies_with_its_parent() -> None:
    if not sys.platform.startswith("linux"):
        pytest.skip("only Linux sends a signal on the parent's death")
    with subprocess.Popen(
        [sys.executable, "-c", PARENT],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=HERE,
    ) as parent:
        assert parent.stdout is not None
        pid, asked = parent.stdout.readline().split()
        assert asked == "True"
        watched = os.pidfd_open(int(pid))
        parent.kill()
    try:
        import select

        ready, _, _ = select.select([watched], [], [], 30.0)  # readable once it has ended
        assert ready
    finally:
        os.close(watched)


SIGNALLED = """
import os, signal
from harness.parent_death import leave_signals_to_parent
leave_signals_to_parent()
for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
    os.kill(os.getpid(), number)
import subprocess, sys
code = "import signal; print(signal.getsignal(signal.SIGTERM) == signal.SIG_DFL)"
print(subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout)
"""


def test_the_operators_signals_are_left_to_the_parent_but_not_by_started_programs() -> None:
    if not hasattr(signal, "SIGHUP"):
        pytest.skip("this system has no SIGHUP")
    done = python(SIGNALLED, None)
    assert (done.returncode, done.stdout.strip()) == (0, "True")
