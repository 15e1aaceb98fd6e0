"""How long a person waits: `rigproof --help`, the first lane, further lanes. Run by `make bench`.

Ratios are taken side by side in one run: each sample of the command is followed by a sample of
the bare interpreter, so that a busy machine slows both.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
from multiprocessing.connection import wait
from pathlib import Path

from harness.board import Board, Slot
from harness.clock import NS_PER_SECOND, SYSTEM
from harness.lanes.messages import LaneUp
from harness.lanes.team import LaneTeam, context
from harness.machine.affinity import allowed_cpus

SAMPLES = 15
HELP_LIMIT_SECONDS = 0.3
LANE_LIMIT_SECONDS = 0.05
FIRST_LANE_LIMIT_SECONDS = 2.0
WARM = ("matmul-fp64", "zstandard", "compile-llvm")


def seconds_of(words: list[str]) -> float:
    """Wall time of one command."""
    before = SYSTEM.monotonic_ns()
    subprocess.run([sys.executable, *words], check=True, capture_output=True)
    return (SYSTEM.monotonic_ns() - before) / NS_PER_SECOND


def help_times() -> tuple[list[float], list[float]]:
    """Samples of `rigproof --help` and of the bare interpreter, taken in turn."""
    code = "import sys; sys.argv = ['rigproof', '--help']; "
    command = ["-c", code + "from harness.cli.main import entry; entry()"]
    pairs = [(seconds_of(command), seconds_of(["-c", "pass"])) for _ in range(SAMPLES)]
    return [pair[0] for pair in pairs], [pair[1] for pair in pairs]


def lane_times() -> tuple[float, list[float]]:
    """Seconds to the first lane (template included), and of further lanes each."""
    with tempfile.TemporaryDirectory() as folder:
        board = Board.create(Path(folder) / "board", SAMPLES + 1)
        board.put(Slot.PARENT_NS, SYSTEM.monotonic_ns())
        cpu = allowed_cpus()[0]
        with LaneTeam(context(WARM), board, Path(folder)) as team:
            first = _start(team, 0, cpu)
            return first, [_start(team, lane, cpu) for lane in range(1, SAMPLES + 1)]


def _start(team: LaneTeam, lane: int, cpu: int | None) -> float:
    before = SYSTEM.monotonic_ns()
    team.start(lane, cpu)
    while True:
        wait(team.waitables(), timeout=60.0)  # type: ignore[arg-type]
        if any(isinstance(answer, LaneUp) for answer in team.hear()):
            return (SYSTEM.monotonic_ns() - before) / NS_PER_SECOND


def main() -> None:
    """Measure and print one line a figure."""
    help_seconds, bare_seconds = help_times()
    median, bare = statistics.median(help_seconds), statistics.median(bare_seconds)
    print(
        f"rigproof --help: median {median:.3f} s (bare interpreter {bare:.3f} s, ratio "
        f"{median / bare:.1f}); aim below {HELP_LIMIT_SECONDS} s"
    )
    first, further = lane_times()
    print(f"first lane, template started and warmed: {first:.2f} s; aim {FIRST_LANE_LIMIT_SECONDS}")
    print(
        f"further lanes: median {1000 * statistics.median(further):.1f} ms, largest "
        f"{1000 * max(further):.1f} ms; aim {1000 * LANE_LIMIT_SECONDS:.0f} ms"
    )


if __name__ == "__main__":
    main()
