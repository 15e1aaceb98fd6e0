"""A program that prints lines, read without ever waiting, and ended with everything it started.

The program and whatever it starts belong to one process group, whose leader kills it when the
sampler goes (:mod:`workloads.watcher`). Its parent-death signal ends the program itself even where
the watcher has been killed. Where there are no process groups (Windows) `kill` ends the program
only.
"""

from __future__ import annotations

import contextlib
import io
import os
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Sequence
from typing import IO

from workloads.watcher import start_watcher

_KEPT_ERROR_LINES = 5
_KILL_SECONDS = 1.0

#: Becomes the program after asking to be killed with its parent (prctl(2), PR_SET_PDEATHSIG),
#: giving back the sampler's priority, and giving up the operator's terminal: one of a background
#: process group that reads from it is stopped for ever (tty_ioctl(4), TIOCNOTTY). A process of its
#: own does this, since code between fork and exec of a threaded process may hang.
_TETHER = (
    "import ctypes,fcntl,os,sys,termios\n"
    "ctypes.CDLL(None).prctl(1,9,0,0,0)\n"
    "os.getppid()==int(sys.argv[1]) or sys.exit(1)\n"
    "try: fcntl.ioctl(os.open('/dev/tty',os.O_RDWR|os.O_CLOEXEC),termios.TIOCNOTTY)\n"
    "except OSError: pass\n"
    "os.setpriority(os.PRIO_PROCESS,0,max(os.getpriority(os.PRIO_PROCESS,0),0))\n"
    "os.execvp(sys.argv[2],sys.argv[2:])\n"
)


class Subprogram:
    """A child with its output taken by threads. Raises OSError when it cannot be found."""

    def __init__(self, argv: Sequence[str], *, longest_line: int = 4096) -> None:
        if not argv:
            raise ValueError("a command needs at least a program's name")
        self._longest_line = longest_line
        self._lines: deque[bytes] = deque(maxlen=1)
        self._errors: deque[bytes] = deque(maxlen=_KEPT_ERROR_LINES)
        command = _tethered(argv)
        self._watcher = start_watcher() if os.name == "posix" else None
        try:
            self._child = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                process_group=None if self._watcher is None else self._watcher.pid,
            )
        except OSError:
            self._end_watcher()
            raise
        self._readers = [
            self._start_reader(self._child.stdout, self._lines),
            self._start_reader(self._child.stderr, self._errors),
        ]

    def newest_line(self) -> str:
        """The newest complete line not yet taken (blank ones do not count), or nothing."""
        try:
            return self._lines.pop().decode("utf-8", "replace")
        except IndexError:
            return ""

    def exit_code(self) -> int | None:
        """Its exit code once it has ended and its output has been taken; negative: a signal."""
        code = self._child.poll()
        if code is not None:
            for reader in self._readers:
                reader.join(_KILL_SECONDS)
        return code

    def last_words(self) -> str:
        """The last lines it wrote to its error output."""
        return b" ".join(line.strip() for line in self._errors).decode("utf-8", "replace")

    def kill(self) -> None:
        """Kill it with its whole process group, and reap it."""
        self._end_watcher()
        with contextlib.suppress(ProcessLookupError, PermissionError):
            self._child.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._child.wait(_KILL_SECONDS)
        for reader in self._readers:
            reader.join(_KILL_SECONDS)

    def _end_watcher(self) -> None:
        """Kill the group. Its leader is reaped only then, so that its number is nobody else's."""
        watcher, self._watcher = self._watcher, None
        if watcher is None:
            return
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(watcher.pid, signal.SIGKILL)
        watcher.communicate()

    def _start_reader(self, stream: IO[bytes] | None, kept: deque[bytes]) -> threading.Thread:
        reader = threading.Thread(target=self._take_lines, args=(stream, kept), daemon=True)
        reader.start()
        return reader

    def _take_lines(self, stream: IO[bytes] | None, kept: deque[bytes]) -> None:
        """Keep the last lines; a line longer than allowed is cut, whatever it grows to."""
        rest = False
        with stream or io.BytesIO() as lines:
            while line := lines.readline(self._longest_line):
                if not rest and line.strip():
                    kept.append(line)
                rest = not line.endswith(b"\n")


def _tethered(argv: Sequence[str]) -> list[str]:
    if not sys.platform.startswith("linux"):
        return list(argv)
    _find(argv[0])
    return [sys.executable, "-I", "-S", "-c", _TETHER, str(os.getpid()), *argv]


def _find(program: str) -> None:
    """Say at once that a program does not exist: the tether could only say so in its last words."""
    import shutil

    if shutil.which(program) is None:
        raise FileNotFoundError(f"{program}: no such program, or not executable")
