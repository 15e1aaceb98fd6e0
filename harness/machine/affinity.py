"""Which CPUs this process may use, and how a thread is bound to one."""

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


def pin_current_thread(cpu: int) -> str:
    """Bind the calling thread to `cpu`; why that failed, or "" when it did not."""
    if not hasattr(os, "sched_setaffinity"):
        return "this system does not bind threads to CPUs"
    try:
        os.sched_setaffinity(0, {cpu})
    except (OSError, ValueError) as error:
        return f"cannot bind to CPU {cpu}: {error}"
    return ""
