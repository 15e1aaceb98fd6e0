"""What numeric workloads of a chosen size share: passes in stages, goldens that ship by size."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable, Mapping
from typing import ClassVar

from workloads.contract import Parameters, Task, Workload, whole

#: Equal parts that a long pass is cut into, so that a bit can be flipped between two of them.
PARTS = 4
#: The seed that shipped goldens were made with.
GOLDEN_SEED = 1


class StagedTask(Task):
    """A task whose pass is its stages, one after another."""

    def execute(self) -> None:
        """See :class:`Task`."""
        for stage in self.stages():
            stage()

    @abstractmethod
    def stages(self) -> tuple[Callable[[], None], ...]:
        """See :class:`Task`."""


class PartedTask(StagedTask):
    """A task whose pass is a start and then `PARTS` times the same work on what it left."""

    def stages(self) -> tuple[Callable[[], None], ...]:
        """See :class:`Task`: the start, then the parts."""
        return (self._begin, *([self._part] * PARTS))

    @abstractmethod
    def _begin(self) -> None:
        """Put the start where the parts work on it."""

    @abstractmethod
    def _part(self) -> None:
        """One of the `PARTS` equal parts."""


class SizedWorkload(Workload):
    """A workload whose parameters are all sizes: whole numbers, the lowest of each go together."""

    #: Digests for `GOLDEN_SEED` by size: the values of the parameters, in their order.
    goldens: ClassVar[Mapping[tuple[int, ...], int]] = {}

    def golden(self, parameters: Parameters, seed: int) -> int | None:
        """See :class:`Workload`; known for the sizes in `goldens` and their seed."""
        size = tuple(whole(parameters, key) for key in self.parameters)
        return self.goldens.get(size) if seed == GOLDEN_SEED else None

    def warm(self) -> None:
        """See :class:`Workload`: one pass of the smallest size."""
        smallest = {key: int(spec.low or 1) for key, spec in self.parameters.items()}
        task = self.prepare(smallest, GOLDEN_SEED)
        task.execute()
        task.digest()


def require_multiple(parameters: Parameters, key: str, of: int = PARTS) -> None:
    """Raise ValueError for a parameter that does not divide into equal parts."""
    value = whole(parameters, key)
    if value % of:
        below = value - value % of
        near = f"{below} or {below + of}" if below else f"{of}"
        raise ValueError(f"{key}: received {value}, must be a multiple of {of}; use {near}")


def require_power(parameters: Parameters, key: str, of: int = 2) -> None:
    """Raise ValueError for a parameter that is no power of `of`."""
    value, power = whole(parameters, key), 1
    while power < value:
        power *= of
    if power != value:
        near = f"{power // of} or {power}"
        raise ValueError(f"{key}: received {value}, must be a power of {of}; use {near}")


def require_at_most(parameters: Parameters, key: str, most: int, why: str, parts: int) -> None:
    """Raise ValueError for a parameter above `most`, rounded down to a multiple of `parts`."""
    value, most = whole(parameters, key), most - most % parts
    if value > most:
        raise ValueError(f"{key}: received {value}, must be at most {most}; {why}")
