"""Profile texts and a small registry of invented workloads for the profile tests."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from workloads.contract import Parameter, Parameters, Task, Workload

MINIMAL = """\
name: smallest
loads:
  - workload: spin
    trials: 3
"""


class Spin(Workload):
    """An invented load with one parameter of each kind."""

    name: ClassVar[str] = "spin"
    version: ClassVar[int] = 1
    family: ClassVar[str] = "integer"
    unit: ClassVar[str] = "turn"
    purpose: ClassVar[str] = "Turns."
    check: ClassVar[str] = "Counts."
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "turns": Parameter(10, "How many.", "turn", 1, 1000),
        "share": Parameter(0.5, "How much.", "", 0.0, 1.0),
        "style": Parameter("fast", "How.", choices=("fast", "slow")),
        "argv": Parameter(("a",), "What."),
    }

    def memory_bytes(self, parameters: Parameters) -> int:
        return 0

    def prepare(self, parameters: Parameters, seed: int) -> Task:
        raise AssertionError("profiles never prepare a task")


class Roll(Spin):
    name: ClassVar[str] = "roll"


class Pass(Spin):
    name: ClassVar[str] = "pass-along"
    paired: ClassVar[bool] = True


class Echo(Spin):
    name: ClassVar[str] = "echo"
    unit: ClassVar[str] = "call"
    lower_is_better: ClassVar[bool] = True


class Registry:
    """Stands for workloads.registry."""

    def __init__(self) -> None:
        self._all: dict[str, Any] = {kind.name: kind for kind in (Spin, Roll, Pass, Echo)}

    def names(self) -> list[str]:
        return list(self._all)

    def load(self, name: str) -> Workload:
        found: Workload = self._all[name]()
        return found


REGISTRY = Registry()
