"""The numeric workloads in sizes that tests can afford, and flips between a pass's stages."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from bit_flips import FLIPS, Campaign, flip_within

from workloads import registry
from workloads.contract import Task, Value, Workload
from workloads.faults import choose_flip


@dataclass(frozen=True)
class Load:
    """A workload by name, and small parameters for it."""

    name: str
    small: dict[str, Value]

    def workload(self) -> Workload:
        return registry.load(self.name)

    def task(self, seed: int = 1) -> Task:
        workload = self.workload()
        return workload.prepare(workload.complete(self.small), seed)


LOADS = (
    Load("matmul-fp64", {"n": 64}),
    Load("matmul-fp32", {"n": 96}),
    Load("matmul-fp64-normal", {"n": 96}),
    Load("matmul-fp32-normal", {"n": 64}),
    Load("lu-solve", {"n": 96}),
    Load("fma-fp64", {"steps": 1024}),
    Load("fma-fp32", {"steps": 1024}),
    Load("fft-fp64", {"points": 256, "round_trips": 4}),
    Load("fft-fp32", {"points": 64, "round_trips": 8}),
    Load("ntt", {"points": 64, "convolutions": 8}),
    Load("heat-stencil", {"intervals": 32, "steps": 32}),
    Load("conjugate-gradient", {"intervals": 24, "iterations": 72}),
    Load("path-tracer", {"width": 16, "height": 12, "samples": 2, "spheres": 6}),
)
BY_NAME = {load.name: load for load in LOADS}


def flip_between_stages(task: Task, role: str, flips: int = FLIPS, seed: int = 4) -> Campaign:
    """One flip in a buffer of `role` at a random point between two stages of a pass."""

    def disturbed_pass(rng: Random) -> None:
        stages = task.stages()
        point = rng.randrange(1, len(stages))
        for stage in stages[:point]:
            stage()
        choose_flip(task, rng, role).apply(task)
        for stage in stages[point:]:
            stage()

    return flip_within(task, disturbed_pass, flips, seed)
