"""Fourth phase: trials and soaks, in the plan's order, leg by leg."""

from __future__ import annotations

from harness.assembly import LegDone, assemble_soaks, assemble_trial
from harness.clock import NS_PER_SECOND
from harness.happenings import Happening, Instruction, Store, Suspended, Tick
from harness.phases.leg import LegRun
from harness.phases.narrowness import narrow_enough
from harness.phases.state import RunState
from harness.plan import Leg, Step
from harness.results import EventKind

#: How long an `after-suspend` step waits for the machine to sleep and wake.
SUSPEND_WAIT_SECONDS = 900.0


class Sleeping:
    """Waits until the machine has been suspended and has woken, at most so long."""

    def __init__(self, state: RunState, wanted_seconds: float) -> None:
        self._state = state
        self._wanted_seconds = wanted_seconds
        self._deadline_ns = 0
        self.awaited = True
        self.slept = False

    def advance(self, now_ns: int) -> list[Instruction]:
        """Ask the operator."""
        self._deadline_ns = now_ns + round(SUSPEND_WAIT_SECONDS * NS_PER_SECOND)
        text = f"suspend the machine now, for {self._wanted_seconds:g} s or more"
        return [self._state.event(EventKind.WAITING, now_ns, text)]

    def hear(self, happening: Happening, now_ns: int) -> list[Instruction]:
        """Half of the wanted sleep is sleep enough: people press the button early."""
        if isinstance(happening, Suspended) and happening.seconds >= self._wanted_seconds / 2:
            self.awaited, self.slept = False, True
        elif isinstance(happening, Tick) and now_ns > self._deadline_ns:
            self.awaited = False
            text = "the machine was not suspended in time: this load was not run"
            return [self._state.event(EventKind.WARNING, now_ns, text)]
        return []


class Stepping:
    """Works through the plan's steps."""

    def __init__(self, state: RunState, stop_on_failure: bool) -> None:
        self._state = state
        self._stop_on_failure = stop_on_failure
        self._steps = list(state.plan.steps)
        self._step: Step | None = None
        self._legs: list[Leg] = []
        self._leg: LegRun | None = None
        self._sleeping: Sleeping | None = None
        self._finished_legs: list[LegDone] = []
        self._spoilt = False
        self._stretch = 0
        self._rates: dict[int, list[float]] = {}

    @property
    def busy(self) -> bool:
        """See `Phase`."""
        if self._sleeping is not None:
            return self._sleeping.awaited
        return self._leg is not None and self._leg.busy

    @property
    def only_waiting(self) -> bool:
        """See `Phase`."""
        return self._sleeping is not None

    @property
    def finished(self) -> bool:
        """See `Phase`."""
        return not self._steps and self._step is None

    def advance(self, now_ns: int) -> list[Instruction]:
        """See `Phase`: the next stage of the leg, the next leg, the next step."""
        if self._sleeping is not None:
            self._wake()
            return []
        if self._leg is not None and self._step is not None:
            if not self._leg.over:
                return self._leg.advance(now_ns)
            return self._end_leg(self._leg, self._step)
        if self._step is None:
            return self._begin_step(self._steps.pop(0), now_ns)
        if not self._legs:
            return self._end_step(self._step)
        self._stretch += 1
        self._leg = LegRun(
            self._state,
            self._step,
            self._legs.pop(0),
            self._stretch,
            stop=self._stop_on_failure,
        )
        return []

    def hear(self, happening: Happening, now_ns: int) -> list[Instruction]:
        """See `Phase`."""
        if self._sleeping is not None:
            return self._sleeping.hear(happening, now_ns)
        return [] if self._leg is None else self._leg.hear(happening, now_ns)

    def wind_up(self, now_ns: int) -> list[Instruction]:
        """See `Phase`: the leg under way and its trial are kept, marked as cut short."""
        if self._leg is None or self._step is None:
            return []
        step = self._step
        out = self._leg.wind_up(now_ns) + self._end_leg(self._leg, step)
        self._legs = []
        return out + self._end_step(step)

    def _begin_step(self, step: Step, now_ns: int) -> list[Instruction]:
        load = self._state.plan.load(step.load)
        rates = self._rates.get(step.load, [])
        if not self._state.usable(step.load) or narrow_enough(load, rates):
            return []
        self._step, self._legs = step, list(step.legs)
        self._finished_legs, self._spoilt = [], False
        if step.after_suspend_seconds is None:
            return []
        self._sleeping = Sleeping(self._state, step.after_suspend_seconds)
        return self._sleeping.advance(now_ns)

    def _wake(self) -> None:
        if self._sleeping is not None and not self._sleeping.slept:
            self._legs = []
        self._sleeping = None

    def _end_leg(self, leg: LegRun, step: Step) -> list[Instruction]:
        self._leg = None
        self._spoilt = self._spoilt or leg.spoilt
        if not leg.done.dones:
            return []
        self._finished_legs.append(leg.done)
        if step.is_trial:
            return []
        loads = {load.number: load for load in self._state.plan.loads}
        soaks = assemble_soaks(step, loads, leg.done, self._state.axis, leg.unbroken)
        return [Store(soak) for soak in soaks]

    def _end_step(self, step: Step) -> list[Instruction]:
        self._step = None
        if not step.is_trial or not self._finished_legs:
            return []
        load = self._state.plan.load(step.load)
        trial = assemble_trial(step, load, self._finished_legs, self._state.axis, not self._spoilt)
        if trial.valid:
            self._rates.setdefault(load.number, []).append(trial.rate)
        return [Store(trial)]
