"""The rig obeys its own model, and its tree reads like a machine's."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from harness.sensors.catalogue import discover
from tests.simulated_rig import Fault, RigModel, make_rig


def test_heating_follows_the_closed_form_of_a_first_order_system() -> None:
    model = RigModel(throttle_celsius=500.0)
    start = model.sink_celsius
    for _ in range(100):
        model.step(1.0, 0.2)
    target = 25.0 + 0.40 * 110.0
    expected = target + (start - target) * math.exp(-20.0 / 20.0)
    assert model.sink_celsius == pytest.approx(expected)
    assert model.die_celsius == pytest.approx(expected + 0.15 * 110.0)


def test_energy_is_the_integral_of_power() -> None:
    model = RigModel()
    for load in (0.0, 0.5, 1.0):
        model.step(load, 2.0)
    assert model.energy_uj == pytest.approx((12 + 61 + 110) * 2.0 * 1e6)


def test_a_hot_die_throttles_and_counts_each_beginning() -> None:
    model = RigModel(throttle_celsius=60.0, time_constant_seconds=1.0)
    for _ in range(300):
        model.step(1.0, 0.1)
    assert model.throttle_count > 1
    assert 0 < model.throttle_ms < 30_000


def test_the_tree_shows_the_models_state_in_the_right_roles(tmp_path: Path) -> None:
    rig = make_rig(tmp_path)
    for _ in range(50):
        rig.advance(1.0, 0.1)
    catalogue = discover(tmp_path)
    readings = {it.channel: it.value for chip in catalogue.chips for it in chip.read(1.0)}
    by_role = {it.role: readings[it.key] for it in reversed(catalogue.channels) if it.role}
    model = rig.board.model
    assert by_role["cpu_temperature"] == pytest.approx(model.die_celsius, abs=1e-3)
    assert by_role["core_clock"] == pytest.approx(model.clock_hz)
    assert by_role["fan_speed"] == pytest.approx(model.fan_rpm, abs=1)
    assert by_role["core_voltage"] == pytest.approx(1.24)


def test_faults_happen_at_their_time_and_in_order(tmp_path: Path) -> None:
    rig = make_rig(tmp_path, faults=[Fault(2.0, "fail_fan"), Fault(1.0, "correct_an_error", 3)])
    rig.advance(0.0, 1.5)
    assert (rig.board.model.corrected_errors, rig.board.model.fan_failed) == (3, False)
    rig.advance(0.0, 1.0)
    assert rig.board.model.fan_failed
