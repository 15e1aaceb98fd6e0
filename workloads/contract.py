"""What a workload is, seen from the lane that runs it.

A :class:`Workload` describes a load (name, unit of work, parameters, memory); `prepare` makes a
:class:`Task`: the buffers of one lane and the code that runs one *pass* over them. Every pass
of a task computes the same thing from the same inputs, so every pass of every lane must give
the same digest; that is what makes one changed bit visible.

The life of a pass in a lane:  ``task.execute()`` (the load) then ``task.digest()`` (the check);
the lane compares the digest with the golden one. `Task.invariants()` runs when the golden is
agreed and when a digest differs: it needs no golden and helps to locate what went wrong.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Buffer = NDArray[np.generic]

#: A parameter's value; a tuple of strings is an argument list (argv), never a shell line.
Value = int | float | str | bool | tuple[str, ...]
Parameters = Mapping[str, Value]


@dataclass(frozen=True)
class Parameter:
    """One parameter of a workload: its default, its bounds (inclusive) or its choices."""

    default: Value
    purpose: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Availability:
    """Whether a workload can run here; `reason` is empty when it can."""

    available: bool
    reason: str = ""


AVAILABLE = Availability(True)

#: A pass may always last this long, and never longer than a day and this, before its lane hangs.
PASS_SECONDS_AT_LEAST = 180.0
PASS_SECONDS_AT_MOST = 86_400.0 + PASS_SECONDS_AT_LEAST


@dataclass(frozen=True)
class Finding:
    """What one invariant said: `ok`, and in words what was expected and what was found."""

    name: str
    ok: bool
    detail: str


@dataclass(frozen=True)
class Difference:
    """The first place where a result differs from the right one (all indices from 0)."""

    buffer: str
    index: tuple[int, ...]
    expected_bits: str
    found_bits: str
    elements: int

    def describe(self) -> str:
        """One line for the failure's detail."""
        place = ", ".join(str(step) for step in self.index)
        return (
            f"{self.elements} element(s) of {self.buffer} differ, first at [{place}]: "
            f"expected {self.expected_bits}, found {self.found_bits}"
        )


class Task(ABC):
    """The prepared work of one lane. Not thread-safe; one lane owns it."""

    #: Units of work (see `Workload.unit`) that one pass does.
    work_per_pass: float
    #: Extra values a pass measures beside its time (e.g. latency by size), name -> value; units
    #: are suffixes of the names.
    readings: dict[str, float]
    #: False when the last `execute` did no pass at all, because the other end of a pair had left
    #: the stretch before it: the lane then counts nothing and ends its stretch too.
    began: bool = True

    def __init__(self) -> None:
        self.readings = {}

    @abstractmethod
    def execute(self) -> None:
        """Run one pass: the load itself. Releases the interpreter lock wherever it can."""

    @abstractmethod
    def digest(self) -> int:
        """Digest (64 bits) of everything the last pass produced."""

    @abstractmethod
    def inputs_digest(self) -> int:
        """Digest (64 bits) of everything a pass reads and must not change."""

    @abstractmethod
    def buffers(self) -> dict[str, Buffer]:
        """Writable arrays by role: names start with ``input``, ``intermediate`` or ``result``.

        The self-test flips bits in them; diagnosis copies the results out of them.
        """

    def stages(self) -> tuple[Callable[[], None], ...]:
        """The pass in steps, in order: what `execute` does. Bits are flipped between them."""
        return (self.execute,)

    def invariants(self) -> tuple[Finding, ...]:
        """Checks of the last pass that need no golden; empty where there is none."""
        return ()

    def compare(self, reference: dict[str, Buffer]) -> Difference | None:
        """First difference between the current result buffers and copies of right ones."""
        from workloads.digest import first_difference

        return first_difference(self.buffers(), reference)

    def begin(self) -> None:
        """Called before the first counted pass of a stretch: readings of the stretch start anew."""

    def finish(self) -> None:
        """Called when a stretch of passes is over, however it ended: tells a waiting peer."""

    def close(self) -> None:
        """Free files, processes and memory. Called once."""


class Workload(ABC):
    """A named load with a unit of work and its own check of the result."""

    name: ClassVar[str]
    #: Raised whenever the work or its digest changes: results of two versions do not compare.
    version: ClassVar[int]
    family: ClassVar[str]
    #: What is counted, in the singular: "flop", "byte", "key", "ray"...
    unit: ClassVar[str]
    #: One sentence: what it stresses.
    purpose: ClassVar[str]
    #: One sentence: how every pass is verified, true for every choice of parameters.
    check: ClassVar[str]
    parameters: ClassVar[Mapping[str, Parameter]]
    #: Parameters of a light version of the load, for the self-test and the tests; the rest default.
    small: ClassVar[Mapping[str, Value]] = {}
    #: True: the golden digest ships in the source, for the default parameters at least; for others
    #: (and always where False) the lanes agree on it at the start, and the record says which.
    shipped_golden: ClassVar[bool] = False
    #: True: the golden ships (or has a closed form) for every choice of parameters.
    always_shipped: ClassVar[bool] = False
    #: Units of work a second that the slowest core worth testing does, its checks included: an
    #: estimate (common practice, no source) that bounds how long an unknown pass may last. 0: no
    #: choice of parameters makes a pass that long.
    slowest_per_second: ClassVar[float] = 0.0
    #: Which value of a trial is the score: "mean" sees throttling, "capability" is the 10th
    #: percentile of the pass times. Chosen openly per workload.
    basis: ClassVar[str] = "mean"
    #: True where a result is better when it is lower (a latency).
    lower_is_better: ClassVar[bool] = False
    #: True where lanes must meet in pairs (the fabric family); the conductor then pairs them.
    paired: ClassVar[bool] = False
    #: True where the profile must be granted the right to start programs.
    needs_permission: ClassVar[bool] = False

    def availability(self) -> Availability:
        """Whether this machine has what the workload needs (a compiler, an instruction)."""
        return AVAILABLE

    def availability_with(self, parameters: Parameters) -> Availability:
        """The same for complete parameters, which may name what is needed (a program)."""
        return self.availability()

    def longest_pass_seconds(self, parameters: Parameters, work_per_pass: float) -> float:
        """How long a pass, or its checks, may last before the lane counts as hung; a day at most.

        Used before any pass has been timed; afterwards the time that passes took says more.
        """
        own = self.pass_limit_seconds(parameters) + PASS_SECONDS_AT_LEAST
        estimate = work_per_pass / self.slowest_per_second if self.slowest_per_second else 0.0
        return min(max(own, estimate), PASS_SECONDS_AT_MOST)

    def pass_limit_seconds(self, parameters: Parameters) -> float:
        """Time after which a pass ends by itself, however it goes; 0 where there is no such time.

        Given where the duration of one pass says little about the next.
        """
        return 0.0

    def for_lanes(self, parameters: Parameters, lanes: int) -> Parameters:
        """Complete parameters as a run on `lanes` lanes uses them."""
        return parameters

    @abstractmethod
    def memory_bytes(self, parameters: Parameters) -> int:
        """Bytes one lane allocates for these (complete) parameters."""

    @abstractmethod
    def prepare(self, parameters: Parameters, seed: int) -> Task:
        """Build one lane's task. All lanes get the same seed, so all digests must agree."""

    def golden(self, parameters: Parameters, seed: int) -> int | None:
        """The shipped golden digest for these parameters and seed, or None."""
        return None

    def code_path(self, parameters: Parameters) -> str:
        """What an agreed golden depends on: library version, BLAS kernel, vector width."""
        return ""

    def warm(self) -> None:
        """Compile and load everything that `prepare` and passes need (for the template process)."""

    def complete(self, given: Mapping[str, Any]) -> dict[str, Value]:
        """Defaults filled in, values checked. Raises ValueError with received, rule, remedy.

        Whatever `prepare` would refuse is refused here, before anything is run; rules that tie
        parameters together belong into an override.
        """
        for key in given:
            if key not in self.parameters:
                known = ", ".join(sorted(self.parameters)) or "none"
                raise ValueError(f"'{key}' is no parameter of {self.name}; it has: {known}")
        return {
            key: _checked(key, given.get(key, spec.default), spec)
            for key, spec in self.parameters.items()
        }


def whole(parameters: Parameters, key: str) -> int:
    """The integer parameter `key` of complete parameters (see :meth:`Workload.complete`)."""
    value = parameters[key]
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"{key}: received {value!r}, needs int")
    return value


def _checked(key: str, value: Any, spec: Parameter) -> Value:
    kind = type(spec.default)
    if kind is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if kind is tuple and isinstance(value, list):
        value = tuple(value)
    if type(value) is not kind:
        raise ValueError(f"{key}: received {value!r}, needs {kind.__name__} {spec.unit}".rstrip())
    if isinstance(value, tuple) and not all(isinstance(item, str) for item in value):
        raise ValueError(f"{key}: received {list(value)!r}, needs a list of strings (quote them)")
    if spec.choices and value not in spec.choices:
        raise ValueError(f"{key}: received {value!r}, choose from {', '.join(spec.choices)}")
    if isinstance(value, int | float) and not _within(value, spec):
        raise ValueError(f"{key}: received {value!r}, must lie in {_bounds(spec)}")
    return value


def _within(value: float, spec: Parameter) -> bool:
    above = spec.low is None or value >= spec.low
    return above and (spec.high is None or value <= spec.high)


def _bounds(spec: Parameter) -> str:
    low = "-inf" if spec.low is None else f"{spec.low:g}"
    high = "inf" if spec.high is None else f"{spec.high:g}"
    return f"{low} to {high} {spec.unit}".rstrip()


@dataclass(frozen=True)
class PairContext:
    """For paired workloads: memory shared by the two lanes, and which end this lane is.

    `shared` is a zeroed uint64 array of at least 64 words visible to both lanes; `end` is 0 (the
    end that measures) or 1 (the end that answers); `peers` are the lanes' logical CPUs.
    """

    shared: Any
    end: int
    peers: tuple[int, int] = field(default=(0, 1))


class PairedWorkload(Workload):
    """A workload of two lanes that meet in shared memory (round-trip times between cores)."""

    paired: ClassVar[bool] = True

    @abstractmethod
    def prepare_pair(self, parameters: Parameters, seed: int, pair: PairContext) -> Task:
        """Build one end's task; both ends execute passes in step until one of them finishes."""
