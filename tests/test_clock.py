"""Clocks: the manual one moves only when told, and labels are UTC."""

from __future__ import annotations

from harness.clock import SYSTEM, ManualClock, iso_utc, run_stamp


def test_the_manual_clock_moves_only_by_sleep_and_advance() -> None:
    clock = ManualClock()
    before = (clock.monotonic_ns(), clock.boot_ns(), clock.wall_ns())
    clock.sleep(1.5)
    clock.advance(0.5)
    after = (clock.monotonic_ns(), clock.boot_ns(), clock.wall_ns())
    assert [late - early for late, early in zip(after, before, strict=True)] == [2 * 10**9] * 3


def test_a_suspend_moves_boot_and_wall_but_not_the_measuring_clock() -> None:
    clock = ManualClock()
    monotonic, boot, wall = clock.monotonic_ns(), clock.boot_ns(), clock.wall_ns()
    clock.suspend(30)
    assert clock.monotonic_ns() == monotonic
    assert clock.boot_ns() - boot == clock.wall_ns() - wall == 30 * 10**9


def test_the_system_clocks_do_not_run_backwards() -> None:
    first, second = SYSTEM.monotonic_ns(), SYSTEM.monotonic_ns()
    assert second >= first
    assert SYSTEM.boot_ns() >= first


def test_labels_are_iso_8601_utc() -> None:
    # ISO 8601:2004, the instant of RFC 3339's example 1985-04-12T23:20:50.52Z
    assert iso_utc(482196050_520_000_000) == "1985-04-12T23:20:50.520Z"
    assert run_stamp(482196050_520_000_000) == "19850412T232050Z"
