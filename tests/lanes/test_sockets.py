"""A folder for temporary files with a long name does not keep the template from its socket.

Oracle: the system itself, which binds an address or says that it is too long.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from harness.errors import BrokenEnvironment
from harness.lanes import sockets
from harness.lanes.sockets import choose_socket_folder

HERE = Path(__file__).resolve().parents[2]
CHILD = """
import multiprocessing, os, tempfile
from harness.lanes.team import context
from harness.lanes.starting import start_process
from harness.lanes.patience import Patience

if __name__ == "__main__":
    before = tempfile.gettempdir()
    child = context([]).Process(target=os.getpid)
    start_process(child, Patience())
    child.join()
    assert child.exitcode == 0, child.exitcode
    assert tempfile.gettempdir() == before
    print(multiprocessing.util.get_temp_dir())
"""


@pytest.fixture
def long_place(tmp_path: Path) -> Path:
    """A folder whose name leaves no room for a socket's."""
    place = tmp_path / ("a" * 60) / ("b" * 60)
    place.mkdir(parents=True)
    return place


def test_a_template_starts_below_a_long_name_and_its_folder_goes_with_the_process(
    long_place: Path,
) -> None:
    done = subprocess.run(
        [sys.executable, "-c", CHILD],
        env={**os.environ, "TMPDIR": str(long_place), "PYTHONPATH": str(HERE)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    used = Path(done.stdout.strip())
    assert used.parent in {Path(place) for place in sockets._SHORT_PLACES}
    assert not used.exists()
    assert list(long_place.iterdir()) == []


def test_without_a_short_place_the_refusal_says_how_long_and_what_to_set(
    long_place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(long_place))
    size = len(os.fsencode(long_place))
    with pytest.raises(BrokenEnvironment, match=f"TMPDIR is {size} bytes long.*shorter folder"):
        choose_socket_folder(short_places=[str(long_place), "/nowhere/at/all"])


def test_a_usual_place_is_left_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[str] = []
    monkeypatch.setattr(sockets, "_make_folder_in", made.append)
    monkeypatch.setattr(tempfile, "tempdir", "/tmp")
    choose_socket_folder()
    assert made == []
