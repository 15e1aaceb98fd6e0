"""Looking again: how much error each look at a growing comparison may spend.

Five looks at 5 % each would call a difference in 14 % of comparisons of a machine with itself.
Looks are therefore counted and the error is spent over them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from harness.statistics.quantiles import normal_cdf, normal_quantile
from harness.statistics.validation import require_confidence

NODES = 160
#: A boundary this far out is never crossed: nothing is left to spend.
UNREACHABLE = 12.0


@dataclass(frozen=True)
class SpendingPlan:
    """How the error is spread over looks.

    `alpha`: the whole error. `planned_looks`: how many looks there will be at most; None leaves it
    open, and each look then spends half of what is left. One planned look spends everything.
    """

    alpha: float = 0.05
    planned_looks: int | None = None

    def __post_init__(self) -> None:
        """Refuse a level that is no probability and a plan without a look."""
        require_confidence(self.alpha, "alpha")
        if self.planned_looks is not None and self.planned_looks < 1:
            raise ValueError(f"planned_looks={self.planned_looks}: must be at least 1, or None")

    def spent_by(self, look: int) -> float:
        """Error spent by the end of look number `look` (from 1).

        With a planned number, Pocock's type of Lan and DeMets (1983), Biometrika 70:659-663:
        alpha * ln(1 + (e - 1) t). Left open, alpha * (1 - 2^-look), which never reaches alpha.
        """
        if look < 1:
            raise ValueError(f"look={look}: looks are counted from 1")
        if self.planned_looks is None:
            return self.alpha * (1.0 - 0.5**look)
        share = min(1.0, look / self.planned_looks)
        return self.alpha * math.log(1.0 + (math.e - 1.0) * share)


def level_at_look(
    look: int, plan: SpendingPlan, information: Sequence[float] | None = None
) -> float:
    """Level at which look number `look` may be judged on its own; 0 where nothing is left.

    `information`: how much each look so far had (trials, say), rising. Looks share their data, and
    where it is known how much, the level is more than what the look spends. Where it is not, the
    level is what the look spends, which holds whatever they share (Bonferroni's inequality): taken
    as equal steps, looks of two trials and then twenty would spend 5.7 % instead of 5.
    """
    spent = [plan.spent_by(number + 1) for number in range(look)]
    if information is None:
        return spent[-1] - (spent[-2] if look > 1 else 0.0)
    steps = tuple(information)
    if len(steps) != look or any(b <= a for a, b in zip([0.0, *steps], steps, strict=False)):
        raise ValueError(f"information={list(steps)!r}: {look} rising positive numbers are needed")
    return _last_level(steps, tuple(spent))


@lru_cache(maxsize=256)
def _last_level(information: tuple[float, ...], spent: tuple[float, ...]) -> float:
    """Level at the last boundary; the same few are asked for again for every workload."""
    bound = spending_boundaries(information, spent)[-1]
    return 2.0 * normal_cdf(-bound) if bound < UNREACHABLE else 0.0


def spending_boundaries(information: Sequence[float], spent: Sequence[float]) -> tuple[float, ...]:
    """Boundaries |Z| > c_k so that by look k the error `spent[k]` is used under no difference.

    Recursive integration of the score's density over the region not yet left: Armitage,
    McPherson and Rowe (1969), J. R. Statist. Soc. A 132:235-244; Jennison and Turnbull (2000),
    Group Sequential Methods, chapter 19.
    """
    walk = _Walk()
    bounds: list[float] = []
    walked = before = 0.0
    for amount, total in zip(information, spent, strict=True):
        if bounds:
            walk.advance(walked, bounds[-1])
        bounds.append(walk.boundary(amount, max(0.0, total - before)))
        walked, before = amount, total
    return tuple(bounds)


@lru_cache(maxsize=1)
def _gauss_legendre() -> tuple[Any, Any]:
    """Nodes and weights on [-1, 1]; finding them costs more than a whole boundary."""
    import numpy as np

    return np.polynomial.legendre.leggauss(NODES)


class _Walk:
    """Density of the score (a Brownian motion in information) while no boundary was crossed."""

    def __init__(self) -> None:
        import numpy as np

        self.np = np
        self.amount = 0.0
        self.points = np.zeros(1)
        self.masses = np.ones(1)

    def exit_chance(self, amount: float, bound: float) -> float:
        """Chance of being beyond the bound at information `amount`, not having left before."""
        from scipy.special import ndtr

        step = math.sqrt(amount - self.amount)
        edge = bound * math.sqrt(amount)
        beyond = ndtr((-edge - self.points) / step) + ndtr((self.points - edge) / step)
        return float(self.np.sum(self.masses * beyond))

    def boundary(self, amount: float, chance: float) -> float:
        """The bound whose exit chance at `amount` is `chance`."""
        if chance <= 0.0:
            return UNREACHABLE
        if self.amount == 0.0:
            return -normal_quantile(chance / 2.0)
        low, high = 0.0, UNREACHABLE
        for _ in range(60):
            middle = (low + high) / 2.0
            if self.exit_chance(amount, middle) > chance:
                low = middle
            else:
                high = middle
        return (low + high) / 2.0

    def advance(self, amount: float, bound: float) -> None:
        """Move to information `amount`, keeping what lies within the bound."""
        np = self.np
        nodes, weights = _gauss_legendre()
        edge = min(bound, UNREACHABLE) * math.sqrt(amount)
        points, step = edge * nodes, math.sqrt(amount - self.amount)
        distances = (points[:, np.newaxis] - self.points[np.newaxis, :]) / step
        kernel = np.exp(-(distances**2) / 2.0) / (step * math.sqrt(2.0 * math.pi))
        self.points, self.masses = points, edge * weights * (kernel @ self.masses)
        self.amount = amount
