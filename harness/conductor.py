"""The conductor: hears what happened, says what to do next. No I/O, no clock, no process.

It holds the phases of the run and what is common to all of them: failures and what the profile
wants done about them, the ways to stop, and the second opinion of another core on a wrong result.
Every call is `handle(happening, now_ns) -> instructions`; a test needs nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from harness.assembly import TimeAxis
from harness.board import SILENCE_NS, StopReason
from harness.clock import NS_PER_SECOND
from harness.happenings import (
    Begin,
    Finish,
    Happening,
    HelperDied,
    Instruction,
    Interrupted,
    KillLane,
    LaneDied,
    LimitExceeded,
    LoadStopped,
    Send,
    StoodStill,
    StopLoad,
    StorageFailed,
    Store,
    Suspended,
    Tick,
)
from harness.lanes.messages import Done, LaneTrouble, Mismatch, Recheck, Rechecked, Sabotage
from harness.outcome import Ending
from harness.phases.afterwatch import Afterwatch
from harness.phases.calibration import Calibration
from harness.phases.gathering import Gathering
from harness.phases.settling import Settling
from harness.phases.state import Phase, RunState
from harness.phases.stepping import Stepping
from harness.plan import Plan
from harness.profile.model import StartWhen
from harness.results import EventKind, FailureKind

#: The parent's loop turns this often at least: so late it may see that a time is up.
WAKE_SECONDS = 0.1
#: So long before its time is up a lane over a limit is killed: one wake until that is seen, one
#: until it is gone.
KILL_LEAD_SECONDS = 2 * WAKE_SECONDS
#: A lane stops by itself only between two passes, a pass may take 60 ms and a busy machine may hold
#: a lane up: none is killed earlier than this after the stop flag, so that a stop does not cost
#: their results, even where the guard has used up the time allowed.
SPARED_SECONDS = 0.3
#: After a stop is ordered, lanes that have not ended their load by then are killed.
STOP_SECONDS = 2.0
#: The guard's reason for a stop must come within this time of the stop itself.
REASON_SECONDS = 2.0
#: The second opinion of another core must come within this time.
RECHECK_SECONDS = 10.0


@dataclass(frozen=True)
class Policy:
    """What the profile wants done: about failures, before the start, after the last step."""

    stop_on_failure: bool = True
    start_when: StartWhen | None = None
    #: How the run ends when everything has been done: completed, or awaiting another boot.
    ending: Ending = Ending.COMPLETED
    ending_text: str = "everything planned was done"
    #: How long error counters are watched after the last load.
    watch_seconds: float = 0.0
    #: The load must be off this long after the begin of the first reading over the limit, where the
    #: guard knows of one, else after its stop flag. A lane that is not is killed, KILL_LEAD_SECONDS
    #: earlier, but not within SPARED_SECONDS of the flag.
    limit_seconds: float = STOP_SECONDS
    #: Bits to flip on purpose in the first stretch, by lane: to prove a whole run's detectors.
    sabotage: Mapping[int, Sabotage] = field(default_factory=dict)


@dataclass(frozen=True)
class _Question:
    """A wrong result on which another core shall say its word."""

    failure: int
    load: int
    lane: int


class Conductor:
    """Decides a run."""

    def __init__(self, plan: Plan, policy: Policy, axis: TimeAxis) -> None:
        self.state = RunState(plan, axis, sabotage=dict(policy.sabotage))
        self._policy = policy
        self._phases: list[Phase] = [Gathering(self.state), Calibration(self.state)]
        if policy.start_when is not None:
            self._phases.append(Settling(self.state, policy.start_when))
        self._phases.append(Stepping(self.state, policy.stop_on_failure))
        self._phases.append(Afterwatch(self.state, policy.watch_seconds))
        self._stopping: Finish | None = None
        self._stop_deadline_ns = 0
        self._may_kill = False
        self._over_limit = False
        self._reason_deadline_ns: int | None = None
        self._failures_seen = 0
        self._questions: list[_Question] = []
        self._asked: tuple[_Question, int, int] | None = None
        self.finished: Finish | None = None

    @property
    def phase(self) -> Phase | None:
        """The phase the run is in."""
        return self._phases[0] if self._phases else None

    def handle(self, happening: Happening, now_ns: int) -> list[Instruction]:
        """React to one happening. After `Finish` nothing more is ordered."""
        if self.finished is not None:
            return []
        # A tick ends a turn: only then has all been heard that the lanes have said.
        self._may_kill = isinstance(happening, Tick)
        out = self._common(happening, now_ns)
        if self.phase is not None and not isinstance(happening, Begin):
            out += self.phase.hear(happening, now_ns)
        out += self._stop_on_failure(now_ns)
        out += self._move_on(now_ns)
        return out

    def _stop_on_failure(self, now_ns: int) -> list[Instruction]:
        """What the profile wants done about a failure, wherever it was found."""
        fresh = self.state.failures > self._failures_seen
        self._failures_seen = self.state.failures
        if not fresh or not self._policy.stop_on_failure:
            return []
        return self._stop(Ending.STOPPED_ON_FAILURE, self.state.last_failure, now_ns)

    # -- moving on -----------------------------------------------------------------------------

    def _move_on(self, now_ns: int) -> list[Instruction]:
        out: list[Instruction] = []
        while self.finished is None and not self._must_wait(now_ns, out):
            if self._questions:
                out += self._ask(self._questions.pop(0), now_ns)
            elif self._stopping is not None:
                out += [] if self.phase is None else self.phase.wind_up(now_ns)
                out += self._finish(self._stopping)
            elif self.phase is None:
                out += self._finish(Finish(self._policy.ending, self._policy.ending_text))
            elif self.phase.finished:
                self._phases.pop(0)
            elif not self.state.alive(range(self.state.plan.lanes)):
                self._stopping = Finish(Ending.STOPPED_ON_FAILURE, "no lane is left")
            else:
                out += self.phase.advance(now_ns) + self._stop_on_failure(now_ns)
        return out

    def _must_wait(self, now_ns: int, out: list[Instruction]) -> bool:
        if self._asked is not None:
            if now_ns <= self._asked[2] or (self._over_limit and not self._may_kill):
                return True
            if self._over_limit:
                out += self._kill([self._asked[1]])
            self._asked = None
        if self.phase is None or not self.phase.busy:
            return self._awaits_reason(now_ns)
        if self._stopping is None:
            return True
        if self.phase.only_waiting:
            return False
        if now_ns <= self._stop_deadline_ns or not self._may_kill:
            return True
        out += self._kill_working()
        return False

    def _awaits_reason(self, now_ns: int) -> bool:
        """True while the guard has stopped the load and has not yet said why."""
        deadline = self._reason_deadline_ns
        return deadline is not None and now_ns <= deadline

    def _kill_working(self) -> list[Instruction]:
        self._questions.clear()
        return self._kill(self.state.alive(range(self.state.plan.lanes)))

    def _kill(self, lanes: Sequence[int]) -> list[Instruction]:
        self.state.condemned.update(lanes)
        self.state.lost.update(lanes)
        return [KillLane(lane) for lane in lanes]

    def _finish(self, finish: Finish) -> list[Instruction]:
        self.finished = finish
        return [finish]

    def _stop(self, ending: Ending, text: str, now_ns: int) -> list[Instruction]:
        """Stop the load and end the run; the first reason stays."""
        if self._stopping is not None:
            return []
        self._stopping = Finish(ending, text)
        self._stop_deadline_ns = now_ns + round(STOP_SECONDS * NS_PER_SECOND)
        return [StopLoad(StopReason.PARENT)]

    def _hurry(self, since_ns: int, flag_ns: int) -> None:
        """A limit was exceeded: the load must be off sooner than after any other stop."""
        seconds = self._policy.limit_seconds - KILL_LEAD_SECONDS
        spared_ns = flag_ns + round(SPARED_SECONDS * NS_PER_SECOND)
        deadline_ns = max(since_ns + round(seconds * NS_PER_SECOND), spared_ns)
        self._stop_deadline_ns = min(self._stop_deadline_ns, deadline_ns)
        # A second opinion is load, too: none is asked for any more, and none waited for longer.
        self._over_limit = True
        self._questions.clear()
        if self._asked is not None:
            question, lane, until_ns = self._asked
            self._asked = (question, lane, min(until_ns, deadline_ns))

    # -- what concerns every phase -------------------------------------------------------------

    def _common(self, happening: Happening, now_ns: int) -> list[Instruction]:
        match happening:
            case LoadStopped(at_ns):
                return self._load_stopped(at_ns or now_ns, now_ns)
            case LimitExceeded():
                return self._limit_exceeded(happening, now_ns)
            case Interrupted() | StorageFailed() | HelperDied():
                return self._must_end(happening, now_ns)
            case Suspended(seconds):
                text = f"the machine slept for {seconds:.1f} s"
                return [self.state.event(EventKind.SUSPENDED, now_ns, text)]
            case StoodStill():
                return self._stood_still(happening, now_ns)
        return self._lane_said(happening, now_ns)

    def _load_stopped(self, at_ns: int, now_ns: int) -> list[Instruction]:
        """The lanes may say that they were stopped before the guard's message says why."""
        if self._stopping is None:
            self._reason_deadline_ns = now_ns + round(REASON_SECONDS * NS_PER_SECOND)
        text = "the guard stopped the load; its reason was not heard"
        out = self._stop(Ending.SAFETY_STOP, text, now_ns)
        self._hurry(at_ns, at_ns)
        return out

    def _limit_exceeded(self, exceeded: LimitExceeded, now_ns: int) -> list[Instruction]:
        stop, axis = exceeded.stop, self.state.axis
        text = f"{stop.channel} reached {stop.value:g} {stop.unit}"
        if self._reason_deadline_ns is not None:
            self._reason_deadline_ns = None
            self._stopping = Finish(Ending.SAFETY_STOP, text)
        out = self._stop(Ending.SAFETY_STOP, text, now_ns)
        flag_ns = min(axis.monotonic_ns(stop.at_seconds), now_ns)
        since = exceeded.since_seconds
        self._hurry(flag_ns if since is None else axis.monotonic_ns(since), flag_ns)
        return [Store(stop), *out]

    def _must_end(
        self, reason: Interrupted | StorageFailed | HelperDied, now_ns: int
    ) -> list[Instruction]:
        out: list[Instruction]
        match reason:
            case Interrupted(text):
                out = [self.state.event(EventKind.INTERRUPTED, now_ns, text, {"signal": text})]
                ending = Ending.INTERRUPTED
            case StorageFailed(text):
                # Told once; where only space is lacking, the reserve still takes a few words.
                event = self.state.event(EventKind.WARNING, now_ns, text)
                out = [event] if self._stopping is None else []
                ending = Ending.ERROR
            case HelperDied(what, how):
                text, ending = f"{what}: {how}", Ending.STOPPED_ON_FAILURE
                out = [self.state.failure(FailureKind.PROCESS_DIED, now_ns, text)]
        return out + self._stop(ending, text, now_ns)

    def _stood_still(self, still: StoodStill, now_ns: int) -> list[Instruction]:
        """Nothing was proved wrong, but the load was not what the profile asked for.

        Whoever stops rigproof from a terminal stops its lanes too: they cannot draw the
        consequence by themselves then.
        """
        text = f"rigproof itself stood still for {still.seconds:.1f} s: stopped, or starved"
        data = {"stood_still_seconds": still.seconds}
        unheard = self.state.working and still.seconds * NS_PER_SECOND >= SILENCE_NS
        if not (still.load_stopped or unheard):
            return [self.state.event(EventKind.WARNING, now_ns, text, data)]
        if still.load_stopped:
            text += "; the lanes ended their load by themselves"
        event = self.state.event(EventKind.INTERRUPTED, now_ns, text, data)
        return [event, *self._stop(Ending.INTERRUPTED, text, now_ns)]

    def _lane_said(self, happening: Happening, now_ns: int) -> list[Instruction]:
        match happening:
            case LaneDied():
                return self._lane_died(happening, now_ns)
            case Mismatch():
                return self._mismatch(happening)
            case LaneTrouble(lane=lane, load=load, summary=summary, text=text):
                detail = f"{summary}; {_last_lines(text)}"
                kind = FailureKind.WORKLOAD_ERROR
                return [self.state.failure(kind, now_ns, detail, lane, load)]
            case Rechecked():
                return self._answered(happening, now_ns)
            case Done() if happening.doubts:
                return [self._doubted(happening, now_ns)]
        return []

    def _doubted(self, done: Done, now_ns: int) -> Instruction:
        """What fails at the end of a load is a failure, unless it already failed on the way."""
        detail = f"when the load was over: {'; '.join(done.doubts)}"
        if done.failures:
            text = f"lane {done.lane}, whose result was wrong before: {detail}"
            return self.state.event(EventKind.WARNING, now_ns, text)
        return self.state.failure(FailureKind.WRONG_RESULT, now_ns, detail, done.lane, done.load)

    def _lane_died(self, death: LaneDied, now_ns: int) -> list[Instruction]:
        if self._asked is not None and self._asked[1] == death.lane:
            self._asked = None
        if death.lane in self.state.condemned:
            return []
        self.state.lost.add(death.lane)
        self.state.prepared.pop(death.lane, None)
        tail = f"; stderr: {_last_lines(death.stderr_tail)}" if death.stderr_tail else ""
        detail = death.how + tail
        load = self.state.running.get(death.lane)
        return [self.state.failure(FailureKind.LANE_DIED, now_ns, detail, death.lane, load)]

    def _mismatch(self, wrong: Mismatch) -> list[Instruction]:
        if not (self._over_limit or self.state.plan.load(wrong.load).paired):
            self._questions.append(_Question(self.state.failures, wrong.load, wrong.lane))
        kind = FailureKind.WRONG_RESULT
        return [self.state.failure(kind, wrong.at_ns, wrong.detail, wrong.lane, wrong.load)]

    # -- the second opinion --------------------------------------------------------------------

    def _ask(self, question: _Question, now_ns: int) -> list[Instruction]:
        others: Sequence[int] = [
            lane
            for lane in self.state.alive(range(self.state.plan.lanes))
            if lane != question.lane and question.load in self.state.prepared.get(lane, set())
        ]
        if not others:
            return []
        deadline = now_ns + round(RECHECK_SECONDS * NS_PER_SECOND)
        self._asked = (question, others[0], deadline)
        return [Send(others[0], Recheck(question.load, question.failure))]

    def _answered(self, answer: Rechecked, now_ns: int) -> list[Instruction]:
        if self._asked is None or self._asked[0].failure != answer.failure:
            return []
        question, self._asked = self._asked[0], None
        golden = self.state.goldens.get(question.load)
        right = answer.digest == golden
        cpu = self.state.plan.cpus[answer.lane]
        text = (
            f"lane {answer.lane} (CPU {cpu}) computes the same pass "
            f"{'rightly' if right else 'wrongly too'}"
        )
        data = {"failure": answer.failure, "lane": answer.lane, "right": right}
        return [self.state.event(EventKind.DIAGNOSIS, now_ns, text, data)]


def _last_lines(text: str, count: int = 3) -> str:
    return " | ".join(line.strip() for line in text.strip().splitlines()[-count:])
