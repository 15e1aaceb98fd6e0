"""Path tracer: spheres under a sky, branchy scalar FP64 work with square roots and divisions.

Every sample of every pixel has its own key, so its random numbers (SplitMix64, counter-based) do
not depend on the order of work; directions come from rejection and square roots, no trigonometry,
so the image has the same bits everywhere and its golden digest ships. The work of a pass is the
number of rays it casts, which is the same in every pass.

A path collects `throughput * emission` at each sphere it meets and the sky's radiance where it
leaves; a diffuse sphere scatters by Lambert's law (normal plus a random unit vector), Pharr, Jakob
and Humphreys (2016), Physically Based Rendering, 3rd ed., sections 13.6.3 and 14.5.

Invariants (radiometry's white furnace, no golden needed): under a uniform sky of radiance 1 with
every albedo 1, all pixels are exactly 1, since a path neither gains nor loses; inside a closed
sphere of albedo rho that emits E, all pixels are E (1 - rho^b) / (1 - rho) after b bounces, the
geometric series of the rendering equation (Kajiya 1986, Computer Graphics 20(4):143-150). The
result itself must lie between black and that series for the brightest light and albedo.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numba import float64, njit, uint64

from workloads.contract import Finding, Parameter, Parameters, Value, whole
from workloads.digest import combine, fold
from workloads.operands import uniforms
from workloads.prng import mix64, splitmix64_at
from workloads.sized import PARTS, SizedWorkload, StagedTask

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

    Numbers = NDArray[Any]

#: Paths are cut after so many spheres met.
BOUNCES = 64
#: Nearer hits than this are the surface the ray starts from.
_NEAREST = 1e-9
#: Paths times spheres of a pass.
_MOST_MEETINGS = 1 << 30
_FURNACE_PIXELS = 16
_FURNACE_SAMPLES = 4

# Digests for seed 1 by (width, height, samples, spheres), remade in the tests by another tracer.
_GOLDENS: dict[tuple[int, ...], int] = {(128, 96, 8, 12): 0x35A319E1CB2DD524}


@dataclass(frozen=True)
class Scene:
    """What is rendered; `count` spheres, three colours.

    spheres: (count, 4) centre and radius; albedo, emission: (count, 3); mirror: (count,), 1 where
    the sphere reflects; sky: (2, 3), radiance = sky[0] + sky[1] * upward component.
    The eye is at `eye` and looks along +y at a window one unit away.
    """

    spheres: Numbers
    albedo: Numbers
    emission: Numbers
    mirror: Numbers
    sky: Numbers
    eye: Numbers

    def arrays(self) -> tuple[Numbers, ...]:
        """All arrays, in the order in which the kernel takes them."""
        return (self.spheres, self.albedo, self.emission, self.mirror, self.sky, self.eye)


@njit(cache=True, nogil=True)
def _unit(key, draw):  # type: ignore[no-untyped-def]
    """Random number `draw` of a path: a multiple of 2^-53 in [0, 1)."""
    return float64(splitmix64_at(key, draw) >> uint64(11)) * 1.1102230246251565e-16


@njit(cache=True, nogil=True)
def _nearest(spheres, ox, oy, oz, dx, dy, dz):  # type: ignore[no-untyped-def]
    """Distance to and number of the first sphere along a ray of unit direction; -1 for none."""
    best, which = np.inf, -1
    for number in range(spheres.shape[0]):
        x, y, z = spheres[number, 0] - ox, spheres[number, 1] - oy, spheres[number, 2] - oz
        radius = spheres[number, 3]
        along = x * dx + y * dy + z * dz
        inside = along * along - (x * x + y * y + z * z - radius * radius)
        if inside > 0.0:
            half = np.sqrt(inside)
            distance = along - half if along - half > _NEAREST else along + half
            if _NEAREST < distance < best:
                best, which = distance, number
    return best, which


@njit(cache=True, nogil=True)
def _scattered(key, draw, nx, ny, nz):  # type: ignore[no-untyped-def]
    """A cosine-weighted direction about the normal, and the next draw."""
    while True:
        x = 2.0 * _unit(key, draw) - 1.0
        y = 2.0 * _unit(key, draw + uint64(1)) - 1.0
        z = 2.0 * _unit(key, draw + uint64(2)) - 1.0
        draw += uint64(3)
        square = x * x + y * y + z * z
        if square > 1.0 or square < 1e-6:
            continue
        length = np.sqrt(square)
        x, y, z = nx + x / length, ny + y / length, nz + z / length
        square = x * x + y * y + z * z
        if square > 1e-12:
            length = np.sqrt(square)
            return x / length, y / length, z / length, draw


@njit(cache=True, nogil=True)
def _bounce(key, draw, mirror, normal, direction):  # type: ignore[no-untyped-def]
    """The direction after a sphere with this outward normal, and the next draw."""
    nx, ny, nz = normal
    dx, dy, dz = direction
    facing = nx * dx + ny * dy + nz * dz
    if facing > 0.0:
        nx, ny, nz, facing = -nx, -ny, -nz, -facing
    if mirror == 0:
        return _scattered(key, draw, nx, ny, nz)
    x, y, z = dx - 2.0 * facing * nx, dy - 2.0 * facing * ny, dz - 2.0 * facing * nz
    length = np.sqrt(x * x + y * y + z * z)
    return x / length, y / length, z / length, draw


@njit(cache=True, nogil=True)
def _path(scene, key, draw, direction, bounces, colour):  # type: ignore[no-untyped-def]
    """Add one path's radiance to `colour` (3); the number of rays it took."""
    spheres, albedo, emission, mirror, sky, eye = scene
    ox, oy, oz = eye[0], eye[1], eye[2]
    dx, dy, dz = direction
    red, green, blue = 1.0, 1.0, 1.0
    for ray in range(bounces):
        distance, hit = _nearest(spheres, ox, oy, oz, dx, dy, dz)
        if hit < 0:
            colour[0] += red * (sky[0, 0] + sky[1, 0] * dz)
            colour[1] += green * (sky[0, 1] + sky[1, 1] * dz)
            colour[2] += blue * (sky[0, 2] + sky[1, 2] * dz)
            return ray + 1
        colour[0] += red * emission[hit, 0]
        colour[1] += green * emission[hit, 1]
        colour[2] += blue * emission[hit, 2]
        red, green, blue = red * albedo[hit, 0], green * albedo[hit, 1], blue * albedo[hit, 2]
        ox, oy, oz = ox + distance * dx, oy + distance * dy, oz + distance * dz
        radius = spheres[hit, 3]
        nx, ny = (ox - spheres[hit, 0]) / radius, (oy - spheres[hit, 1]) / radius
        normal = nx, ny, (oz - spheres[hit, 2]) / radius
        dx, dy, dz, draw = _bounce(key, draw, mirror[hit], normal, (dx, dy, dz))
    return bounces


@njit(cache=True, nogil=True)
def _render(scene, image, rays, seed, samples, first, last):  # type: ignore[no-untyped-def]
    """Rows `first` to `last` - 1 of the image (height, width, 3) and of the ray counts."""
    height, width = rays.shape
    colour = np.zeros(3)
    for row in range(first, last):
        for column in range(width):
            colour[:] = 0.0
            cast = 0
            for sample in range(samples):
                path = (row * width + column) * samples + sample
                key = mix64(seed ^ (uint64(path) * uint64(0x9E3779B97F4A7C15)))
                x = (column + _unit(key, uint64(0))) / width - 0.5
                z = 0.5 - (row + _unit(key, uint64(1))) / height
                length = np.sqrt(x * x + 1.0 + z * z)
                direction = x / length, 1.0 / length, z / length
                cast += _path(scene, key, uint64(2), direction, BOUNCES, colour)
            for channel in range(3):
                image[row, column, channel] = colour[channel] / samples
            rays[row, column] = cast


def render(
    scene: Scene, shape: tuple[int, int], seed: int, samples: int
) -> tuple[Numbers, Numbers]:
    """The whole image of a scene, (height, width, 3), and each pixel's rays; for checks."""
    image, rays = np.zeros((*shape, 3)), np.zeros(shape, np.uint32)
    word = np.uint64(seed & 0xFFFFFFFFFFFFFFFF)
    _render(scene.arrays(), image, rays, word, samples, 0, shape[0])
    return image, rays


def spheres_under_sky(seed: int, count: int) -> Scene:
    """`count` seeded spheres on a large one, every fourth a mirror, under a blue sky."""
    place = uniforms(seed, 0, (count, 4), np.float64)
    spheres = np.empty((count + 1, 4))
    spheres[:count] = place * (2.0, 1.5, 1.0, 0.2) + (0.0, 4.0, 0.2, 0.5)
    spheres[count] = (0.0, 4.0, -1001.0, 1000.0)
    albedo = uniforms(seed, 1, (count + 1, 3), np.float64) * 0.25 + 0.6
    mirror = (np.arange(count + 1) % 4 == 3).astype(np.uint8)
    mirror[count] = 0
    emission = np.zeros((count + 1, 3))
    emission[0] = (4.0, 3.5, 3.0)
    sky = np.array([[0.6, 0.7, 0.9], [-0.2, -0.1, 0.1]])
    return Scene(spheres, albedo, emission, mirror, sky, np.zeros(3))


def white_furnace(scene: Scene) -> Scene:
    """The same spheres, all white and dark, under a uniform sky of radiance 1."""
    white, dark = np.ones_like(scene.albedo), np.zeros_like(scene.emission)
    sky = np.array([[1.0] * 3, [0.0] * 3])
    return Scene(scene.spheres, white, dark, scene.mirror, sky, scene.eye)


def closed_furnace(albedo: float, emission: float) -> Scene:
    """The inside of one emitting sphere."""
    grey = np.full((1, 3), albedo)
    sphere = np.array([[0.0, 0.0, 0.0, 5.0]])
    eye = np.array([0.3, -0.2, 0.1])
    dark = np.zeros((2, 3))
    return Scene(sphere, grey, np.full((1, 3), emission), np.zeros(1, np.uint8), dark, eye)


class PathTracerTask(StagedTask):
    """One lane's scene and image."""

    def __init__(self, seed: int, shape: tuple[int, int], samples: int, count: int) -> None:
        super().__init__()
        self.seed, self.samples = seed, samples
        self.scene = spheres_under_sky(seed, count)
        self.image = np.zeros((*shape, 3))
        self.rays = np.zeros(shape, np.uint32)
        self.execute()
        self.work_per_pass = float(self.rays.sum())

    def stages(self) -> tuple[Callable[[], None], ...]:
        """See :class:`Task`: clear the image, then render it in four bands."""
        edges = [len(self.rays) * part // PARTS for part in range(PARTS + 1)]
        bands = [self._band(first, last) for first, last in pairwise(edges)]
        return (self._begin, *bands)

    def _begin(self) -> None:
        self.image.fill(0.0)
        self.rays.fill(0)

    def _band(self, first: int, last: int) -> Callable[[], None]:
        def band() -> None:
            word = np.uint64(self.seed & 0xFFFFFFFFFFFFFFFF)
            scene = self.scene.arrays()
            _render(scene, self.image, self.rays, word, self.samples, first, last)

        return band

    def digest(self) -> int:
        """See :class:`Task`."""
        return combine(fold(self.image), fold(self.rays))

    def inputs_digest(self) -> int:
        """See :class:`Task`."""
        return combine(*(fold(array) for array in self.scene.arrays()))

    def buffers(self) -> dict[str, Buffer]:
        """See :class:`Task`."""
        return {
            "input_spheres": self.scene.spheres,
            "input_albedo": self.scene.albedo,
            "result_image": self.image,
            "result_rays": self.rays,
        }

    def invariants(self) -> tuple[Finding, ...]:
        """See :class:`Task`: the furnaces, rendered small with this task's own spheres."""
        small = (_FURNACE_PIXELS, _FURNACE_PIXELS)
        white = render(white_furnace(self.scene), small, self.seed, _FURNACE_SAMPLES)
        closed = render(closed_furnace(0.5, 0.5), small, self.seed, _FURNACE_SAMPLES)
        return (
            _finding("white furnace", furnace_errors(*white, _FURNACE_SAMPLES)),
            # 0.5 / (1 - 0.5) = 1, and what 64 bounces leave out, 2^-64, rounds away.
            _finding("closed furnace", closed[0][:, :, 0] != 1.0),
            _finding("bounds", self._impossible()),
        )

    def _impossible(self) -> NDArray[np.bool_]:
        """Pixels of the result darker than black, brighter than the series allows, or uncast."""
        scene = self.scene
        brightest = float(scene.emission.max() + np.abs(scene.sky).sum(axis=0).max())
        most = brightest / (1.0 - float(scene.albedo.max()))
        possible = ((self.image >= 0.0) & (self.image <= most)).all(axis=2)
        cast = (self.rays >= self.samples) & (self.rays <= self.samples * BOUNCES)
        wrong: NDArray[np.bool_] = ~(possible & cast)
        return wrong


def furnace_errors(image: Numbers, rays: Numbers, samples: int) -> NDArray[np.bool_]:
    """Pixels of a white furnace that are not 1, nor short of it by paths that were cut.

    A path that is still among the spheres after `BOUNCES` rays is cut and brings 0, so a pixel
    may lack a whole number of samples for which the rays were cast.
    """
    missing = (1.0 - image) * samples
    counted = (missing >= 0.0) & (missing == np.trunc(missing))
    cast = missing * BOUNCES <= rays[:, :, None]
    wrong: NDArray[np.bool_] = ~(counted & cast).all(axis=2)
    return wrong


def _finding(name: str, wrong: NDArray[np.bool_]) -> Finding:
    places = np.argwhere(wrong)
    place = f", first [{places[0][0]}, {places[0][1]}]" if len(places) else ""
    detail = f"{len(places)} of {wrong.size} pixels have an impossible radiance{place}"
    return Finding(name, not len(places), detail)


class PathTracer(SizedWorkload):
    """Spheres under a sky."""

    name = "path-tracer"
    version = 1
    family = "rendering"
    unit = "ray"
    purpose = "branches, square roots and divisions in scalar double precision"
    check = "digest of image and ray counts; white furnace and radiance bounds"
    shipped_golden = True
    slowest_per_second = 2e4
    goldens = _GOLDENS
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "width": Parameter(128, "pixels", low=8, high=8192),
        "height": Parameter(96, "pixels", low=8, high=8192),
        "samples": Parameter(8, "paths a pixel", low=1, high=4096),
        "spheres": Parameter(12, "beside the ground", low=1, high=1024),
    }

    def complete(self, given: Mapping[str, Any]) -> dict[str, Value]:
        """See :class:`Workload`; also a pass of a minute or two at most, which is done to prepare.

        Every ray meets every sphere; 3e7 paths times spheres took a second (measured), so the most
        takes some 40 s, and a core of a third of that speed still ends it before it counts as hung.
        """
        values = super().complete(given)
        width, height, samples, spheres = (whole(values, key) for key in self.parameters)
        each = width * height * (spheres + 1)
        if each * samples > _MOST_MEETINGS:
            most = _MOST_MEETINGS // each
            remedy = f"at most samples: {most}" if most else "fewer pixels or spheres"
            raise ValueError(
                f"samples: received {samples}, {width} x {height} pixels with {spheres} spheres "
                f"take minutes for a pass; use {remedy}"
            )
        return values

    def memory_bytes(self, parameters: Parameters) -> int:
        """See :class:`Workload`: image, ray counts and scene."""
        pixels = whole(parameters, "width") * whole(parameters, "height")
        return pixels * (3 * 8 + 4) + (whole(parameters, "spheres") + 1) * 128 + 65536

    def prepare(self, parameters: Parameters, seed: int) -> PathTracerTask:
        """See :class:`Workload`."""
        shape = whole(parameters, "height"), whole(parameters, "width")
        samples, spheres = whole(parameters, "samples"), whole(parameters, "spheres")
        return PathTracerTask(seed, shape, samples, spheres)
