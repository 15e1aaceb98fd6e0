"""Whether the ratios of several workloads agree with the spread between boots that was assumed.

With one boot a side nothing of a workload's own shows how far boots differ, but several workloads
do together: what remains of their log ratios about the shift they share is trials, boots, or a
change that acts on each of them differently. The last two cannot be told apart with one boot a
side, so a wide scatter is told and nothing is widened by it: widened, a true 3 % change of one of
ten workloads would be found in 57 % of comparisons instead of 99 %, and one of half of them never
(simulated, five trials a side, 0.5 % spread). A spread between boots that moves all workloads
together cannot be seen here at all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.statistics.levels import combine_variances
from harness.statistics.quantiles import f_tail
from harness.statistics.sides import Term
from harness.statistics.summary import mean_of, sd_of

#: Fewest workloads whose scatter is looked at.
FEWEST_WORKLOADS = 5
#: Chance of telling of a contradiction although the assumption holds.
TOLD_LEVEL = 0.01


@dataclass(frozen=True)
class LogRatio:
    """One workload's log ratio, the terms of its variance, and the assumed spread between boots."""

    difference: float
    terms: tuple[Term, ...]
    assumed_percent: float


def why_contradicted(ratios: Sequence[LogRatio]) -> str:
    """One sentence where ratios scatter more than their stated errors allow, else "".

    `ratios` are those of one boot a side whose spread between boots is assumed.
    """
    if len(ratios) < FEWEST_WORKLOADS or scatter_p_value(ratios) >= TOLD_LEVEL:
        return ""
    assumed = max(ratio.assumed_percent for ratio in ratios)
    return (
        f"the ratios of {len(ratios)} loads differ from one another by more than {assumed:g} % "
        f"between boots and their own scatter explain ({spread_shown(ratios):.2g} % would): either "
        "the change acts on each load differently, or boots of this machine differ by more than "
        "assumed, and then a difference called here may be one of boots; 3 boots a side tell"
    )


def scatter_p_value(ratios: Sequence[LogRatio]) -> float:
    """Chance of ratios scattering this far about their common shift by their stated errors.

    Welch (1951), Biometrika 38:330-336: means of unlike, estimated variances, each variance with
    its own effective degrees of freedom.
    """
    count = len(ratios)
    errors = [combine_variances(ratio.terms) for ratio in ratios]
    weights = [1.0 / variance for variance, _ in errors]
    whole = math.fsum(weights)
    common = math.fsum(w * r.difference for w, r in zip(weights, ratios, strict=True)) / whole
    squares = math.fsum(
        w * (r.difference - common) ** 2 for w, r in zip(weights, ratios, strict=True)
    )
    unsure = math.fsum(
        (1.0 - w / whole) ** 2 / degrees for w, (_, degrees) in zip(weights, errors, strict=True)
    )
    f = squares / (count - 1) / (1.0 + 2.0 * (count - 2) * unsure / (count**2 - 1))
    return f_tail(f, count - 1, (count**2 - 1) / (3.0 * unsure) if unsure else math.inf)


def spread_shown(ratios: Sequence[LogRatio]) -> float:
    """Spread between boots in percent that the ratios would fit, if nothing else made them differ.

    The moment estimate: variance of the ratios less what their trials explain, for two boots.
    """
    trials = [
        combine_variances(ratio.terms)[0] - 2.0 * (ratio.assumed_percent / 100.0) ** 2
        for ratio in ratios
    ]
    seen = sd_of([ratio.difference for ratio in ratios]) ** 2
    return 100.0 * math.sqrt(max(0.0, seen - mean_of(trials)) / 2.0)
