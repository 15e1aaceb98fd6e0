"""Lines of the kernel log, read through a stand-in for /dev/kmsg."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.sensors import kernel_log
from harness.sensors.kernel_log import KernelLogChip, KernelLogSource, parse_record


class Log:
    """What a descriptor of the log would give: records, then EAGAIN; errors in between."""

    def __init__(self) -> None:
        self.replies: list[bytes | int] = []

    def read(self, descriptor: int, size: int) -> bytes:
        if not self.replies:
            raise BlockingIOError(errno.EAGAIN, "nothing more")
        reply = self.replies.pop(0)
        if isinstance(reply, int):
            raise OSError(reply, os.strerror(reply))
        return reply


@pytest.fixture
def log(monkeypatch: pytest.MonkeyPatch) -> Iterator[Log]:
    fake = Log()
    with monkeypatch.context() as patch:
        patch.setattr(kernel_log, "open_at_end", lambda path: os.open(os.devnull, os.O_RDONLY))
        patch.setattr(kernel_log.os, "read", fake.read)
        yield fake


def _record(sequence: int, text: str) -> bytes:
    return f"4,{sequence},{sequence * 1000},-;{text}\n SUBSYSTEM=x\n".encode()


def test_only_lines_of_failing_hardware_count(log: Log) -> None:
    chip = KernelLogChip(Path("kmsg"))
    log.replies = [
        _record(1, "usb 1-1: new device"),
        _record(2, "mce: [Hardware Error]: CPU 3: Machine Check: 0 Bank 5"),
        _record(3, "EDAC MC0: 1 CE memory read error on CPU_SrcID#0"),
    ]
    assert chip.read(7.0)[0].value == 2.0
    told = chip.take_incidents()
    assert [it.cpu for it in told] == [3, None]
    assert "Machine Check" in told[0].text
    assert chip.take_incidents() == []
    chip.close()


def test_overwritten_records_are_counted_and_reading_goes_on(log: Log) -> None:
    chip = KernelLogChip(Path("kmsg"))
    log.replies = [_record(10, "a"), errno.EPIPE, _record(15, "[Hardware Error]: x"), errno.EINVAL]
    reading = chip.read(0.0)[0]
    assert reading.value == 1.0
    assert reading.flag == "4 log records were overwritten unread"
    chip.close()


def test_a_flood_of_records_is_taken_in_parts(log: Log) -> None:
    chip = KernelLogChip(Path("kmsg"))
    log.replies = [_record(it, "[Hardware Error]: x") for it in range(1200)]
    counts = [chip.read(float(it))[0].value for it in range(3)]
    assert counts == [500.0, 1000.0, 1200.0]
    chip.close()


def test_another_failure_is_a_missing_value(log: Log) -> None:
    chip = KernelLogChip(Path("kmsg"))
    log.replies = [errno.EIO]
    assert chip.read(0.0)[0].reason.startswith("EIO")


@given(st.binary(max_size=200))
def test_any_bytes_are_a_record_or_none(raw: bytes) -> None:
    record = parse_record(raw)
    assert record is None or record.sequence >= 0


def test_a_log_that_may_not_be_read_is_told_with_a_remedy(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def refuse(path: Path) -> int:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(kernel_log, "open_at_end", refuse)
    found = KernelLogSource().discover(tmp_path)
    assert "dmesg_restrict" in found.hints[0].text
    assert found.chips == ()


def test_an_ordinary_file_or_fifo_in_its_place_is_refused(tmp_path: Path) -> None:
    (tmp_path / "dev").mkdir()
    os.mkfifo(tmp_path / "dev/kmsg")
    found = KernelLogSource().discover(tmp_path)
    assert found.chips == ()
    assert "not the kernel log" in found.absent[0].absent_reason
