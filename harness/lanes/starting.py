"""Starts the processes of a run from the template process, which may hang like any other."""

from __future__ import annotations

import contextlib
import sys
import types
from collections.abc import Iterator
from multiprocessing.process import BaseProcess
from typing import TYPE_CHECKING

from harness.clock import SYSTEM
from harness.errors import BrokenEnvironment
from harness.lanes.patience import Limit, Overdue, Patience

if TYPE_CHECKING:
    import psutil

#: How long the template may take to fork a process. Before its first one it imports the workloads
#: and compiles them where no compiled ones are kept, which costs its CPU time; one that uses none
#: is stopped or hangs.
TEMPLATE = Limit(20.0, 600.0)
_DEATH_LOOKS, _DEATH_LOOK_SECONDS = 100, 0.01


@contextlib.contextmanager
def no_main_module() -> Iterator[None]:
    """Keep multiprocessing from importing the parent's main script again in every child.

    The child's target is importable by itself; importing pytest or a command line there would
    cost each lane some hundred milliseconds and run foreign code in it.
    """
    main = sys.modules["__main__"]
    sys.modules["__main__"] = types.ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main


def start_process(process: BaseProcess, patience: Patience, limit: Limit | None = None) -> None:
    """Start `process`, within TEMPLATE where no `limit` is given.

    Raises BrokenEnvironment when the template does not fork it in time.
    """
    try:
        with patience.limited(limit or TEMPLATE, _end_templates, template_work), no_main_module():
            process.start()
    except Overdue as overdue:
        raise BrokenEnvironment(
            f"the template process gave {overdue} when {process.name} was to be forked from it, "
            "and was ended: it was stopped from outside, or a file that it reads hangs; run again"
        ) from overdue
    except (EOFError, ConnectionError) as error:
        raise BrokenEnvironment(
            f"the template process ended when {process.name} was to be forked from it "
            f"({type(error).__name__}): somebody killed it, or memory is short; run again"
        ) from error


def end_template() -> None:
    """Kill this process's template: its children, sampler and lanes, die with it.

    Raises nothing; where processes cannot be listed the template is left alone.
    """
    import psutil

    with contextlib.suppress(OSError, psutil.Error):
        _end_templates()


def _end_templates() -> None:
    """The same. Raises OSError or psutil.Error where processes cannot be listed just now."""
    import psutil

    for template in _templates():
        with contextlib.suppress(psutil.Error):
            template.kill()
            _await_death(template)


def _await_death(template: psutil.Process) -> None:
    """Until nothing connects to it any more; multiprocessing itself must take its exit status."""
    import psutil

    for _ in range(_DEATH_LOOKS):
        if template.status() == psutil.STATUS_ZOMBIE:
            return
        SYSTEM.sleep(_DEATH_LOOK_SECONDS)


def template_work() -> float:
    """CPU seconds that the template has used.

    Raises OSError or psutil.Error where processes cannot be looked at just now (no descriptor is
    free): a number made up for that would look like work.
    """
    import psutil

    used = 0.0
    for template in _templates():
        with contextlib.suppress(psutil.Error):
            times = template.cpu_times()
            used += times.user + times.system
    return used


def _templates() -> Iterator[psutil.Process]:
    """Children of this process that run multiprocessing's forkserver."""
    import psutil

    for child in psutil.Process().children():
        with contextlib.suppress(psutil.Error):
            if any("multiprocessing.forkserver" in word for word in child.cmdline()):
                yield child
