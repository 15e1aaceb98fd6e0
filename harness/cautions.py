"""The usual cautions, in one place: README, first run and report say the same."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "Sustained load heats the machine: watch it, keep its air paths free, and stop when in doubt.",
    "Temperatures, voltages and clocks have limits that the maker sets; they come before any "
    "limit written in a profile. Where you do not know a limit, ask or stop.",
    "An unstable machine can corrupt data: save your work and back it up before you begin.",
    "This tool changes no setting. It never writes a clock, a voltage or a firmware option; what "
    "you changed yourself remains your responsibility and that of qualified practice.",
)

#: What no machine of ours could show; said wherever somebody reads sensors.
UNPROVEN = (
    "unproven on bare metal: drivers that hang inside the kernel, the skew between sibling "
    "threads, real throttling, and the truth of the measured clock"
)
