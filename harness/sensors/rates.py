"""Rates from totals that only grow: shared by the sources that read such totals."""

from __future__ import annotations

from dataclasses import dataclass

#: Totals of the whole machine are read this often: a share over less time tells little.
PERIOD_SECONDS = 0.5
#: A rate over a shorter time is ruled by the totals' own steps.
_SHORTEST_SECONDS = 0.01


@dataclass
class Rate:
    """Turns a growing total into its increase per second; pure."""

    _total: float | None = None
    _seconds: float = 0.0

    def feed(self, total: float, now_seconds: float) -> tuple[float | None, str]:
        """Take a total; the increase per second since the last one, or None and why."""
        before, elapsed = self._total, now_seconds - self._seconds
        if before is not None and elapsed < _SHORTEST_SECONDS:
            return None, "too soon after the last reading"
        self._total, self._seconds = total, now_seconds
        if before is None:
            return None, "a rate needs a second reading"
        if total < before:
            return None, "the total fell: it was reset"
        return (total - before) / elapsed, ""
