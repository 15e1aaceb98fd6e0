"""Which boot this is: the id that changes with every restart."""

from __future__ import annotations

from pathlib import Path


def boot_id(root: Path = Path("/")) -> str:
    """The kernel's random boot id (Linux); elsewhere the boot time, to ten seconds.

    The boot time is computed from a wall clock that may be set, hence the coarse step.
    """
    return kernel_boot_id(root) or f"boot-time-{_boot_time_seconds()}"


def kernel_boot_id(root: Path = Path("/")) -> str:
    """The kernel's random boot id, which never changes within a boot; "" where it tells none."""
    try:
        return (root / "proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""


def _boot_time_seconds() -> int:
    import psutil

    return round(psutil.boot_time() / 10) * 10
