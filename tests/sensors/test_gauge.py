"""One attribute as one channel."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from harness.results import Channel
from harness.sensors import gauge as module
from harness.sensors.contract import Reading
from harness.sensors.gauge import EMPTY, FAULT, Gauge, GaugeChip
from harness.sensors.plausibility import REPEAT

CHANNEL = Channel("key", "name", "°C", "hwmon")


def _chip(path: Path, fault: Path | None = None, cache_seconds: float = 0.0) -> GaugeChip:
    gauge = Gauge(CHANNEL, path, divisor=1_000, fault=fault)
    return GaugeChip("chip", [gauge], cache_seconds=cache_seconds)


def _only(chip: GaugeChip, now: float = 0.0) -> Reading:
    (reading,) = chip.read(now)
    return reading


def test_a_whole_number_is_scaled_exactly(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("45300\n")
    assert _only(_chip(tmp_path / "a")).value == 45.3


@pytest.mark.parametrize("text", ["nan", "4.5", "", "abc\x1b[0m", "9" * 47, "9" * 4000, "0x10"])
def test_what_is_no_number_a_sensor_gives_is_missing_or_doubted(tmp_path: Path, text: str) -> None:
    (tmp_path / "a").write_text(text)
    reading = _only(_chip(tmp_path / "a"))
    assert reading.value is None or reading.flag
    assert (reading.reason or reading.flag).isprintable()


def test_an_empty_read_says_so_and_recovers(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_text("")
    chip = _chip(path)
    assert _only(chip).reason == EMPTY
    path.write_text("1000")
    assert _only(chip).value == 1.0
    chip.close()


def test_an_errno_becomes_the_reason_and_the_file_is_looked_for_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a").write_text("1000")
    chip = _chip(tmp_path / "a")
    for code in (errno.EIO, errno.ENODEV, errno.ENODATA, errno.EAGAIN):

        def fail(*_: object, code: int = code) -> bytes:
            raise OSError(code, "said the driver")

        with monkeypatch.context() as patch:
            patch.setattr(module, "pread", fail)
            reading = _only(chip)
        assert reading.value is None
        assert reading.reason == f"{errno.errorcode[code]}: said the driver"
        assert _only(chip).value == 1.0
    chip.close()


def test_a_fault_flag_hides_the_value(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("45000")
    (tmp_path / "fault").write_text("1\n")
    chip = _chip(tmp_path / "a", tmp_path / "fault")
    assert _only(chip).reason == FAULT
    assert _only(chip, 1.0).reason == FAULT
    (tmp_path / "fault").write_text("0\n")
    assert _only(chip, 2.0).value == 45.0
    (tmp_path / "fault").unlink()
    assert _only(chip, 3.0).value == 45.0
    chip.close()


def test_values_within_the_drivers_cache_time_are_known_as_repeats(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_text("45000")
    chip = _chip(path, cache_seconds=1.5)
    flags = [_only(chip, at).flag for at in (0.0, 0.5, 1.0, 1.5, 2.0)]
    assert flags == ["", REPEAT, REPEAT, "", REPEAT]
    path.write_text("46000")
    assert _only(chip, 2.1).flag == ""


def test_an_input_that_fails_to_zero_is_doubted_and_a_cold_one_is_not(tmp_path: Path) -> None:
    path = tmp_path / "a"
    flags = []
    chip = _chip(path)
    for text in ("3000", "0", "-1000", "64000", "0"):
        path.write_text(text)
        flags.append(_only(chip).flag[:11])
    assert flags == ["", "", "", "", "implausible"]
    chip.close()


def test_a_repeated_implausible_value_stays_implausible(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("127000")
    chip = _chip(tmp_path / "a", cache_seconds=1.5)
    assert _only(chip, 0.0).flag == _only(chip, 0.1).flag != ""


def test_an_unchanged_chip_gives_the_very_list_it_gave_before(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_text("45000")
    chip = _chip(path)
    first = chip.read(0.0)
    assert chip.read(1.0) is first
    path.write_text("46000")
    assert chip.read(2.0) is not first
    assert first[0].value == 45.0


def test_a_chip_reads_all_and_flags_a_dead_bus(tmp_path: Path) -> None:
    gauges = []
    for index in range(3):
        (tmp_path / str(index)).write_text("0")
        channel = Channel(str(index), str(index), "V", "hwmon")
        gauges.append(Gauge(channel, tmp_path / str(index), divisor=1_000))
    chip = GaugeChip("chip", gauges)
    assert all("end of scale" in reading.flag for reading in chip.read(0.0))
    assert all("end of scale" in reading.flag for reading in chip.read(0.5))
    (tmp_path / "1").write_text("1200")
    assert [reading.flag for reading in chip.read(1.0)] == ["", "", ""]
    chip.close()
