"""Fit of a temperature after the load starts: steady value, time constants, what was still to come.

The model is the step response of a thermal resistance with one or two heat capacities (a Foster
network, JESD51-14): T(t) = T_steady - sum A_i exp(-t / tau_i). It holds for constant power, clock
and fan; `heat.find_control` says whether they were.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from harness.statistics.quantiles import f_tail, student_two_sided
from harness.statistics.validation import require_confidence, require_finite

Numbers = NDArray[np.float64]

FEWEST_SAMPLES = 12
#: The fit is refused a steady value when the load lasted less than this many time constants.
SPAN_CONSTANTS = 1.5
#: A second time constant must be this many times the first to be told from it.
SEPARATION = 3.0
#: Each part of a two-constant fit must carry at least this share of the rise.
LEAST_SHARE = 0.05
#: Fewer samples than this are fitted as they are; more are averaged in blocks first.
MOST_SAMPLES = 600


@dataclass(frozen=True)
class ThermalComponent:
    """One exponential part: how much of the rise it carries, and how fast."""

    rise_celsius: float
    time_constant_seconds: float


@dataclass(frozen=True)
class ThermalFit:
    """The fitted step response. `steady_celsius` and what follows from it are None with a
    `reason` when the data do not show where the temperature ends.

    `remaining_celsius`: how much further it would have risen after the last sample. `settled`:
    whether that is within `settled_within_celsius`. `why` says it in one sentence.
    """

    components: tuple[ThermalComponent, ...]
    start_celsius: float | None
    end_celsius: float | None
    steady_celsius: float | None
    low_celsius: float | None
    high_celsius: float | None
    confidence: float
    remaining_celsius: float | None
    settled: bool | None
    residual_celsius: float | None
    samples: int
    why: str
    reason: str | None


@dataclass(frozen=True)
class _Model:
    """A fit by least squares: coefficients are (steady, -A_1, -A_2...)."""

    constants: tuple[float, ...]
    coefficients: Numbers
    residuals: Numbers

    @property
    def squares(self) -> float:
        return float(self.residuals @ self.residuals)

    def at(self, time: float) -> float:
        return float(_basis(np.array([time]), self.constants)[0] @ self.coefficients)

    def remaining(self, time: float) -> float:
        return float(self.coefficients[0]) - self.at(time)


def step_response(
    times_seconds: Sequence[float], components: Sequence[ThermalComponent]
) -> list[float]:
    """Rise at each time: sum R_i (1 - exp(-t / tau_i)), the Foster form of JESD51-14."""
    return [
        math.fsum(
            -part.rise_celsius * math.expm1(-time / part.time_constant_seconds)
            for part in components
        )
        for time in times_seconds
    ]


def fit_temperature(
    times_seconds: Sequence[float],
    temperatures_celsius: Sequence[float],
    *,
    confidence: float = 0.95,
    settled_within_celsius: float = 0.5,
    start_celsius: float | None = None,
) -> ThermalFit:
    """Fit one time constant, and a second where the data show it.

    `times_seconds` count from the start of the load, rising. `start_celsius`: the reading before
    the load. Variable projection (Golub and Pereyra 1973, SIAM J. Numer. Anal. 10:413-432): for
    given time constants the rest is linear. The interval of the steady value allows for serially
    dependent residuals and for the sensor's resolution.
    """
    require_finite(times_seconds, "times_seconds")
    require_finite(temperatures_celsius, "temperatures_celsius")
    require_confidence(confidence)
    if len(times_seconds) != len(temperatures_celsius):
        raise ValueError(
            f"{len(times_seconds)} times for {len(temperatures_celsius)} temperatures: one each"
        )
    count = len(times_seconds)
    if count < FEWEST_SAMPLES:
        return _no_fit(count, confidence, f"{count} samples: {FEWEST_SAMPLES} are needed")
    times, values = _blocks(
        np.asarray(times_seconds, float), np.asarray(temperatures_celsius, float)
    )
    step = _resolution(temperatures_celsius)
    flat = _solve(times, values, [])
    model = _choose(times, values, flat, step)
    return _describe(model, times, step, confidence, settled_within_celsius, count, start_celsius)


def _no_fit(count: int, confidence: float, reason: str) -> ThermalFit:
    return ThermalFit(
        (), None, None, None, None, None, confidence, None, None, None, count, reason, reason
    )


def _blocks(times: Numbers, values: Numbers) -> tuple[Numbers, Numbers]:
    """Average neighbouring samples so that at most MOST_SAMPLES are left."""
    size = math.ceil(len(times) / MOST_SAMPLES)
    whole = len(times) // size * size
    return (
        times[:whole].reshape(-1, size).mean(axis=1),
        values[:whole].reshape(-1, size).mean(axis=1),
    )


def _resolution(values: Sequence[float]) -> float:
    """Smallest step between two different readings; 0 when there is only one."""
    distinct = sorted(set(values))
    steps = [later - earlier for earlier, later in pairwise(distinct)]
    return min(steps, default=0.0)


def _basis(times: Numbers, constants: Sequence[float]) -> Numbers:
    columns = [np.ones_like(times), *(np.exp(-times / constant) for constant in constants)]
    return np.stack(columns, axis=1)


def _solve(times: Numbers, values: Numbers, constants: Sequence[float]) -> _Model:
    basis = _basis(times, constants)
    coefficients = np.asarray(np.linalg.lstsq(basis, values, rcond=None)[0], dtype=np.float64)
    return _Model(tuple(constants), coefficients, values - basis @ coefficients)


def _choose(times: Numbers, values: Numbers, flat: _Model, step: float) -> _Model:
    """No, one or two time constants: the fewest that the residuals ask for (F test, 0.1 %)."""
    one = _refine(times, values, [_best_single(times, values)])
    if not _better(flat, one, len(values), step):
        return flat
    if one.constants[0] * SPAN_CONSTANTS > times[-1]:
        return one
    two = _best_double(times, values)
    return two if two is not None and _better(one, two, len(values), step) else one


def _better(simple: _Model, rich: _Model, count: int, step: float) -> bool:
    """F test for two more parameters, with the samples counted at what they are worth."""
    worth = _effective_samples(rich.residuals)
    degrees = worth - len(rich.coefficients) - len(rich.constants)
    if degrees < 1.0:
        return False
    floor = step**2 / 12.0 * count
    gain = (simple.squares - rich.squares) / max(rich.squares, floor, 1e-12)
    return f_tail(gain * degrees / 2.0, 2.0, degrees) < 0.001


def _candidates(times: Numbers, count: int) -> Numbers:
    span = float(times[-1] - times[0])
    shortest = max(span / (len(times) - 1), span / 2000.0)
    return np.geomspace(shortest, 20.0 * span, count)


def _best_single(times: Numbers, values: Numbers) -> float:
    """Time constant with the least squares on a grid, for a straight line in exp(-t / tau)."""
    grid = _candidates(times, 160)
    decays = np.exp(-times[np.newaxis, :] / grid[:, np.newaxis])
    decays = decays - decays.mean(axis=1, keepdims=True)
    centred = values - values.mean()
    explained = (decays @ centred) ** 2 / np.maximum((decays**2).sum(axis=1), 1e-300)
    return float(grid[int(np.argmax(explained))])


def _best_double(times: Numbers, values: Numbers) -> _Model | None:
    grid = _candidates(times, 28)
    grid = grid[grid * SPAN_CONSTANTS <= times[-1]]
    best: _Model | None = None
    for index, fast in enumerate(grid):
        for slow in grid[index + 1 :]:
            if slow < SEPARATION * fast:
                continue
            model = _solve(times, values, [float(fast), float(slow)])
            if best is None or model.squares < best.squares:
                best = model
    if best is None:
        return None
    refined = _refine(times, values, list(best.constants))
    return refined if _is_physical(refined) else None


def _is_physical(model: _Model) -> bool:
    """Both parts carry a fair share of the rise in the same direction, well apart in time."""
    parts = model.coefficients[1:]
    shares = parts / parts.sum() if parts.sum() != 0.0 else np.zeros(len(parts))
    fast, slow = sorted(model.constants)
    return bool(shares.min() >= LEAST_SHARE and slow >= SEPARATION * fast)


def _refine(times: Numbers, values: Numbers, constants: Sequence[float]) -> _Model:
    """Least squares over the logarithms of the time constants, from a grid's start."""
    from scipy.optimize import least_squares

    limits = np.log(_candidates(times, 2))

    def residuals(logs: Numbers) -> Numbers:
        return _solve(times, values, [float(value) for value in np.exp(logs)]).residuals

    start = np.clip(np.log(constants), limits[0] + 1e-9, limits[1] - 1e-9)
    found = least_squares(residuals, start, bounds=(limits[0], limits[1]), xtol=1e-10, ftol=1e-12)
    return _solve(times, values, [float(value) for value in np.exp(np.sort(found.x))])


def _effective_samples(residuals: Numbers) -> float:
    """What serially dependent residuals are worth: n (1 - r) / (1 + r), r their lag-1 correlation.

    The large-sample form of Bayley and Hammersley (1946); negative dependence counts as none.
    """
    lag1 = min(0.98, _residual_lag1(residuals))
    return len(residuals) * (1.0 - lag1) / (1.0 + lag1)


def _residual_lag1(residuals: Numbers) -> float:
    squares = float(residuals @ residuals)
    return 0.0 if squares == 0.0 else max(0.0, float(residuals[1:] @ residuals[:-1]) / squares)


def _steady_error(model: _Model, times: Numbers, step: float) -> tuple[float, float]:
    """Standard error and degrees of freedom of the steady value.

    Linearised least squares with first-order autoregressive residuals (the sandwich of Seber and
    Wild 1989, Nonlinear Regression, section 6.2). A sensor whose steps are coarser than its noise
    adds step^2 / 12 that no averaging removes (JCGM 100:2008, F.2.2.1).
    """
    jacobian = _jacobian(model, times)
    count, parameters = jacobian.shape
    lag1 = _residual_lag1(model.residuals)
    lag1 = min(0.98, lag1 + (parameters + 3.0 * lag1) / count)
    steps = np.arange(count)
    correlation = lag1 ** np.abs(steps[:, np.newaxis] - steps[np.newaxis, :])
    inverse = np.linalg.pinv(jacobian.T @ jacobian)
    middle = jacobian.T @ correlation @ jacobian
    spread = model.squares / max(1.0, count - float(np.trace(inverse @ middle)))
    variance = spread * float((inverse @ middle @ inverse)[0, 0])
    coarse = step if math.sqrt(spread) < step / 2.0 else 0.0
    degrees = max(1.0, _effective_samples(model.residuals) - parameters)
    return math.sqrt(variance + coarse**2 / 12.0), degrees


def _jacobian(model: _Model, times: Numbers) -> Numbers:
    columns = [_basis(times, model.constants)]
    for constant, coefficient in zip(model.constants, model.coefficients[1:], strict=True):
        slope = coefficient * times / constant**2 * np.exp(-times / constant)
        columns.append(slope[:, np.newaxis])
    return np.concatenate(columns, axis=1)


def _describe(
    model: _Model,
    times: Numbers,
    step: float,
    confidence: float,
    within: float,
    count: int,
    start: float | None,
) -> ThermalFit:
    end_time = float(times[-1])
    slowest = max(model.constants, default=0.0)
    residual = math.sqrt(model.squares / max(1, len(times) - 1))
    parts = tuple(
        ThermalComponent(-float(coefficient), constant)
        for coefficient, constant in zip(model.coefficients[1:], model.constants, strict=True)
    )
    begun = model.at(0.0) if start is None else start
    if slowest * SPAN_CONSTANTS > end_time:
        reason = (
            f"the load lasted {end_time:.0f} s, too short to show where the temperature ends"
            f" (time constant {slowest:.0f} s or more)"
        )
        return ThermalFit(
            parts, begun, model.at(end_time), None, None, None, confidence, None, False, residual,
            count, reason, reason,
        )  # fmt: skip
    error, degrees = _steady_error(model, times, step)
    half = student_two_sided(confidence, degrees) * error
    steady, remaining = float(model.coefficients[0]), model.remaining(end_time)
    settled = abs(remaining) <= within
    return ThermalFit(
        parts, begun, model.at(end_time), steady, steady - half, steady + half, confidence,
        remaining, settled, residual, count, _sentence(steady, remaining, settled), None,
    )  # fmt: skip


def _sentence(steady: float, remaining: float, settled: bool) -> str:
    if settled:
        return f"settled at {steady:.1f} °C"
    verb = "risen" if remaining > 0.0 else "fallen"
    return f"would have {verb} another {abs(remaining):.1f} °C, to {steady:.1f} °C"
