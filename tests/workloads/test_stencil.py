"""The heat stencil: golden from whole-array arithmetic, closed form, damping, flips."""

from __future__ import annotations

import numpy as np
import pytest
from bit_flips import FLIPS
from numeric_loads import BY_NAME, flip_between_stages
from numpy.typing import NDArray

from workloads.digest import fold
from workloads.stencil import DIFFUSION, Mode, Stencil, closed_form, decay, half_waves, modes


def oracle(plate: NDArray[np.float64], steps: int) -> NDArray[np.float64]:
    """The docstring's formula on whole arrays."""
    for _ in range(steps):
        middle = plate[1:-1, 1:-1]
        around = (plate[:-2, 1:-1] + plate[2:, 1:-1]) + (plate[1:-1, :-2] + plate[1:-1, 2:])
        plate = np.pad(middle + DIFFUSION * (around - 4.0 * middle), 1)
    return plate


def test_the_shipped_golden_is_whole_array_arithmetics() -> None:
    workload = Stencil()
    defaults = workload.complete({})
    task = workload.prepare(defaults, 1)
    assert fold(oracle(task.start, task.steps)) == workload.golden(defaults, 1)


@pytest.mark.parametrize("seed", range(1, 9))
def test_plates_follow_the_closed_form(seed: int) -> None:
    task = Stencil().prepare({"intervals": 64, "steps": 512}, seed)
    task.execute()
    (finding,) = task.invariants()
    assert finding.ok, finding.detail
    assert 0.0 < np.abs(task.plate).max() < np.abs(task.start).max()


def test_a_mode_decays_by_its_factor_in_every_step() -> None:
    mode = Mode(2, 5, 1.0)
    plate = closed_form((mode,), 32, 0)
    factor = decay(mode, 32)
    for step in range(1, 6):
        plate = oracle(plate, 1)
        assert np.abs(plate - factor**step * closed_form((mode,), 32, 0)).max() < 1e-15
    sines = np.sin(np.pi * np.array([2, 5]) / 64) ** 2
    assert factor == pytest.approx(1 - 4 * DIFFUSION * sines.sum(), rel=1e-15)


def test_half_waves_are_sines_that_end_in_zeros() -> None:
    wave = half_waves(3, 16)
    assert np.abs(wave - np.sin(3 * np.pi * np.arange(17) / 16)).max() < 1e-15
    assert (wave[0], wave[-1]) == (0.0, 0.0)
    assert not np.signbit(wave[[0, -1]]).any()


@pytest.mark.parametrize("seed", range(1, 50))
def test_modes_are_smooth_and_weighty(seed: int) -> None:
    chosen = modes(seed)
    assert len(chosen) == 4
    assert all(1 <= wave <= 8 for mode in chosen for wave in (mode.p, mode.q))
    assert all(0.0 < mode.weight <= 1.0 for mode in chosen)


@pytest.mark.parametrize("change", [1e-10, -1.0, np.nan, np.inf])
def test_a_wrong_point_is_found_and_placed(change: float) -> None:
    task = BY_NAME["heat-stencil"].task()
    task.execute()
    task.plate[20, 9] += change
    (finding,) = task.invariants()
    assert not finding.ok
    assert finding.detail.startswith("1 points beyond ")
    assert finding.detail.endswith("first at [20, 9]")


@pytest.mark.parametrize(
    ("intervals", "steps", "rule"),
    [
        (100, 8, "intervals: received 100, must be a power of 2; use 64 or 128"),
        (64, 12, "steps: received 12, must be a multiple of 8; use 8 or 16"),
        (16, 65_536, "steps: received 65536, must be at most 16; a plate of 16 intervals is cold"),
        (64, 264, "steps: received 264, must be at most 256; "),
    ],
)
def test_sizes_that_do_not_fit_are_refused(intervals: int, steps: int, rule: str) -> None:
    with pytest.raises(ValueError, match=rule):
        Stencil().complete({"intervals": intervals, "steps": steps})


@pytest.mark.parametrize("intervals", [16, 64, 512])
@pytest.mark.parametrize("seed", [1, 2, 3, 40])
def test_a_plate_is_still_warm_after_the_most_steps(intervals: int, seed: int) -> None:
    """At least a thousand times what the check allows for rounding is left, or it sees nothing."""
    steps = intervals**2 // 16
    Stencil().complete({"intervals": intervals, "steps": steps})
    left = np.abs(closed_form(modes(seed), intervals, steps)).max()
    weights = sum(mode.weight for mode in modes(seed))
    assert left > 1000 * 10 * (steps + 1) * 2.0**-53 * weights


def test_a_flip_on_the_cold_edge_does_not_outlive_its_pass() -> None:
    task = BY_NAME["heat-stencil"].task()
    task.execute()
    right = task.digest()
    task.spare[0, 5] = task.spare[7, -1] = task.plate[-1, 3] = 1.0
    task.execute()
    assert task.digest() == right


def test_flips_between_steps_are_mostly_kept_by_the_plate() -> None:
    """Measured 98 % over 32 steps; low bits are averaged away below rounding."""
    campaign = flip_between_stages(BY_NAME["heat-stencil"].task(), "result", FLIPS)
    assert campaign.missed == 0
    assert campaign.caught >= 0.9 * campaign.flips


def test_flips_within_a_default_pass_are_damped_more() -> None:
    """The flip meets up to 128 more steps. Measured 94 % still visible; none goes unseen."""
    task = Stencil().prepare(Stencil().complete({}), 1)
    campaign = flip_between_stages(task, "result", flips=60)
    assert campaign.missed == 0
    assert campaign.caught >= 0.75 * campaign.flips
