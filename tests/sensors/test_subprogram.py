"""A program that prints lines: its newest line, its end, and nothing of it left behind."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import psutil
import pytest

from harness.clock import NS_PER_SECOND, SYSTEM
from harness.sensors.subprogram import Subprogram


def _python(code: str) -> list[str]:
    return [sys.executable, "-u", "-c", code]


def _until(condition: Callable[[], bool], seconds: float = 20.0) -> None:
    deadline_ns = SYSTEM.monotonic_ns() + round(seconds * NS_PER_SECOND)
    while not condition():
        assert SYSTEM.monotonic_ns() < deadline_ns, "did not happen in time"
        SYSTEM.sleep(0.005)


def _is_alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_bytes().rsplit(b")", 1)[1].split()[0] != b"Z"
    except OSError:
        return False


def test_only_the_newest_line_is_given_and_only_once() -> None:
    program = Subprogram(_python("print('one'); print('two')"))
    _until(lambda: program.exit_code() is not None)
    assert program.exit_code() == 0
    assert program.newest_line() == "two\n"
    assert program.newest_line() == ""
    program.kill()


def test_a_failed_program_leaves_its_code_and_last_words() -> None:
    program = Subprogram(_python("import sys; sys.exit('no meter on this port')"))
    _until(lambda: program.exit_code() is not None)
    assert program.exit_code() == 1
    assert program.last_words() == "no meter on this port"
    program.kill()


def test_a_line_without_end_is_cut_and_costs_no_memory() -> None:
    code = "import sys\nfor _ in range(2000): sys.stdout.write('x' * 10000)\nprint(); print('end')"
    program = Subprogram(_python(code), longest_line=100)
    _until(lambda: program.exit_code() is not None)
    assert program.newest_line() == "end\n"
    program.kill()


def test_killing_takes_what_the_program_started_with_it() -> None:
    code = (
        "import subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
        "print(child.pid, flush=True)\ntime.sleep(600)"
    )
    program = Subprogram(_python(code))
    lines: list[str] = []
    _until(lambda: bool(lines.append(program.newest_line()) or lines[-1]))
    grandchild = int(lines[-1])
    assert _is_alive(grandchild)
    program.kill()
    _until(lambda: not _is_alive(grandchild))


def test_a_program_dies_with_the_thread_group_that_started_it() -> None:
    code = (
        "import os, sys\n"
        "from harness.sensors.subprogram import Subprogram\n"
        "program = Subprogram([sys.executable, '-u', '-c',"
        " 'import os, time; print(os.getpid()); time.sleep(600)'])\n"
        "while not (line := program.newest_line()): pass\n"
        "print(line, flush=True)\n"
        "os.kill(os.getpid(), 9)"
    )
    parent = Subprogram(_python(code))
    _until(lambda: parent.exit_code() is not None)
    child = int(parent.newest_line() or parent.last_words() or 0)
    assert child > 0
    _until(lambda: not _is_alive(child))
    parent.kill()


def test_a_program_that_is_not_there_and_an_empty_command_are_refused_at_once() -> None:
    with pytest.raises(OSError, match="no such program"):
        Subprogram(["/no/such/meter"])
    with pytest.raises(ValueError, match="at least a program"):
        Subprogram([])


def test_nothing_is_read_from_our_own_input_and_no_shell_is_asked() -> None:
    program = Subprogram(
        [*_python("import sys; print(repr(sys.stdin.read()), sys.argv[1])"), "$(echo hi); `id`"]
    )
    _until(lambda: program.exit_code() is not None)
    assert program.newest_line() == "'' $(echo hi); `id`\n"
    program.kill()


def test_what_a_program_started_dies_with_a_sampler_that_was_killed() -> None:
    """The sampler's stand-in is killed by SIGKILL; the program's own child must not live on."""
    program = (
        "import subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'])\n"
        "print(child.pid, flush=True)\ntime.sleep(600)"
    )
    sampler = (
        "import os, sys\n"
        "from harness.sensors.subprogram import Subprogram\n"
        f"program = Subprogram([sys.executable, '-u', '-c', {program!r}])\n"
        "while not (line := program.newest_line()): pass\n"
        "print(line, flush=True)\n"
        "os.kill(os.getpid(), 9)"
    )
    parent = subprocess.Popen(_python(sampler), stdout=subprocess.PIPE, text=True)
    printed, _ = parent.communicate(timeout=30)
    grandchild = int(printed)
    _until(lambda: not _is_alive(grandchild))
    assert not _is_alive(grandchild)


def test_a_program_gets_no_terminal_that_could_stop_it_for_ever() -> None:
    """The sampler's stand-in leads a session on a terminal of its own, as an operator's shell."""
    if not sys.platform.startswith("linux"):
        pytest.skip("a program is started without a terminal on Linux only")
    asking = "print('no terminal')\ntry: open('/dev/tty')\nexcept OSError: pass\nelse: print('one')"
    sampler = (
        "import os\n"
        "from harness.sensors.subprogram import Subprogram\n"
        "master, slave = os.openpty()\n"
        "os.open(os.ttyname(slave), os.O_RDWR)\n"  # the first that its leader opens is a session's
        "os.close(os.open('/dev/tty', os.O_RDWR))\n"
        f"program = Subprogram({_python(asking)!r})\n"
        "while program.exit_code() is None: pass\n"
        "print(program.newest_line(), program.last_words(), flush=True)\n"
        "program.kill()\n"
        "os.close(os.open('/dev/tty', os.O_RDWR))\n"
        "print('still ours')"
    )
    parent = subprocess.Popen(
        _python(sampler), stdout=subprocess.PIPE, text=True, start_new_session=True
    )
    printed, _ = parent.communicate(timeout=30)
    assert [line.strip() for line in printed.splitlines() if line.strip()] == [
        "no terminal",
        "still ours",
    ]


def test_after_killing_no_watcher_is_left_and_killing_again_is_harmless() -> None:
    before = {it.pid for it in psutil.Process().children()}
    program = Subprogram(_python("import time; time.sleep(600)"))
    program.kill()
    program.kill()
    with pytest.raises(OSError, match="no such program"):
        Subprogram(["/no/such/meter"])
    assert {it.pid for it in psutil.Process().children()} - before == set()
