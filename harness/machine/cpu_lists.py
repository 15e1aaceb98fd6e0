"""Lists of CPUs as the kernel writes them: ``0-3,8,10-11``."""

from __future__ import annotations

from collections.abc import Iterable

#: Larger numbers than any kernel is built for are damage, not CPUs (NR_CPUS is 8192 at most).
MOST_CPUS = 8192


def parse_cpu_list(text: str) -> tuple[int, ...]:
    """The CPUs in a list, ascending. Raises ValueError when the text is no such list."""
    cpus: set[int] = set()
    for part in filter(None, (piece.strip() for piece in text.split(","))):
        first, _, last = part.partition("-")
        low, high = int(first), int(last or first)
        if not 0 <= low <= high < MOST_CPUS:
            raise ValueError(f"'{part}' is not a range of CPUs")
        cpus.update(range(low, high + 1))
    return tuple(sorted(cpus))


def format_cpu_list(cpus: Iterable[int]) -> str:
    """CPUs as a list with ranges: (0, 1, 2, 8) gives ``0-2,8``."""
    runs: list[list[int]] = []
    for cpu in sorted(set(cpus)):
        if runs and cpu == runs[-1][-1] + 1:
            runs[-1].append(cpu)
        else:
            runs.append([cpu])
    return ",".join(str(run[0]) if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs)
