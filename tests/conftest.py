"""What all tests share: a machine lock and scratch folders of their own, no orphans left behind."""

from __future__ import annotations

import os
import signal
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture(scope="session", autouse=True)
def _interruptible() -> None:
    """A shell ignores SIGINT on behalf of what it starts in the background, nohup(1) SIGHUP, and
    children inherit that. The runs that tests interrupt must hear both wherever the suite was
    started."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    hangup = getattr(signal, "SIGHUP", None)  # Windows has none
    if hangup is not None and signal.getsignal(hangup) is signal.SIG_IGN:
        signal.signal(hangup, signal.SIG_DFL)


@pytest.fixture(scope="session", autouse=True)
def _own_temporary_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The lock of one run a machine lies in the temporary folder: tests take one of their own, so
    that they neither wait for a run on the same machine nor disturb it."""
    from multiprocessing.util import get_temp_dir

    get_temp_dir()  # its own folder lives longer than ours: let it be made elsewhere
    # A short path: sockets of multiprocessing lie below it, and their names may not be long.
    before, folder = os.environ.get("TMPDIR"), Path(tempfile.mkdtemp(prefix="rp-"))
    os.environ["TMPDIR"] = str(folder)
    tempfile.tempdir = None
    yield
    tempfile.tempdir = None
    if before is None:
        del os.environ["TMPDIR"]
    else:
        os.environ["TMPDIR"] = before


@pytest.fixture
def runs_dir(tmp_path: Path) -> Path:
    """An empty runs folder."""
    folder = tmp_path / "runs"
    folder.mkdir()
    return folder
