"""Who watches a run from the terminal that started it: a live view, or plain lines.

Both draw in a thread of their own. A terminal that stops taking output (scroll lock, a lost
connection) must never hold up the parent, whose heartbeat keeps the lanes working.
"""

from __future__ import annotations

import contextlib
import queue
import sys
import threading
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from harness.cli.plain import visible
from harness.observing import Observer, Snapshot
from harness.results import (
    Event,
    EventKind,
    Failure,
    LoadInfo,
    SafetyStop,
    SoakData,
    TrialData,
)

if TYPE_CHECKING:
    from rich.live import Live

_DRAW_SECONDS = 0.25
_MOST_WAITING = 1000
_QUIET_KINDS = {EventKind.LOAD_STARTED, EventKind.LOAD_ENDED, EventKind.RUN_STARTED}


@contextlib.contextmanager
def watching(quiet: bool = False) -> Iterator[Observer]:
    """The observer that suits where stderr goes; stdout stays free for the result."""
    observer: _Drawn
    observer = LiveView() if sys.stderr.isatty() and not quiet else PlainLines()
    observer.start()
    try:
        yield observer
    finally:
        observer.stop()


class _Drawn(threading.Thread):
    """An observer with a thread that does the talking; a full queue drops lines, never blocks."""

    def __init__(self) -> None:
        super().__init__(name="view", daemon=True)
        self._items: queue.Queue[object] = queue.Queue(_MOST_WAITING)
        self._snapshot: Snapshot | None = None
        self._stop_asked = threading.Event()
        self._loads: dict[int, LoadInfo] = {}
        self._notes: queue.SimpleQueue[str] = queue.SimpleQueue()

    def begun(self, run_id: str, folder: str) -> None:
        """See `Observer`."""
        self._offer(f"run {run_id} in {folder}")

    def stored(self, item: object) -> None:
        """See `Observer`."""
        self._offer(item)

    def snapshot(self, now: Snapshot) -> None:
        """See `Observer`."""
        self._snapshot = now

    def notes(self) -> tuple[str, ...]:
        """See `Observer`."""
        found = []
        with contextlib.suppress(queue.Empty):
            while True:
                found.append(self._notes.get_nowait())
        return tuple(found)

    def stop(self) -> None:
        """Draw what is left and end, unless the terminal does not take it."""
        self._stop_asked.set()
        self.join(timeout=2.0)

    def _offer(self, item: object) -> None:
        with contextlib.suppress(queue.Full):
            self._items.put_nowait(item)

    def _waiting_lines(self) -> Iterator[str]:
        with contextlib.suppress(queue.Empty):
            while True:
                item = self._items.get_nowait()
                if isinstance(item, LoadInfo):
                    self._loads[item.number] = item
                line = describe(item, self._loads)
                if line:
                    yield visible(line)


class PlainLines(_Drawn):
    """One line for each thing that happened; for logs and pipes."""

    def run(self) -> None:
        """The thread."""
        while not self._stop_asked.wait(_DRAW_SECONDS):
            self._print()
        self._print()

    def _print(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            for line in self._waiting_lines():
                print(line, file=sys.stderr, flush=True)  # noqa: T201


class LiveView(_Drawn):
    """The picture on a terminal, with a key for notes."""

    def run(self) -> None:
        """The thread."""
        from rich.console import Console
        from rich.live import Live

        from harness.cli.keys import Keyboard

        console = Console(stderr=True, highlight=False)
        with (
            contextlib.suppress(OSError, ValueError),
            Keyboard() as keyboard,
            Live(console=console, auto_refresh=False, transient=True) as live,
        ):
            while not self._stop_asked.is_set():
                keyboard.wait(_DRAW_SECONDS)
                for text in keyboard.finished_lines():
                    self._notes.put(text)
                self._draw(live, keyboard.prompt())
            self._draw(live, "")

    def _draw(self, live: Live, prompt: str) -> None:
        from harness.cli.picture import picture

        for line in self._waiting_lines():
            live.console.print(line, markup=False)
        if self._snapshot is not None:
            live.update(picture(self._snapshot, prompt), refresh=True)


def describe(item: object, loads: Mapping[int, LoadInfo]) -> str:
    """One line for people, empty for what is not worth one; `loads` are those told so far."""
    from harness.cli.verdicts import failure_line
    from harness.units import duration, elapsed

    match item:
        case str():
            return item
        case Failure():
            return f"FAILURE {failure_line(item).strip()}"
        case SafetyStop(reaction_seconds=None):
            return (
                f"[{elapsed(item.at_seconds)}] STOPPED BY THE GUARD: {item.channel} reached "
                f"{item.value:g} {item.unit}, limit {item.limit:g} {item.unit} ({item.whose})"
            )
        case SafetyStop():  # it was told when it came; now the lanes have answered
            taken = duration(item.reaction_seconds or 0.0)
            return f"[{elapsed(item.at_seconds)}] load off on every lane {taken} later"
        case Event() if item.kind not in _QUIET_KINDS:
            return f"[{elapsed(item.at_seconds)}] {item.kind}: {item.text}"
        case TrialData():
            return f"[{elapsed(item.ended_seconds)}] {_trial_words(item, loads)}"
        case SoakData() if item.complete:
            verified = sum(lane.verified for lane in item.lanes)
            name = loads[item.load].name if item.load in loads else item.workload
            when = elapsed(item.ended_seconds)
            return f"[{when}] {name} ({item.pattern}): {verified} passes verified"
    return ""


def _trial_words(trial: TrialData, loads: Mapping[int, LoadInfo]) -> str:
    from harness.judgement.throughput import measured_value, value_unit
    from harness.units import quantity

    load = loads.get(trial.load)
    if load is None:
        return f"trial {trial.round} of {trial.workload}"
    value = measured_value(trial, load)
    shown = "no work done" if value is None else quantity(value, value_unit(load))
    return f"trial {trial.round} of {load.name}: {shown}{'' if trial.valid else ', NOT VALID'}"
