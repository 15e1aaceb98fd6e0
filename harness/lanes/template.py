"""Imported once by the forkserver: every lane forks from it with its kernels already loaded.

The workloads to warm are named in RIGPROOF_WARM (comma-separated), which the parent sets before
it starts the forkserver. A workload that cannot be warmed is left to fail in the lane, where the
failure is reported with its place.
"""

from __future__ import annotations

import os

from harness.parent_death import settle_template

settle_template()  # before the slow imports: the operator may already press a key

from harness.lanes import diagnosis, stretch, worker  # noqa: E402
from harness.lanes.team import WARM_VARIABLE  # noqa: E402

__all__ = ["diagnosis", "stretch", "worker"]

#: What went wrong while warming, by workload; a lane meets the same error again and reports it.
TROUBLE: dict[str, str] = {}


def _warm(names: list[str]) -> None:
    from workloads import registry

    for name in names:
        try:
            registry.load(name).warm()
        except Exception as error:  # noqa: BLE001 - the lane reports it with its place
            TROUBLE[name] = f"{type(error).__name__}: {error}"


def _warm_clock() -> None:
    try:
        from harness.sensors.clock_probe import measure_clock_hz

        measure_clock_hz()
    except Exception as error:  # noqa: BLE001 - a lane without clock says so in its trials
        TROUBLE["measured clock"] = f"{type(error).__name__}: {error}"


if os.environ.get(WARM_VARIABLE):
    _warm([name for name in os.environ[WARM_VARIABLE].split(",") if name])
    _warm_clock()
