"""The workloads' one clock, for those whose result is a time rather than an amount of work."""

from __future__ import annotations

import time

#: Nanoseconds on the clock that measures; the difference of two readings is a duration.
perf_ns = time.perf_counter_ns
