"""The leader of a process group that dies with whoever started it, however that goes.

It does nothing but wait for the end of its standard input, whose other end its starter holds and
nobody else. When the starter goes (SIGKILL included) it reads end-of-file and kills its group.
"""

from __future__ import annotations

import subprocess
import sys

_CODE = "import os, signal, sys\nsys.stdin.buffer.read()\nos.killpg(os.getpgrp(), signal.SIGKILL)\n"


def start_watcher() -> subprocess.Popen[bytes]:
    """A new group's leader; its pid is the group's number. POSIX only. Raises OSError."""
    return subprocess.Popen(
        [sys.executable, "-I", "-S", "-c", _CODE],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        process_group=0,
    )
