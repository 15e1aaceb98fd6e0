"""Simulated power cuts: the record lies on ext4 in an image file; the writer is stopped, the image
is copied as it is at that moment, and the copy is mounted as after a restart. What was only in the
kernel's memory is lost that way, as it is when the power goes.

Oracle: what was acknowledged before the cut. RIGPROOF_CUTS says how often (`make faults`).
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from harness.clock import SYSTEM
from harness.record.database import RECORD_NAME, Database
from harness.record.endings import LossCause, close_lost_runs
from harness.record.reader import NO_END_EVENT, read_run

from record_nursery import Nursery, kept  # isort: skip

CUTS = int(os.environ.get("RIGPROOF_CUTS", "3"))
IMAGE_BYTES = 24 << 20
RUN_ID = "20260921T141320Z-power-0000"


def called(*words: str | Path) -> None:
    subprocess.run([str(word) for word in words], check=True, capture_output=True)


@contextmanager
def mounted(image: Path, place: Path) -> Iterator[Path]:
    place.mkdir(exist_ok=True)
    called("mount", "-o", "loop", image, place)
    try:
        yield place
    finally:
        called("umount", place)


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """An empty ext4 file system in a file, or a skip where this machine cannot mount one."""
    if shutil.which("mkfs.ext4") is None or not hasattr(os, "geteuid") or os.geteuid() != 0:
        pytest.skip("a simulated power cut needs root, mkfs.ext4 and loop devices")
    path = tmp_path / "disk.img"
    with path.open("wb") as file:
        file.truncate(IMAGE_BYTES)
    called("mkfs.ext4", "-q", "-F", path)
    try:
        with mounted(path, tmp_path / "try"):
            pass
    except subprocess.CalledProcessError as error:
        pytest.skip(f"this machine mounts no loop device: {error.stderr!r}")
    return path


def test_nothing_acknowledged_is_lost_by_power_cuts(tmp_path: Path, image: Path) -> None:
    chance = random.Random(20260922)
    runs = mounted(image, tmp_path / "disk")
    with runs as disk, Nursery() as nursery:
        child = nursery.start(disk / RUN_ID, 1)
        acknowledged: set[int] = set()
        for cut in range(CUTS):
            acknowledged.update(nursery.acknowledged(chance.randrange(1, 15)))
            # Half of the cuts follow an acknowledgement at once, half come anywhere.
            SYSTEM.sleep(chance.choice((0.0, chance.random() * 0.01)))
            os.kill(child, signal.SIGSTOP)
            acknowledged.update(nursery.acknowledged_by_now())
            copy = tmp_path / f"cut-{cut}.img"
            shutil.copyfile(image, copy)
            os.kill(child, signal.SIGCONT)
            _check_after_restart(copy, tmp_path / "after", acknowledged)
            copy.unlink()
        nursery.kill(child)


def _check_after_restart(copy: Path, place: Path, acknowledged: set[int]) -> None:
    with mounted(copy, place) as disk:
        folder = disk / RUN_ID
        run = read_run(folder)
        assert acknowledged <= kept(run)
        assert run.banners == (NO_END_EVENT,)
        database = Database.open_for_reading(folder / RECORD_NAME)
        assert list(database.query("PRAGMA integrity_check")) == [("ok",)]
        database.close()
        (lost,) = close_lost_runs(disk, SYSTEM, "boot-after", lambda _: False)
        assert (lost.cause, lost.closed) == (LossCause.MACHINE_RESTARTED, True)
        assert acknowledged <= kept(read_run(folder))
