"""The white furnace and the closed furnace of radiometry, and Lambert's cosine law.

Standard radiometry (common practice; the closed form is the geometric series of Kajiya's rendering
equation, 1986, Computer Graphics 20(4):143-150): a white body under a uniform sky of radiance 1
cannot be told from the sky; inside a closed body of albedo rho that emits E the radiance is
E / (1 - rho).
"""

from __future__ import annotations

import numpy as np
import pytest

from workloads.pathtracer import (
    BOUNCES,
    _scattered,
    closed_furnace,
    render,
    spheres_under_sky,
    white_furnace,
)
from workloads.prng import mix64


def test_a_white_scene_under_a_uniform_sky_is_white() -> None:
    image, _ = render(white_furnace(spheres_under_sky(1, 12)), (48, 64), 1, 4)
    assert (image == 1.0).all()


def test_the_scene_is_not_white_otherwise() -> None:
    image, rays = render(spheres_under_sky(1, 12), (48, 64), 1, 4)
    assert (image == 1.0).mean() < 0.01
    assert rays.max() > 4


@pytest.mark.parametrize(
    ("albedo", "emission", "radiance"), [(0.5, 0.5, 1.0), (0.8, 0.5, 2.5), (0.0, 0.25, 0.25)]
)
def test_a_closed_furnace_has_the_radiance_of_the_series(
    albedo: float, emission: float, radiance: float
) -> None:
    """E = 0.5: rho = 0.5 gives 1.0, rho = 0.8 gives 2.5, less what 64 bounces leave out."""
    image, rays = render(closed_furnace(albedo, emission), (8, 8), 1, 2)
    missing = radiance * albedo**BOUNCES
    assert np.abs(image - (radiance - missing)).max() < 1e-14
    assert (rays == 2 * BOUNCES).all()


def test_scattering_follows_lamberts_cosine_law() -> None:
    """Means of cos and cos^2 under a density cos / pi: 2/3 and 1/2; azimuth balanced."""
    count, draw = 40_000, np.uint64(0)
    found = np.array(
        [
            _scattered(np.uint64(mix64(np.uint64(key))), draw, 0.0, 0.0, 1.0)[:3]
            for key in range(count)
        ]
    )
    cosine = found[:, 2]
    assert (cosine > 0.0).all()
    assert np.abs(np.linalg.norm(found, axis=1) - 1.0).max() < 1e-15
    # Standard deviations: sqrt(1/2 - 4/9) = 0.24 and sqrt(1/3 - 1/4) = 0.29; five of each allowed.
    assert abs(cosine.mean() - 2 / 3) < 5 * 0.24 / np.sqrt(count)
    assert abs((cosine**2).mean() - 0.5) < 5 * 0.29 / np.sqrt(count)
    assert np.abs(found[:, :2].mean(axis=0)).max() < 5 * 0.5 / np.sqrt(count)
