"""The self-test finds planted faults, and would say so if a detector were blind."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from typer.testing import CliRunner

from harness import selftest
from harness.board import Board, StopReason
from harness.clock import SYSTEM
from harness.errors import BrokenEnvironment
from harness.lanes import messages as m
from harness.lanes.messages import Mismatch
from harness.outcome import ExitCode
from harness.selftest import Caught, Flipped, Untested, _Dialogue, _Prover, self_test
from tests.acting import lane_trial
from workloads.registry import load

CPUS = tuple(sorted(os.sched_getaffinity(0)))


def test_flips_in_a_lane_are_caught_in_the_right_place() -> None:
    reports = list(self_test(CPUS, lane=len(CPUS) - 1, only=("matmul-fp64", "command")))
    flips = [item for item in reports if isinstance(item, Flipped)]
    results = [item for item in flips if item.role == "result"]
    assert {item.kind for item in results} >= {"sign", "exponent", "mantissa-high", "mantissa-low"}
    assert all(item.outcome is Caught.CAUGHT for item in results)
    assert all(item.cpu == CPUS[-1] for item in flips)
    assert [item.workload for item in reports if isinstance(item, Untested)] == ["command"]


def prover() -> _Prover:
    return _Prover(None, [1, 0], CPUS, 7, load("matmul-fp64"))  # type: ignore[arg-type]


def wrong(lane: int = 1, at_pass: int = 1, load_number: int = 7) -> Mismatch:
    return Mismatch(lane, load_number, 1, at_pass, 0, "detail", "transient")


@pytest.mark.parametrize(
    ("reported", "role", "outcome"),
    [
        ([wrong()], "result", Caught.CAUGHT),
        ([], "result", Caught.MISSED),
        ([], "input", Caught.NO_EFFECT),
        ([wrong(lane=0)], "result", Caught.MISPLACED),
        ([wrong(load_number=8)], "result", Caught.MISPLACED),
        ([wrong(at_pass=2)], "result", Caught.MISPLACED),
        ([wrong(at_pass=2)], "intermediate", Caught.CAUGHT),
        ([wrong(at_pass=0)], "intermediate", Caught.MISPLACED),
    ],
)
def test_what_is_missed_or_misplaced_is_called_so(
    reported: list[Mismatch], role: str, outcome: Caught
) -> None:
    assert prover()._judge(reported, role, spoilt=1)[0] is outcome


@dataclass
class Talk:
    """A dialogue with lanes whose stretches all end alike."""

    done: m.Done
    wrong: list[Mismatch] = field(default_factory=list)

    def send(self, lanes: Sequence[int], order: Callable[[int], m.Order]) -> None:
        """Every order is as good as carried out."""

    def until(self, kind: type, count: int) -> list[Any]:
        return [self.done] if kind is m.Done else []

    def mismatches(self) -> list[Mismatch]:
        return self.wrong


PLACE = "bit 3 of byte 8 in result"


def ended(passes: int = 3, **more: Any) -> m.Done:
    """What lane 1 says of its stretch; nothing wrong was seen in it."""
    result = lane_trial(1, passes, 1.0)
    return m.Done(1, 1, 7, result, 0, 1, 0, **{"stopped": False, "sabotaged": PLACE, **more})


def flipped(role: str, done: m.Done, *wrong: Mismatch) -> Flipped | Untested:
    talk: Any = Talk(done, list(wrong))
    return _Prover(talk, [1, 0], (0, 1), 7, load("matmul-fp64"))._flip(role, "sign", 5)


@pytest.mark.parametrize("role", ["input", "intermediate", "result"])
@pytest.mark.parametrize(
    ("done", "why"),
    [
        (ended(1, sabotaged="", stopped=True), "the bit was never flipped (the lane did 1 of 3"),
        (ended(3, sabotaged=""), "the bit was never flipped"),
        (ended(2, stopped=True), "the lane ended before its work was done (2 of 3 passes)"),
    ],
)
def test_a_flip_that_was_never_made_or_never_looked_at_is_neither_harmless_nor_missed(
    role: str, done: m.Done, why: str
) -> None:
    told = flipped(role, done)
    assert isinstance(told, Untested)
    assert told.broken
    assert told.reason.startswith(f"{role}, sign: {why}")


def test_flips_that_were_made_keep_their_place_and_their_outcome() -> None:
    caught = flipped("result", ended(2, stopped=True), wrong())
    assert isinstance(caught, Flipped)
    assert (caught.outcome, caught.place, caught.ok) == (Caught.CAUGHT, PLACE, True)
    missed = flipped("result", ended())
    assert isinstance(missed, Flipped)
    assert (missed.outcome, missed.ok) == (Caught.MISSED, False)
    harmless = flipped("input", ended())
    assert isinstance(harmless, Flipped)
    assert (harmless.outcome, harmless.ok) == (Caught.NO_EFFECT, True)
    doubted = flipped("input", ended(doubts=("Freivalds: row 3",)))
    assert isinstance(doubted, Flipped)
    assert (doubted.outcome, doubted.detail) == (Caught.CAUGHT, "Freivalds: row 3")
    before = flipped("input", ended(1, sabotaged="", stopped=True), wrong(at_pass=0))
    assert isinstance(before, Flipped)
    assert (before.outcome, before.ok) == (Caught.MISPLACED, False)


def test_a_self_test_with_a_flip_that_was_never_made_is_not_passed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from harness.cli.main import app

    reports = [flipped("input", ended()), flipped("result", ended(1, sabotaged="", stopped=True))]
    monkeypatch.setattr(selftest, "self_test", lambda *_: iter(reports))
    result = CliRunner().invoke(app, ["self-test"])
    assert result.exit_code == ExitCode.FAIL
    assert "not tested: result, sign: the bit was never flipped" in result.output


def test_lanes_that_were_told_to_stop_end_the_self_test_clearly(tmp_path: Path) -> None:
    board = Board.create(tmp_path / "board", 1)
    team: Any = SimpleNamespace(waitables=list, hear=lambda: [ended(1, sabotaged="", stopped=True)])
    dialogue = _Dialogue(team, board)
    assert len(dialogue.until(m.Done, 1)) == 1
    board.trip(StopReason.SILENT_PARENT, SYSTEM.monotonic_ns())
    with pytest.raises(BrokenEnvironment, match=r"stood still for more than 5 s .*start it again"):
        dialogue.until(m.Done, 1)
    board.close()
