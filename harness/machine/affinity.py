"""Which CPUs this process may use."""

from __future__ import annotations

import os


def allowed_cpus() -> tuple[int | None, ...]:
    """The CPUs of the process's affinity mask, ascending.

    Where a system has no such mask (macOS) there is one None for each logical CPU: a lane may
    run there, but cannot be pinned.
    """
    if hasattr(os, "sched_getaffinity"):
        return tuple(sorted(os.sched_getaffinity(0)))
    import psutil

    process = psutil.Process()
    if hasattr(process, "cpu_affinity"):
        return tuple(sorted(process.cpu_affinity()))
    return (None,) * (os.cpu_count() or 1)
