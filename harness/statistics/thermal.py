"""Fit of a temperature after the load starts: steady value, time constants, what was still to come.

The model is the step response of a thermal resistance with one or two heat capacities (a Foster
network, JESD51-14): T(t) = T_steady - sum A_i exp(-t / tau_i). It holds for constant power, clock
and fan; `heat.find_control` says whether they were.

Rules: of no, one and two time constants the fewest that the data ask for (F test, 0.1 %); no
steady value where the slowest constant is not seen for 1.5 times its length, where the last
readings leave the curve, nor where a slow rise of some degrees could hide in the noise; "settled"
where no more than half a degree is still to come and the steady value is known about as well.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
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
#: Each part of a two-constant fit must carry at least this share of the rise that was seen.
LEAST_SHARE = 0.05
#: A richer model, and a misfit at the end of any fit of a run, must be this unlikely to be noise.
RICHER_LEVEL = 0.001
MISFIT_LEVEL = 0.01
#: The noise is what is left of the residuals without a line in each of so many windows.
NOISE_WINDOWS = 10
WINDOW_SAMPLES = 8
#: No steady value where a rise of so many times what counts as settled may hide in the noise.
MOST_HIDDEN = 4.0
#: Dependence of neighbouring samples is taken for this much at the most.
MOST_LAG1 = 0.95
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
    whether that is within `settled_within_celsius`; None where it seems so, but the steady value
    is not known as closely. `why` says it in one sentence.
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


def fit_temperature(
    times_seconds: Sequence[float],
    temperatures_celsius: Sequence[float],
    *,
    confidence: float = 0.95,
    settled_within_celsius: float = 0.5,
    start_celsius: float | None = None,
    fits: int = 1,
) -> ThermalFit:
    """Fit one time constant, and a second where the data show it.

    `times_seconds` count from the start of the load, rising. `start_celsius`: the reading before
    the load. `fits`: how many are made of one run, among which the level of the misfit at the end
    is shared (Bonferroni): at 1 % each, one of ten good fits of a run would fail nearly every
    tenth time. Variable projection (Golub and Pereyra 1973, SIAM J. Numer. Anal. 10:413-432): for
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
    model, noise = _choose(times, values, step)
    level = MISFIT_LEVEL / max(1, fits)
    reason = _why_no_end(model, times, noise, step, settled_within_celsius, level)
    plain = _described(model, times, confidence, count, start_celsius, reason)
    if reason:
        return plain
    close = _hidden_rise(times, noise) <= 2.0 * settled_within_celsius + step / 2.0
    return _with_end(plain, model, times, step, settled_within_celsius, close)


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


@dataclass(frozen=True)
class _Noise:
    """Scatter about a smooth curve: variance of what adds up over time, and degrees of freedom."""

    variance: float
    degrees: float


def _noise_of(residuals: Numbers, step: float) -> _Noise:
    """The noise in residuals, whatever slow misfit they hold beside it.

    A line is taken out of each window; the lag-1 correlation of the rest, freed of most of the
    bias that this brings (Kendall 1954, Biometrika 41:403-404: about -(1 + 4 r) / n for a mean),
    inflates the variance by (1 + r) / (1 - r). A sensor's steps count as step^2 / 12 at least.
    """
    count = len(residuals)
    windows = max(1, min(NOISE_WINDOWS, count // WINDOW_SAMPLES))
    parts = [without_line(part) for part in np.array_split(residuals, windows)]
    squares = math.fsum(float(part @ part) for part in parts)
    products = math.fsum(float(part[1:] @ part[:-1]) for part in parts)
    lag1 = products / squares if squares > 0.0 else 0.0
    lag1 = min(MOST_LAG1, max(0.0, lag1 + (2.0 + 4.0 * lag1) * windows / count))
    free = count - 2.0 * windows
    variance = max(squares / free, step**2 / 12.0, 1e-12)
    inflation = (1.0 + lag1) / (1.0 - lag1)
    return _Noise(variance * inflation, max(1.0, free / inflation))


def without_line(values: Numbers) -> Numbers:
    """What is left of a series of equally spaced values without its straight line."""
    places = np.arange(len(values), dtype=np.float64)
    places -= places.mean()
    centred = values - values.mean()
    return np.asarray(centred - places * float(places @ centred) / float(places @ places))


def _choose(times: Numbers, values: Numbers, step: float) -> tuple[_Model, _Noise]:
    """No, one or two time constants: the fewest that the data ask for.

    The noise is that of the richest model: what a poorer one leaves is not all noise.
    """
    one = _refine(times, values, [_best_single(times, values)])
    two = _best_double(times, values)
    noise = _noise_of((two or one).residuals, step)
    best = _solve(times, values, [])
    for richer in (one, two):
        if richer is not None and _better(best, richer, noise):
            best = richer
    return best, noise


def _better(simple: _Model, rich: _Model, noise: _Noise) -> bool:
    """F test for the parameters that the richer model has more."""
    more = 2.0 * (len(rich.constants) - len(simple.constants))
    gain = max(0.0, simple.squares - rich.squares) / more / noise.variance
    return f_tail(gain, more, noise.degrees) < RICHER_LEVEL


def _end_misfit(
    model: _Model, times: Numbers, noise: _Noise, least: float, level: float
) -> float | None:
    """How far the last readings lie above the fit; None where that may be noise, or is little.

    A line through the residuals of the last half, taken at the end. Slow parts of the machine
    (the air in the case, a water loop) show there first.
    """
    half = len(times) // 2
    late, left = times[half:], model.residuals[half:]
    places = late - late.mean()
    spread = float(places @ places)
    found = float(left.mean() + (places @ left) / spread * places[-1])
    error = math.sqrt(noise.variance * (1.0 / len(late) + float(places[-1]) ** 2 / spread))
    limit = student_two_sided(1.0 - level, noise.degrees) * error
    return found if abs(found) > max(least, limit) else None


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
    return refined if _is_physical(refined, float(times[-1])) else None


def _is_physical(model: _Model, end: float) -> bool:
    """Both parts carry a fair share of the rise in the same direction, well apart in time."""
    parts = -model.coefficients[1:] * np.expm1(-end / np.array(model.constants))
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


def _hidden_rise(times: Numbers, noise: _Noise) -> float:
    """How far a steady rise could go, in as long again as the load lasted, and not be seen.

    The half-width of the slope over the last half, at 95 %, times the length of the load.
    """
    late = times[len(times) // 2 :] - times[len(times) // 2 :].mean()
    error = math.sqrt(noise.variance / float(late @ late))
    return student_two_sided(0.95, noise.degrees) * error * float(times[-1])


def _why_no_end(
    model: _Model, times: Numbers, noise: _Noise, step: float, within: float, level: float
) -> str | None:
    """Why the data do not show where the temperature ends; None where they do."""
    end_time, slowest = float(times[-1]), max(model.constants, default=0.0)
    if slowest * SPAN_CONSTANTS > end_time:
        return (
            f"the load lasted {end_time:.0f} s, too short to show where the temperature ends"
            f" (time constant {slowest:.0f} s or more)"
        )
    hidden = _hidden_rise(times, noise)
    if hidden > MOST_HIDDEN * within + step / 2.0:
        return (
            f"the load lasted {end_time:.0f} s, too short for this reading: a slow rise by up to"
            f" {hidden:.1f} °C in as long again could hide in its noise"
        )
    misfit = _end_misfit(model, times, noise, within / 5.0, level)
    if misfit is None:
        return None
    side = "above" if misfit > 0.0 else "below"
    return (
        f"no one or two time constants describe the temperature: it ended {abs(misfit):.1f} °C"
        f" {side} the fit, so where it ends is not shown"
    )


def _described(
    model: _Model,
    times: Numbers,
    confidence: float,
    count: int,
    start: float | None,
    reason: str | None,
) -> ThermalFit:
    """The fit without what it says of the end."""
    parts = tuple(
        ThermalComponent(-float(coefficient), constant)
        for coefficient, constant in zip(model.coefficients[1:], model.constants, strict=True)
    )
    return ThermalFit(
        components=parts,
        start_celsius=model.at(0.0) if start is None else start,
        end_celsius=model.at(float(times[-1])),
        steady_celsius=None,
        low_celsius=None,
        high_celsius=None,
        confidence=confidence,
        remaining_celsius=None,
        settled=False,
        residual_celsius=math.sqrt(model.squares / max(1, len(times) - 1)),
        samples=count,
        why=reason or "",
        reason=reason,
    )


def _with_end(
    fit: ThermalFit, model: _Model, times: Numbers, step: float, within: float, close: bool
) -> ThermalFit:
    """The fit with its end; `close` says that no slow rise worth telling hides in the noise."""
    error, degrees = _steady_error(model, times, step)
    half = student_two_sided(fit.confidence, degrees) * error
    steady, remaining = float(model.coefficients[0]), model.remaining(float(times[-1]))
    known = close and half <= within + step / 2.0
    settled = False if abs(remaining) > within else True if known else None
    return replace(
        fit,
        steady_celsius=steady,
        low_celsius=steady - half,
        high_celsius=steady + half,
        remaining_celsius=remaining,
        settled=settled,
        why=_sentence(steady, remaining, settled),
    )


def _sentence(steady: float, remaining: float, settled: bool | None) -> str:
    if settled:
        return f"settled at {steady:.1f} °C"
    if settled is None:
        return f"no further change is seen at {steady:.1f} °C, but that is not known closely"
    verb = "risen" if remaining > 0.0 else "fallen"
    return f"would have {verb} another {abs(remaining):.1f} °C, to {steady:.1f} °C"
