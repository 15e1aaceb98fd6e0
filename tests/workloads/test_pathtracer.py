"""The path tracer: golden from whole-array arithmetic, furnaces, flips."""

from __future__ import annotations

import numpy as np
import pytest
from bit_flips import FLIPS
from numeric_loads import BY_NAME, flip_between_stages
from numpy.typing import NDArray

from workloads.digest import combine, fold
from workloads.pathtracer import (
    BOUNCES,
    PathTracer,
    Scene,
    furnace_errors,
    render,
    spheres_under_sky,
    white_furnace,
)

Numbers = NDArray[np.float64]
Words = NDArray[np.uint64]
GAMMA = np.uint64(0x9E3779B97F4A7C15)


def mix(words: Words) -> Words:
    """SplitMix64's finaliser, on whole arrays."""
    words = (words ^ (words >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    words = (words ^ (words >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return words ^ (words >> np.uint64(31))


def dot(a: Numbers, b: Numbers) -> Numbers:
    """x, then y, then z: in that order."""
    return (a[0] * b[0] + a[1] * b[1]) + a[2] * b[2]


class Wavefront:
    """All pixels' paths of one sample, advanced together by whole-array arithmetic.

    Written for this test: it shares no code with the kernel, only the order of roundings.
    """

    def __init__(self, scene: Scene, shape: tuple[int, int], seed: int, samples: int) -> None:
        self.scene, self.shape, self.seed, self.samples = scene, shape, seed, samples
        self.colour = np.zeros((shape[0] * shape[1], 3))
        self.rays = np.zeros(shape[0] * shape[1], np.uint32)

    def random(self, active: NDArray[np.intp]) -> Numbers:
        """The next number of each of these paths."""
        words = mix(self.keys[active] + (self.draws[active] + np.uint64(1)) * GAMMA)
        self.draws[active] += np.uint64(1)
        return (words >> np.uint64(11)).astype(np.float64) * 2.0**-53

    def sample(self, number: int) -> None:
        height, width = self.shape
        pixels = np.arange(height * width)
        paths = (pixels * self.samples + number).astype(np.uint64)
        self.keys, self.draws = mix(np.uint64(self.seed) ^ (paths * GAMMA)), paths * np.uint64(0)
        x = (pixels % width + self.random(pixels)) / width - 0.5
        z = 0.5 - (pixels // width + self.random(pixels)) / height
        length = np.sqrt(x * x + 1.0 + z * z)
        self.direction = np.array([x / length, 1.0 / length, z / length])
        self.origin = np.repeat(self.scene.eye[:, None], pixels.size, axis=1)
        self.throughput = np.ones((pixels.size, 3))
        active = pixels
        for _ in range(BOUNCES):
            self.rays[active] += 1
            active = self.bounce(active)

    def bounce(self, active: NDArray[np.intp]) -> NDArray[np.intp]:
        """One ray of each active path; the paths that go on."""
        distance, hit = self.nearest(self.origin[:, active], self.direction[:, active])
        gone = active[hit < 0]
        sky = self.scene.sky[0] + self.scene.sky[1] * self.direction[2, gone, None]
        self.colour[gone] += self.throughput[gone] * sky
        active, distance, hit = active[hit >= 0], distance[hit >= 0], hit[hit >= 0]
        self.colour[active] += self.throughput[active] * self.scene.emission[hit]
        self.throughput[active] *= self.scene.albedo[hit]
        direction = self.direction[:, active]
        point = self.origin[:, active] + distance * direction
        self.origin[:, active] = point
        sphere = self.scene.spheres[hit].T
        normal = (point - sphere[:3]) / sphere[3]
        facing = dot(normal, direction)
        normal, facing = np.where(facing > 0.0, -normal, normal), -np.abs(facing)
        mirrored = direction - 2.0 * facing * normal
        turned = mirrored / np.sqrt(dot(mirrored, mirrored))
        diffuse = self.scene.mirror[hit] == 0
        turned[:, diffuse] = self.scattered(active[diffuse], normal[:, diffuse])
        self.direction[:, active] = turned
        return active

    def nearest(self, origin: Numbers, direction: Numbers) -> tuple[Numbers, NDArray[np.intp]]:
        best, which = np.full(origin.shape[1], np.inf), np.full(origin.shape[1], -1)
        for number, sphere in enumerate(self.scene.spheres):
            to = sphere[:3, None] - origin
            along = dot(to, direction)
            inside = along * along - (dot(to, to) - sphere[3] * sphere[3])
            half = np.sqrt(np.maximum(inside, 0.0))
            distance = np.where(along - half > 1e-9, along - half, along + half)
            nearer = (inside > 0.0) & (distance > 1e-9) & (distance < best)
            best, which = np.where(nearer, distance, best), np.where(nearer, number, which)
        return best, which

    def scattered(self, paths: NDArray[np.intp], normal: Numbers) -> Numbers:
        result = np.zeros((3, paths.size))
        waiting = np.arange(paths.size)
        while waiting.size:
            here = paths[waiting]
            ball = np.array([2.0 * self.random(here) - 1.0 for _ in range(3)])
            square = dot(ball, ball)
            fit = (square <= 1.0) & (square >= 1e-6)
            waiting_fit, ball = waiting[fit], ball[:, fit]
            ball = normal[:, waiting_fit] + ball / np.sqrt(square[fit])
            square = dot(ball, ball)
            good = square > 1e-12
            result[:, waiting_fit[good]] = ball[:, good] / np.sqrt(square[good])
            waiting = np.setdiff1d(waiting, waiting_fit[good])
        return result

    def image(self) -> Numbers:
        for number in range(self.samples):
            self.sample(number)
        return (self.colour / self.samples).reshape(*self.shape, 3)


def test_the_shipped_golden_is_whole_array_arithmetics() -> None:
    workload = PathTracer()
    defaults = workload.complete({})
    width, height, samples, spheres = defaults.values()
    assert isinstance(samples, int)
    assert isinstance(spheres, int)
    shape = int(str(height)), int(str(width))
    oracle = Wavefront(spheres_under_sky(1, spheres), shape, 1, samples)
    digest = combine(fold(oracle.image()), fold(oracle.rays))
    assert digest == workload.golden(defaults, 1)


def test_the_work_of_a_pass_is_its_rays() -> None:
    task = BY_NAME["path-tracer"].task()
    assert task.work_per_pass == task.buffers()["result_rays"].sum()
    assert task.work_per_pass > 16 * 12 * 2


def test_the_order_in_which_bands_are_rendered_does_not_count() -> None:
    task = BY_NAME["path-tracer"].task()
    task.execute()
    right = task.digest()
    begin, *bands = task.stages()
    begin()
    assert task.digest() != right
    for band in reversed(bands):
        band()
    assert task.digest() == right


@pytest.mark.parametrize("seed", range(1, 9))
def test_white_furnaces_of_many_seeds_are_white(seed: int) -> None:
    image, rays = render(white_furnace(spheres_under_sky(seed, 12)), (24, 32), seed, 4)
    assert not furnace_errors(image, rays, 4).any()
    assert (image == 1.0).mean() > 0.99


def test_a_furnace_with_a_leak_is_seen() -> None:
    scene = white_furnace(spheres_under_sky(1, 12))
    scene.albedo[12, 1] = 1.0 - 2.0**-53
    image, rays = render(scene, (24, 32), 1, 4)
    wrong = furnace_errors(image, rays, 4)
    assert 0.1 < wrong.mean() < 0.9


def test_a_cut_path_is_no_error_but_a_lost_one_is() -> None:
    image, rays = np.ones((2, 2, 3)), np.full((2, 2), 8, np.uint32)
    image[0, 0] = 0.75
    image[1, 1] = 0.75
    rays[1, 1] = 3 + BOUNCES
    assert furnace_errors(image, rays, 4).tolist() == [[True, False], [False, False]]


@pytest.mark.parametrize("value", [-1e-3, 1e9, np.nan, np.inf])
def test_an_impossible_radiance_is_found_and_placed(value: float) -> None:
    task = BY_NAME["path-tracer"].task()
    task.buffers()["result_image"][3, 5, 1] = value
    findings = {finding.name: finding for finding in task.invariants()}
    assert findings["bounds"].detail == (
        "1 of 192 pixels have an impossible radiance, first [3, 5]"
    )
    assert [name for name, finding in findings.items() if not finding.ok] == ["bounds"]


def test_flips_between_bands_are_caught_where_the_band_is_done() -> None:
    """Measured 34 %: the rest fall where a later band renders over them, as a write must."""
    campaign = flip_between_stages(BY_NAME["path-tracer"].task(), "result", FLIPS)
    assert campaign.missed == 0
    assert 0.2 < campaign.caught / campaign.flips < 0.5


@pytest.mark.parametrize(
    ("given", "remedy"),
    [
        ({"width": 8192, "height": 8192}, "use at most samples: 1$"),
        ({"samples": 4096, "spheres": 1024}, "use at most samples: 85$"),
        ({"width": 8192, "height": 8192, "spheres": 1024}, "use fewer pixels or spheres$"),
    ],
)
def test_a_pass_of_many_minutes_is_refused_with_what_fits(
    given: dict[str, int], remedy: str
) -> None:
    """Preparing renders one pass, which must not look like a lane that hangs."""
    with pytest.raises(ValueError, match=rf"samples: received \d+, .* for a pass; {remedy}"):
        PathTracer().complete(given)
