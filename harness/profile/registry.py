"""What the rules of a profile are checked against, and what a broken rule looks like."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from harness.profile.positions import Step
from workloads.contract import Workload


class WorkloadRegistry(Protocol):
    """What is asked of :mod:`workloads.registry`."""

    def names(self) -> list[str]:
        """All workload names."""
        ...

    def load(self, name: str) -> Workload:
        """The workload called `name`."""
        ...


@dataclass(frozen=True)
class Violation:
    """A broken rule about the key at `path`."""

    path: tuple[Step, ...]
    message: str
