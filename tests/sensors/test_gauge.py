"""One attribute as one channel."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from harness.results import Channel
from harness.sensors import files
from harness.sensors.files import Attribute
from harness.sensors.gauge import EMPTY, FAULT, Gauge, GaugeChip
from harness.sensors.plausibility import REPEAT

CHANNEL = Channel("key", "name", "°C", "hwmon")


def _gauge(path: Path, **options: object) -> Gauge:
    return Gauge(CHANNEL, Attribute(path), divisor=1_000, **options)  # type: ignore[arg-type]


def test_a_whole_number_is_scaled_exactly(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("45300\n")
    assert _gauge(tmp_path / "a").read(0.0).value == 45.3


@pytest.mark.parametrize("text", ["nan", "4.5", "", "abc\x1b[0m", "9" * 4000, "0x10"])
def test_what_is_no_whole_number_is_missing_with_a_reason(tmp_path: Path, text: str) -> None:
    (tmp_path / "a").write_text(text)
    reading = _gauge(tmp_path / "a").read(0.0)
    assert reading.value is None
    assert reading.reason
    assert reading.reason.isprintable()


def test_an_empty_read_says_so_and_recovers(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_text("")
    gauge = _gauge(path)
    assert gauge.read(0.0).reason == EMPTY
    path.write_text("1000")
    assert gauge.read(1.0).value == 1.0


def test_an_errno_becomes_the_reason(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a").write_text("1000")
    gauge = _gauge(tmp_path / "a")
    for code in (errno.EIO, errno.ENODEV, errno.ENODATA, errno.EAGAIN):

        def fail(*_: object, code: int = code) -> bytes:
            raise OSError(code, "said the driver")

        with monkeypatch.context() as patch:
            patch.setattr(files, "pread", fail)
            reading = gauge.read(0.0)
        assert reading.value is None
        assert reading.reason == f"{errno.errorcode[code]}: said the driver"
    assert gauge.read(0.0).value == 1.0


def test_a_fault_flag_hides_the_value(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("45000")
    (tmp_path / "fault").write_text("1\n")
    gauge = _gauge(tmp_path / "a", fault=Attribute(tmp_path / "fault"))
    assert gauge.read(0.0).reason == FAULT
    (tmp_path / "fault").write_text("0\n")
    assert gauge.read(0.0).value == 45.0


def test_values_within_the_drivers_cache_time_are_known_as_repeats(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_text("45000")
    gauge = _gauge(path, cache_seconds=1.5)
    flags = [gauge.read(at).flag for at in (0.0, 0.5, 1.0, 1.5, 2.0)]
    assert flags == ["", REPEAT, REPEAT, "", REPEAT]
    path.write_text("46000")
    assert gauge.read(2.1).flag == ""


def test_a_repeated_implausible_value_stays_implausible(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("127000")
    gauge = _gauge(tmp_path / "a", cache_seconds=1.5)
    assert gauge.read(0.0).flag == gauge.read(0.1).flag != ""


def test_a_chip_reads_all_and_flags_a_dead_bus(tmp_path: Path) -> None:
    gauges = []
    for index in range(3):
        (tmp_path / str(index)).write_text("0")
        channel = Channel(str(index), str(index), "V", "hwmon")
        gauges.append(Gauge(channel, Attribute(tmp_path / str(index)), divisor=1_000))
    chip = GaugeChip("chip", gauges)
    assert all("end of scale" in reading.flag for reading in chip.read(0.0))
    (tmp_path / "1").write_text("1200")
    assert [reading.flag for reading in chip.read(1.0)] == ["", "", ""]
    chip.close()
