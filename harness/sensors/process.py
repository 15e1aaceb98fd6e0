"""What the sampler's process asks of the system before it begins."""

from __future__ import annotations

import contextlib
import os

from harness.parent_death import ask_for_death_signal, leave_signals_to_parent

#: Nice value asked for; without the privilege the process keeps the one it has.
_PRIORITY = -10
#: Each channel keeps a descriptor open.
_WANTED_DESCRIPTORS = 16_384


def settle_process() -> None:
    """Die with the parent, leave signals to it, and allow a descriptor for every channel."""
    ask_for_death_signal()
    leave_signals_to_parent()
    _ask_for_priority()
    try:
        import resource
    except ImportError:
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = (
        _WANTED_DESCRIPTORS if hard == resource.RLIM_INFINITY else min(hard, _WANTED_DESCRIPTORS)
    )
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


def _ask_for_priority() -> None:
    """A sampler that waits for a core is a guard that is late; where it may, it goes first."""
    if hasattr(os, "setpriority"):
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, 0, _PRIORITY)
