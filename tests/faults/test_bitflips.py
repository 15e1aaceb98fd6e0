"""Random single-bit flips in every workload: all that change a result are caught.

Flips in a result are followed by its digest, which must differ, without exception. Flips in inputs
and intermediates come at rest (before a pass) and in mid-pass; many of them cannot change a result
(overwritten before they are read, or read before they come), so their rate is measured and printed
rather than demanded. What is demanded: no pass whose result differs from the right one byte for
byte may keep the right digest. They run in a forked child: a flip may crash or hang a pass, which a
lane would report as its death.

``RIGPROOF_FLIPS`` is the number of flips for each workload and role; where it is set every one is
made and the rates are printed, else a few that fit into the time of the suite.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
import time
import warnings
from collections import Counter
from collections.abc import Iterator
from random import Random
from typing import Any

import numpy as np
import pytest

from workloads import registry
from workloads.contract import PairContext, PairedWorkload, Task
from workloads.faults import Flip, choose_flip, kinds

SEED = 1
CAMPAIGN = "RIGPROOF_FLIPS" in os.environ
FLIPS = int(os.environ.get("RIGPROOF_FLIPS", "12"))
#: Without a campaign, a workload and role get as many flips as fit into this time, three at least.
BUDGET_SECONDS = 0.15
#: A wrong intermediate may show one or two passes later (a window whose turn comes).
PASSES_WATCHED = 3
HANG_SECONDS = 30.0

CAUGHT, HARMLESS, MISSED, RAISED = "caught", "harmless", "missed", "raised an error"
DIED, HUNG = "died", "hung"
GIVEN: dict[str, dict[str, Any]] = {
    "command": {"argv": (sys.executable, "-S", "-c", "print('as always')"), "check": "output"}
}


class Rig:
    """One lane's task, or both ends of a pair, with what a right pass gives."""

    def __init__(self, name: str) -> None:
        self.workload = registry.load(name)
        given = {**GIVEN.get(name, {}), **self.workload.small}
        self.parameters = self.workload.complete(given)
        self.workload.warm()
        self.ends = self._build()
        began = time.perf_counter()
        self.execute()
        self.pass_seconds = time.perf_counter() - began
        self.right = self.task.digest()
        self.results = self._results()

    @property
    def task(self) -> Task:
        return self.ends[0]

    def _build(self) -> list[Task]:
        if not isinstance(self.workload, PairedWorkload):
            return [self.workload.prepare(self.parameters, SEED)]
        shared = np.zeros(128, np.uint64)
        contexts = (PairContext(shared, end) for end in (0, 1))
        return [self.workload.prepare_pair(self.parameters, SEED, each) for each in contexts]

    def rebuild(self) -> None:
        self.close()
        self.ends = self._build()
        self.execute()

    def execute(self) -> None:
        others = [threading.Thread(target=end.execute) for end in self.ends[1:]]
        for other in others:
            other.start()
        self.task.execute()
        for other in others:
            other.join()

    def digests_are_right(self) -> bool:
        return all(end.digest() == self.right for end in self.ends)

    def _results(self) -> dict[str, bytes]:
        buffers = self.task.buffers().items()
        return {name: array.tobytes() for name, array in buffers if name.startswith("result")}

    def results_are_right(self) -> bool:
        return self._results() == self.results

    def close(self) -> None:
        for end in self.ends:
            end.close()


@pytest.fixture(scope="module", params=registry.names())
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    availability = registry.load(request.param).availability()
    if not availability.available:
        assert availability.reason
        pytest.skip(f"{request.param} is not available here: {availability.reason}")
    made = Rig(request.param)
    yield made
    made.close()


def flips_for(rig: Rig, each_seconds: float) -> int:
    if CAMPAIGN:
        return FLIPS
    return max(3, min(FLIPS, int(BUDGET_SECONDS / max(each_seconds, 1e-6))))


def chosen(rig: Rig, role: str, number: int) -> Flip:
    """Flip `number`: the kinds of bit take turns, the place is drawn from the number."""
    rng = Random(f"{rig.workload.name} {role} {number}")
    available = kinds(rig.task, role)
    return choose_flip(rig.task, rng, role, available[number % len(available)])


def test_every_flip_in_a_result_is_caught(rig: Rig, capsys: pytest.CaptureFixture[str]) -> None:
    rig.execute()
    began = time.perf_counter()
    assert rig.digests_are_right()
    count = flips_for(rig, 2 * (time.perf_counter() - began))
    for number in range(count):
        flip = chosen(rig, "result", number)
        flip.apply(rig.task)
        assert rig.task.digest() != rig.right, flip
        flip.apply(rig.task)
        assert rig.task.digest() == rig.right, flip
    tell(capsys, rig, "result", Counter({CAUGHT: count}))


@pytest.mark.parametrize("role", ["input", "intermediate"])
def test_no_flip_in_what_leads_to_a_result_changes_it_unseen(
    rig: Rig, role: str, capsys: pytest.CaptureFixture[str]
) -> None:
    if not kinds(rig.task, role):
        assert not any(name.startswith(role) for name in rig.task.buffers())
        return
    count = flips_for(rig, 2 * rig.pass_seconds)
    outcomes = campaign(rig, role, count)
    tell(capsys, rig, role, outcomes)
    assert outcomes.total() == count
    assert outcomes[MISSED] == 0


def tell(capsys: pytest.CaptureFixture[str], rig: Rig, role: str, outcomes: Counter[str]) -> None:
    total = outcomes.total()
    shares = ", ".join(f"{word} {100 * outcomes[word] / total:.1f} %" for word in outcomes)
    text = f"\n{rig.workload.name} {role}: {total} flips: {shares}"
    if CAMPAIGN:
        with capsys.disabled():
            sys.stdout.write(text)
    else:
        sys.stdout.write(text)


# --- flips that may crash a pass: in a forked child, which tells the outcome of each ------------


def campaign(rig: Rig, role: str, count: int) -> Counter[str]:
    outcomes: Counter[str] = Counter()
    number = 0
    while number < count:
        told, end = in_child(rig, role, range(number, count))
        outcomes.update(told)
        number += len(told)
        if number < count:
            outcomes[end] += 1
            number += 1
    return outcomes


def in_child(rig: Rig, role: str, numbers: range) -> tuple[list[str], str]:
    """Outcomes of the flips until the child ended, and how it ended if it was too early."""
    reading, writing = os.pipe()
    with warnings.catch_warnings():
        # CPython warns of threads at a fork; those of the libraries are idle here.
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        os.close(reading)
        run_child(rig, role, numbers, writing)
    os.close(writing)
    told, hung = listen(reading, len(numbers))
    os.close(reading)
    if hung:
        os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return told, HUNG if hung else DIED


def listen(reading: int, expected: int) -> tuple[list[str], bool]:
    told: list[str] = []
    words = {word[0].encode(): word for word in (CAUGHT, HARMLESS, MISSED, RAISED)}
    while len(told) < expected:
        ready, _, _ = select.select([reading], [], [], HANG_SECONDS)
        if not ready:
            return told, True
        letter = os.read(reading, 1)
        if not letter:
            break
        told.append(words[letter])
    return told, False


def run_child(rig: Rig, role: str, numbers: range, writing: int) -> None:
    """Never returns: the child must not go on with the test session."""
    status = 1
    try:
        warnings.simplefilter("ignore")  # a flipped number may well overflow
        for number in numbers:
            os.write(writing, outcome_of(rig, role, number)[0].encode())
        status = 0
    finally:
        os._exit(status)


def outcome_of(rig: Rig, role: str, number: int) -> str:
    flip = chosen(rig, role, number)
    try:
        outcome = watch_passes(rig, flip, role, mid_pass=number % 2 == 1, number=number)
    except Exception:  # noqa: BLE001 - a lane reports whatever a pass raises
        outcome = RAISED
    recover(rig, flip, role)
    return outcome


def watch_passes(rig: Rig, flip: Flip, role: str, *, mid_pass: bool, number: int) -> str:
    if mid_pass:
        delay = Random(number).random() * rig.pass_seconds
        timer = threading.Timer(delay, flip.apply, (rig.task,))
        timer.start()
        rig.execute()
        timer.join()
    else:
        flip.apply(rig.task)
        rig.execute()
    passes = 1
    while rig.digests_are_right():
        if not rig.results_are_right():
            return MISSED
        if passes == PASSES_WATCHED or (role == "input" and not mid_pass):
            return HARMLESS
        rig.execute()
        passes += 1
    return CAUGHT


def recover(rig: Rig, flip: Flip, role: str) -> None:
    """Leave the task as it was: inputs are restored, the rest comes right by passes."""
    if role == "input":
        flip.apply(rig.task)
    for _ in range(PASSES_WATCHED):
        try:
            rig.execute()
        except Exception:  # noqa: BLE001 - as above; a new task is made below
            break
        if rig.digests_are_right():
            return
    rig.rebuild()
