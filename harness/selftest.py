"""Proof of the detectors on the user's own machine: bits are flipped on purpose and must be seen.

One lane is spoilt, another works beside it unspoilt. Every flip of a result must be caught, and
caught in the right workload on the right lane; a flip of an input or an intermediate buffer may
have no effect (it is overwritten, or rounding swallows it), which the equal digest then shows.
A flip that was never made shows nothing: it is told as such, and the self-test is not passed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from multiprocessing.connection import wait
from typing import TypeVar

from harness.agreement import settle_golden
from harness.board import SILENCE_NS, Board, Slot, StopReason
from harness.clock import NS_PER_SECOND, SYSTEM
from harness.errors import BrokenEnvironment
from harness.lanes import messages as m
from harness.lanes.team import Death, LaneTeam, context
from harness.plan import INPUT_SEED
from harness.scratch import scratch_folder
from workloads.contract import Workload
from workloads.registry import load as load_workload
from workloads.registry import names

A = TypeVar("A")

_PASSES = 3
_SPOILT_PASS = 1
_ANSWER_SECONDS = 120.0
_LEAD_NS = 5_000_000


class Caught(StrEnum):
    """What became of one flip."""

    CAUGHT = "caught"
    NO_EFFECT = "no effect on the result"
    MISSED = "MISSED"
    MISPLACED = "MISPLACED"


@dataclass(frozen=True)
class Flipped:
    """One flip and what became of it."""

    workload: str
    lane: int
    cpu: int | None
    role: str
    kind: str
    place: str
    outcome: Caught
    detail: str

    @property
    def ok(self) -> bool:
        """True unless a detector failed."""
        return self.outcome in {Caught.CAUGHT, Caught.NO_EFFECT}


@dataclass(frozen=True)
class Untested:
    """A workload that could not be tried, and why; `broken` when that itself is a fault."""

    workload: str
    reason: str
    broken: bool = False


Report = Flipped | Untested


def self_test(
    cpus: Sequence[int | None], lane: int = 0, only: Sequence[str] = ()
) -> Iterator[Report]:
    """Flip bits in `lane` (an index into `cpus`) for every workload, or those in `only`."""
    chosen = [name for name in names() if not only or name in only]
    usable = [name for name in chosen if not _why_not(load_workload(name))]
    witness = next((index for index in range(len(cpus)) if index != lane), None)
    lanes = [lane] if witness is None else [lane, witness]
    with scratch_folder() as scratch:
        board = Board.create(scratch / "board", len(cpus))
        mp_context = context(usable)
        with LaneTeam(mp_context, board, scratch) as team:
            dialogue = _Dialogue(team, board)
            for member in lanes:
                team.start(member, cpus[member])
            dialogue.until(m.LaneUp, len(lanes))
            for number, name in enumerate(chosen):
                reason = _why_not(load_workload(name))
                if reason:
                    yield Untested(name, reason)
                else:
                    prover = _Prover(dialogue, lanes, cpus, number, load_workload(name))
                    yield from prover.prove()


def _why_not(workload: Workload) -> str:
    if workload.paired:
        return "its messages are numbered, it has no result buffer to flip a bit in"
    if workload.needs_permission:
        return "it runs a program of the profile"
    return workload.availability().reason


class _Dialogue:
    """Orders out, answers back; beats the parent's heart meanwhile."""

    def __init__(self, team: LaneTeam, board: Board) -> None:
        self._team = team
        self._board = board
        self._heard: list[m.Answer] = []

    def send(self, lanes: Sequence[int], order: Callable[[int], m.Order]) -> None:
        """An order for each lane."""
        for lane in lanes:
            self._team.send(lane, order(lane))

    def until(self, kind: type[A], count: int) -> list[A]:
        """Wait for `count` answers of one kind. Raises BrokenEnvironment when a lane fails."""
        deadline = SYSTEM.monotonic_ns() + round(_ANSWER_SECONDS * NS_PER_SECOND)
        while True:
            found: list[A] = [item for item in self._heard if isinstance(item, kind)]
            if len(found) >= count:
                self._heard = [item for item in self._heard if not isinstance(item, kind)]
                return found
            if SYSTEM.monotonic_ns() > deadline:
                raise BrokenEnvironment(f"a lane did not answer within {_ANSWER_SECONDS:g} s")
            self._listen()
            self._refuse_stop()

    def _refuse_stop(self) -> None:
        """Once the stop flag is up lanes end before they have done anything: nothing is proved."""
        if self._board.stop is not StopReason.NONE:
            seconds = SILENCE_NS / NS_PER_SECOND
            raise BrokenEnvironment(
                f"the self-test stood still for more than {seconds:g} s (stopped from a terminal, "
                "or starved), so its lanes ended their work: start it again and let it run"
            )

    def _listen(self) -> None:
        self._board.put(Slot.PARENT_NS, SYSTEM.monotonic_ns())
        wait(self._team.waitables(), timeout=0.1)  # type: ignore[arg-type]
        for answer in self._team.hear():
            if isinstance(answer, Death):
                raise BrokenEnvironment(f"lane {answer.lane} ended: {answer.how}")
            if isinstance(answer, m.LaneTrouble):
                raise BrokenEnvironment(f"lane {answer.lane}: {answer.summary}")
            self._heard.append(answer)

    def mismatches(self) -> list[m.Mismatch]:
        """Wrong results reported since the last call."""
        found = [item for item in self._heard if isinstance(item, m.Mismatch)]
        self._heard = [item for item in self._heard if not isinstance(item, m.Mismatch)]
        return found


class _Prover:
    """All flips of one workload."""

    def __init__(
        self,
        dialogue: _Dialogue,
        lanes: Sequence[int],
        cpus: Sequence[int | None],
        number: int,
        workload: Workload,
    ) -> None:
        self._dialogue = dialogue
        self._lanes = lanes
        self._cpus = cpus
        self._number = number
        self._workload = workload
        self._parameters = workload.complete(workload.small)
        self._stretch = number * 1000

    def prove(self) -> Iterator[Report]:
        """Prepare, agree on the golden, then flip and look."""
        self._prepare(self._lanes)
        probe = m.Probe(self._number, 0.0, 3, exact=True)
        self._dialogue.send(self._lanes, lambda _: probe)
        probes = self._dialogue.until(m.Probed, len(self._lanes))
        shipped = self._workload.golden(self._parameters, INPUT_SEED)
        agreement = settle_golden(probes, shipped)
        if agreement.golden is None or agreement.dissents:
            reason = "its unspoilt passes do not agree: this machine computes wrongly"
            yield Untested(self._workload.name, reason, broken=True)
        else:
            if not probes[0].flippable:
                yield Untested(self._workload.name, "it shows no buffer to flip a bit in")
            for role, kind in probes[0].flippable:
                yield self._flip(role, kind, agreement.golden)
        self._dialogue.send(self._lanes, lambda _: m.Drop(self._number))

    def _prepare(self, lanes: Sequence[int]) -> list[m.Prepared]:
        order = m.Prepare(self._number, self._workload.name, self._parameters, INPUT_SEED)
        self._dialogue.send(lanes, lambda _: order)
        return self._dialogue.until(m.Prepared, len(lanes))

    def _flip(self, role: str, kind: str, golden: int) -> Report:
        self._stretch += 1
        spoilt = self._lanes[0]
        sabotage = m.Sabotage(_SPOILT_PASS, role, kind, seed=self._stretch)
        self._dialogue.send(self._lanes, lambda lane: self._run(lane, spoilt, sabotage, golden))
        self._dialogue.until(m.Ready, len(self._lanes))
        start = m.Go(self._stretch, SYSTEM.monotonic_ns() + _LEAD_NS)
        self._dialogue.send(self._lanes, lambda _: start)
        dones = self._dialogue.until(m.Done, len(self._lanes))
        done = next(done for done in dones if done.lane == spoilt)
        wrong = self._dialogue.mismatches()
        if role != "result":
            self._prepare([spoilt])  # its inputs stay spoilt otherwise
        reason = "" if wrong else _why_unproved(done)
        if reason:
            return Untested(self._workload.name, f"{role}, {kind}: {reason}", broken=True)
        outcome, detail = self._judge(wrong, role, spoilt)
        if outcome is Caught.NO_EFFECT and done.doubts:
            outcome, detail = Caught.CAUGHT, done.doubts[0]
        name, cpu = self._workload.name, self._cpus[spoilt]
        return Flipped(name, spoilt, cpu, role, kind, done.sabotaged, outcome, detail)

    def _run(self, lane: int, spoilt: int, sabotage: m.Sabotage, golden: int) -> m.Run:
        return m.Run(
            stretch=self._stretch,
            load=self._number,
            golden=golden,
            passes=_PASSES,
            stop_on_failure=True,
            sabotage=sabotage if lane == spoilt else None,
        )

    def _judge(self, wrong: list[m.Mismatch], role: str, spoilt: int) -> tuple[Caught, str]:
        """A spoilt result shows in its own pass; spoilt memory when it is read, then or later."""
        elsewhere = [item for item in wrong if item.lane != spoilt or item.load != self._number]
        if elsewhere:
            return Caught.MISPLACED, f"reported by lane {elsewhere[0].lane}: {elsewhere[0].detail}"
        if not wrong:
            return (Caught.MISSED if role == "result" else Caught.NO_EFFECT), ""
        at_pass = wrong[0].pass_number
        on_time = at_pass == _SPOILT_PASS or (role != "result" and at_pass > _SPOILT_PASS)
        if on_time:
            return Caught.CAUGHT, wrong[0].detail
        return Caught.MISPLACED, f"reported in pass {at_pass}"


def _why_unproved(done: m.Done) -> str:
    """Why a stretch without a wrong result proves nothing; empty where it went as ordered."""
    passes = f"{done.result.passes} of {_PASSES} passes"
    if not done.sabotaged:
        return f"the bit was never flipped (the lane did {passes})"
    if done.stopped or done.result.passes < _PASSES:
        return f"the lane ended before its work was done ({passes})"
    return ""
