"""Processes of a run end with it, and leave the operator's signals to their parent."""

from __future__ import annotations

import os
import signal
import sys
from types import FrameType

_PR_SET_PDEATHSIG = 1
#: Who started the template process; it dies with that process and no other.
STARTED_BY_VARIABLE = "RIGPROOF_STARTED_BY"
#: A terminal and a service manager send these to every process of a run at once.
_OPERATORS = ("SIGINT", "SIGTERM", "SIGHUP")


def ask_for_death_signal(wanted: int = signal.SIGTERM if sys.platform == "win32" else 9) -> bool:
    """Arrange for signal `wanted` (SIGKILL) on the parent's death; False where unknown.

    prctl(2), PR_SET_PDEATHSIG: it reaches a stopped process too, and one stuck in native code.
    """
    if not sys.platform.startswith("linux"):
        return False
    import ctypes

    try:
        return ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, wanted, 0, 0, 0) == 0  # type: ignore[no-any-return]
    except (OSError, AttributeError):
        return False


def leave_signals_to_parent() -> None:
    """Take no notice of Ctrl-C, a closed terminal, a stopped service: the parent decides.

    Otherwise the lanes would die of the operator's wish to stop, and a death under load is a
    failure. A handler that does nothing is not inherited by the programs that a lane starts.
    """
    for name in _OPERATORS:
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), _nothing)


def _nothing(number: int, frame: FrameType | None) -> None:
    """The operator's signal, left to the parent."""


def settle_template() -> None:
    """What the template process does first: live and die with the run that started it.

    Does nothing in any other process that imports the template.
    """
    started_by = os.environ.get(STARTED_BY_VARIABLE)
    if started_by is None or not any("multiprocessing.forkserver" in it for it in sys.orig_argv):
        return
    ask_for_death_signal()
    leave_signals_to_parent()
    if started_by != str(os.getppid()):
        os._exit(3)  # the run died before we could ask
