"""Do the lanes start a load step together? Run by `make bench`.

Two lanes follow the same square wave by absolute deadlines; the skew of a step is the spread of
their first moments of work. Needs two CPUs.
"""

from __future__ import annotations

import statistics
import tempfile
from multiprocessing.connection import wait
from pathlib import Path
from typing import TypeVar

from harness.board import Board, Slot
from harness.clock import NS_PER_SECOND, SYSTEM
from harness.lanes import messages as m
from harness.lanes.gate import SquareWave
from harness.lanes.team import LaneTeam, context
from harness.machine.affinity import allowed_cpus
from harness.plan import INPUT_SEED
from workloads.registry import load

NAME = "fma-fp64"
SECONDS = 5.0
AIM_SECONDS = 50e-6
A = TypeVar("A")


def hear(team: LaneTeam, board: Board, kind: type[A], count: int) -> list[A]:
    """Wait for `count` answers of one kind."""
    found: list[A] = []
    while len(found) < count:
        board.put(Slot.PARENT_NS, SYSTEM.monotonic_ns())
        wait(team.waitables(), timeout=0.5)  # type: ignore[arg-type]
        found += [answer for answer in team.hear() if isinstance(answer, kind)]
    return found


def skews(team: LaneTeam, board: Board, stretch: int, frequency_hz: float) -> list[float]:
    """Spread of the two lanes' starts, step by step, in seconds."""
    gate = SquareWave.of(frequency_hz, 50.0)
    order = m.Run(stretch, 0, None, seconds=SECONDS, gate=gate, stop_on_failure=False)
    for lane in (0, 1):
        team.send(lane, order)
    hear(team, board, m.Ready, 2)
    start = SYSTEM.monotonic_ns() + 50_000_000
    for lane in (0, 1):
        team.send(lane, m.Go(stretch, start))
    dones = hear(team, board, m.Done, 2)
    one, other = (dict(done.step_starts) for done in dones)
    return [abs(one[step] - other[step]) / NS_PER_SECOND for step in one if step in other]


def main() -> None:
    """Measure at several frequencies and print one line each."""
    cpus = allowed_cpus()
    if len(cpus) < 2:
        print("load-step skew: not measured, this process may use one CPU")
        return
    parameters = short_passes()
    with tempfile.TemporaryDirectory() as folder:
        board = Board.create(Path(folder) / "board", 2)
        board.put(Slot.PARENT_NS, SYSTEM.monotonic_ns())
        with LaneTeam(context([NAME]), board, Path(folder)) as team:
            for lane in (0, 1):
                team.start(lane, cpus[lane])
            hear(team, board, m.LaneUp, 2)
            for lane in (0, 1):
                team.send(lane, m.Prepare(0, NAME, parameters, INPUT_SEED))
            hear(team, board, m.Prepared, 2)
            for stretch, frequency in enumerate((1.0, 10.0, 50.0)):
                report(frequency, skews(team, board, stretch, frequency))


def short_passes() -> dict[str, object]:
    """Parameters with a pass well below a millisecond: a step at 50 Hz must hold many."""
    workload = load(NAME)
    return dict(workload.complete({"steps": 4096}))


def report(frequency_hz: float, found: list[float]) -> None:
    """One line."""
    micro = [1e6 * value for value in found]
    median, largest = statistics.median(micro), max(micro)
    print(
        f"load steps at {frequency_hz:g} Hz: skew median {median:.1f} µs, largest {largest:.1f} "
        f"µs over {len(micro)} steps; aim median {1e6 * AIM_SECONDS:.0f} µs"
    )


if __name__ == "__main__":
    main()
