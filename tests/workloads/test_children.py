"""Programs of a lane: what comes back of them, and that none outlives its lane."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from workloads import children
from workloads.children import Children, Ended

LONG_SECONDS = 60.0


@pytest.fixture
def group() -> Iterator[Children]:
    with Children() as started:
        yield started


def python(group: Children, code: str, timeout_seconds: float = LONG_SECONDS, **more) -> Ended:
    return group.run([sys.executable, "-c", code], timeout_seconds=timeout_seconds, **more)


def test_output_status_and_standard_error_come_back(group: Children) -> None:
    code = "import sys; print('out'); print('trouble', file=sys.stderr); sys.exit(7)"
    ended = python(group, code)
    assert ended == Ended(7, b"out\n", 4, "trouble")
    assert ended.describe() == "exit status 7"


def test_what_is_given_arrives_on_standard_input(group: Children) -> None:
    given = bytes(range(256)) * 4096  # more than a pipe holds
    code = "import sys; sys.stdout.buffer.write(sys.stdin.buffer.read()[::-1])"
    assert python(group, code, given=given).output == given[::-1]


def test_a_program_that_does_not_read_its_input_is_no_error(group: Children) -> None:
    assert python(group, "pass", given=bytes(1 << 20)).status == 0


def test_a_signal_is_named(group: Children) -> None:
    ended = python(group, "import os, signal; os.kill(os.getpid(), signal.SIGKILL)")
    assert ended.status == -signal.SIGKILL
    assert ended.describe() == "killed by SIGKILL"
    assert Ended(-1000, b"", 0, "").describe() == "killed by signal 1000"


def test_a_program_that_takes_too_long_is_killed_and_the_next_one_runs(group: Children) -> None:
    endless = "import sys, signal; print('begun'); sys.stdout.flush(); signal.pause()"
    ended = python(group, endless, timeout_seconds=1.0)
    assert ended.status is None
    assert ended.describe() == "ran out of time and was killed"
    assert python(group, "print('next')").output == b"next\n"


def test_a_program_that_cannot_be_started_says_why(group: Children) -> None:
    ended = group.run(["/no/such/program"], timeout_seconds=LONG_SECONDS)
    assert ended.status is None
    assert ended.describe().startswith("could not be started (")
    assert "/no/such/program" in ended.describe()


def test_output_over_the_limit_is_counted_not_kept(
    group: Children, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(children, "OUTPUT_LIMIT_BYTES", 1000)
    ended = python(group, "print('x' * 100_000)")
    assert (ended.output, ended.output_bytes) == (b"x" * 1000, 100_001)


def test_only_the_end_of_standard_error_is_kept(group: Children) -> None:
    ended = python(group, "import sys; sys.stderr.write('a' * 99_999 + 'end')")
    assert ended.error_tail.endswith("aend")
    assert len(ended.error_tail) == 4096


def test_folder_and_environment_are_the_given_ones(group: Children, tmp_path: Path) -> None:
    code = "import os; print(os.getcwd(), os.environ.get('COLOUR'))"
    ended = python(group, code, folder=tmp_path, environment={**os.environ, "COLOUR": "green"})
    assert ended.output.decode().split() == [str(tmp_path.resolve()), "green"]


def test_arguments_are_not_read_by_a_shell(group: Children) -> None:
    code = "import sys; print(sys.argv[1])"
    argv = [sys.executable, "-c", code, "$HOME; echo `date` *"]
    assert group.run(argv, timeout_seconds=LONG_SECONDS).output == b"$HOME; echo `date` *\n"


def test_closing_twice_and_running_again_after_it_both_work(group: Children) -> None:
    assert python(group, "print(1)").output == b"1\n"
    group.close()
    group.close()
    assert python(group, "print(2)").output == b"2\n"


def test_a_watcher_that_was_killed_is_replaced(group: Children) -> None:
    assert python(group, "pass").status == 0
    if group._watcher is not None:
        group._watcher.kill()
        group._watcher.wait()
    assert python(group, "print(3)").output == b"3\n"


class Lifeline:
    """A named pipe that a program opens for writing: it ends when the last such program ends."""

    def __init__(self, path: Path) -> None:
        os.mkfifo(path)
        self.path = path
        self.descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        #: Opens the pipe, says so, and waits for ever.
        self.program = (
            f"import signal\nline = open({str(path)!r}, 'w')\nline.write('up')\nline.flush()\n"
            "signal.pause()"
        )

    def read(self) -> bytes:
        """What comes next; nothing at the end."""
        readable, _, _ = select.select([self.descriptor], [], [], LONG_SECONDS)
        assert readable, "nothing came: no program opened the pipe, or one still holds it"
        return os.read(self.descriptor, 16)


@pytest.fixture
def lifeline(tmp_path: Path) -> Iterator[Lifeline]:
    if not hasattr(os, "mkfifo"):
        pytest.skip("needs named pipes and process groups, which this system lacks")
    line = Lifeline(tmp_path / "lifeline")
    yield line
    os.close(line.descriptor)


# A lane that starts a program that starts the one with the lifeline.
LANE = """
import subprocess, sys
from workloads.children import Children
outer = "import subprocess, sys; subprocess.run([sys.executable, '-c', sys.argv[1]])"
Children().run([sys.executable, "-c", outer, sys.argv[1]], timeout_seconds=600)
"""


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_programs_and_their_programs_die_with_the_lane(
    lifeline: Lifeline, how: signal.Signals
) -> None:
    folder = Path(children.__file__).parents[1]
    with subprocess.Popen([sys.executable, "-c", LANE, lifeline.program], cwd=folder) as lane:
        try:
            assert lifeline.read() == b"up"
            lane.send_signal(how)
            lane.wait(timeout=LONG_SECONDS)
            assert lifeline.read() == b""
        finally:
            lane.kill()


def test_closing_kills_what_a_program_left_running(group: Children, lifeline: Lifeline) -> None:
    leave = "import subprocess, sys\nnone = subprocess.DEVNULL\n"
    leave += "argv = [sys.executable, '-c', sys.argv[1]]\n"
    leave += "subprocess.Popen(argv, stdin=none, stdout=none, stderr=none)"
    argv = [sys.executable, "-c", leave, lifeline.program]
    assert group.run(argv, timeout_seconds=LONG_SECONDS).status == 0
    assert lifeline.read() == b"up"
    group.close()
    assert lifeline.read() == b""
