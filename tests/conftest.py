"""What all tests share: a machine lock and scratch folders of their own, no orphans left behind,
nothing that depends on how busy the machine is."""

from __future__ import annotations

import signal
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from harness.record.places import SHARED_FOLDER_VARIABLE

# How long an example takes says how busy the machine is, and nothing of what is tested.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


@pytest.fixture(scope="session", autouse=True)
def _one_thread_of_linear_algebra() -> Iterator[None]:
    """Workers that multiply with every core at once wait for each other most of the time; what
    tests start has threads as users have them."""
    import scipy.linalg  # noqa: F401 - limits hold for libraries that are loaded
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        yield


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
def _own_temporary_folder() -> Iterator[None]:
    """Runs on one machine share a folder with the lock of the one that is under way: tests, and the
    processes that they start, take one of their own, so that they neither wait for another run here
    (or another worker's tests) nor disturb it."""
    from multiprocessing.util import get_temp_dir

    get_temp_dir()  # its own folder lives longer than ours: let it be made elsewhere
    # A short path: sockets of multiprocessing lie below it, and their names may not be long.
    folder = tempfile.mkdtemp(prefix="rp-")
    with pytest.MonkeyPatch.context() as patch:
        for variable in ("TMPDIR", SHARED_FOLDER_VARIABLE):
            patch.setenv(variable, folder)
        tempfile.tempdir = None
        yield
    tempfile.tempdir = None


@pytest.fixture
def runs_dir(tmp_path: Path) -> Path:
    """An empty runs folder."""
    folder = tmp_path / "runs"
    folder.mkdir()
    return folder
