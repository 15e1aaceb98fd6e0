"""Ask Linux to kill this process when its parent dies (prctl(2), PR_SET_PDEATHSIG)."""

from __future__ import annotations

import signal
import sys

_PR_SET_PDEATHSIG = 1


def ask_for_death_signal(wanted: int = signal.SIGTERM if sys.platform == "win32" else 9) -> bool:
    """Arrange for signal `wanted` (SIGKILL) on the parent's death; False where unknown."""
    if not sys.platform.startswith("linux"):
        return False
    import ctypes

    try:
        return ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, wanted, 0, 0, 0) == 0  # type: ignore[no-any-return]
    except (OSError, AttributeError):
        return False
