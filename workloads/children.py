"""Programs that a lane starts, and that must not outlive it.

All of a lane's programs, and whatever they start, belong to one process group, whose leader kills
it when the lane goes (:mod:`workloads.watcher`). A parent-death signal would reach the first
program only, not the compiler proper that a compiler driver starts.

Where there are no process groups (Windows) only the program started last is killed on `close`.
"""

from __future__ import annotations

import os
import signal
import subprocess
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from workloads.watcher import start_watcher

_CHUNK_BYTES = 1 << 16
_ERROR_TAIL_BYTES = 4096
OUTPUT_LIMIT_BYTES = 16 << 20


@dataclass(frozen=True)
class Ended:
    """How one program ended.

    `status` is negative for a signal, None when the program ran out of time or (then
    `not_started` says why) never ran.
    """

    status: int | None
    output: bytes
    output_bytes: int
    error_tail: str
    not_started: str = ""

    def describe(self) -> str:
        """In words: the exit status, the signal's name, or why there is none."""
        if self.not_started:
            return f"could not be started ({self.not_started})"
        if self.status is None:
            return "ran out of time and was killed"
        if self.status >= 0:
            return f"exit status {self.status}"
        try:
            return f"killed by {signal.Signals(-self.status).name}"
        except ValueError:
            return f"killed by signal {-self.status}"


class Children:
    """Runs one program at a time. `close` kills everything still alive; use it as a context."""

    def __init__(self) -> None:
        self._watcher: subprocess.Popen[bytes] | None = None
        self._current: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Children:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def run(
        self,
        argv: Sequence[str],
        *,
        timeout_seconds: float,
        given: bytes = b"",
        folder: Path | None = None,
        environment: Mapping[str, str] | None = None,
    ) -> Ended:
        """Run `argv` (never through a shell) to its end, `given` on its standard input.

        At most `OUTPUT_LIMIT_BYTES` of its output are kept, the rest is counted.
        """
        try:
            process = subprocess.Popen(
                list(argv),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                cwd=folder,
                env=None if environment is None else dict(environment),
                process_group=self._group(),
            )
        except OSError as error:
            return Ended(None, b"", 0, "", str(error))
        self._current = process
        with _Deadline(timeout_seconds, self._kill) as deadline, process:
            ended = _drain(process, given)
        self._current = None
        return ended if not deadline.passed else _late(ended)

    def close(self) -> None:
        """Kill every program of this lane and the watcher. May be called again."""
        self._kill()
        if self._watcher is not None:
            self._watcher.communicate()
            self._watcher = None

    def _group(self) -> int | None:
        """The group to start in, with a living watcher; None where there are no groups."""
        if os.name != "posix":
            return None
        if self._watcher is None or self._watcher.poll() is not None:
            self.close()
            self._watcher = start_watcher()
        return self._watcher.pid

    def _kill(self) -> None:
        watcher, current = self._watcher, self._current
        if watcher is not None and watcher.returncode is None:
            os.killpg(watcher.pid, signal.SIGKILL)
        elif current is not None and current.poll() is None:
            current.kill()


class _Deadline:
    """Calls `late` once if the block lasts longer than `seconds`; `passed` tells whether."""

    def __init__(self, seconds: float, late: Callable[[], None]) -> None:
        self.passed = False
        self._late = late
        self._timer = threading.Timer(seconds, self._fire)
        self._timer.daemon = True

    def __enter__(self) -> _Deadline:
        self._timer.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()

    def _fire(self) -> None:
        self.passed = True
        self._late()


def _late(ended: Ended) -> Ended:
    return Ended(None, ended.output, ended.output_bytes, ended.error_tail)


def _drain(process: subprocess.Popen[bytes], given: bytes) -> Ended:
    """Feed and read the program's pipes until all are closed, then take its status.

    Blocking reads in threads rather than `communicate(timeout)` or `wait(timeout)`, which poll up
    to 50 ms apart and would blur the time of a pass.
    """
    tail = bytearray()
    helpers = [
        threading.Thread(target=_feed, args=(process, given), daemon=True),
        threading.Thread(target=_keep_tail, args=(process, tail), daemon=True),
    ]
    for helper in helpers:
        helper.start()
    output, count = _keep_head(process)
    for helper in helpers:
        helper.join()
    return Ended(process.wait(), output, count, tail.decode(errors="replace").strip())


def _feed(process: subprocess.Popen[bytes], given: bytes) -> None:
    assert process.stdin is not None  # noqa: S101 - opened as a pipe above
    try:
        with process.stdin as pipe:
            pipe.write(given)
    except BrokenPipeError:
        return  # the program ended, or closed its input, without reading all of it


def _keep_tail(process: subprocess.Popen[bytes], tail: bytearray) -> None:
    assert process.stderr is not None  # noqa: S101 - opened as a pipe above
    while chunk := process.stderr.read1(_CHUNK_BYTES):  # type: ignore[attr-defined]
        tail += chunk
        del tail[:-_ERROR_TAIL_BYTES]


def _keep_head(process: subprocess.Popen[bytes]) -> tuple[bytes, int]:
    assert process.stdout is not None  # noqa: S101 - opened as a pipe above
    head, count = bytearray(), 0
    while chunk := process.stdout.read1(_CHUNK_BYTES):  # type: ignore[attr-defined]
        head += chunk[: OUTPUT_LIMIT_BYTES - len(head)]
        count += len(chunk)
    return bytes(head), count
