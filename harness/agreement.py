"""Which digest is the right one, and how many passes make a trial: settled once, before trials.

A shipped golden is right by construction. Where none ships, each lane whose repeated passes agree
has one vote, and a majority of votes decides; the lanes outvoted are failures of their own. A
golden remembered from an earlier run on the same code path must agree too, so that a machine that
has become unstable in the meantime cannot bless its own error.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.lanes.messages import Probed


@dataclass(frozen=True)
class Dissent:
    """What contradicts the golden, in words; `lane` is None when no lane stands out."""

    lane: int | None
    detail: str


@dataclass(frozen=True)
class Agreement:
    """The golden digest (None when nobody can say), where it comes from, who contradicts it."""

    golden: int | None
    origin: str
    dissents: tuple[Dissent, ...]


def settle_golden(
    probes: Sequence[Probed], shipped: int | None, remembered: int | None = None
) -> Agreement:
    """Settle the golden of one load from all lanes' probes."""
    if shipped is not None:
        return Agreement(shipped, "shipped", _dissents(probes, shipped, "the shipped golden"))
    votes = Counter(probe.digests[0] for probe in probes if len(set(probe.digests)) == 1)
    if not votes:
        return Agreement(None, "no lane agrees with itself", _disagreeing(probes))
    golden, count = votes.most_common(1)[0]
    if 2 * count <= votes.total():
        return Agreement(None, "no majority", _disagreeing(probes))
    dissents = _dissents(probes, golden, "the majority")
    if remembered is not None and remembered != golden:
        detail = (
            f"all passes agree on 0x{golden:016x}, but an earlier run on the same code path had "
            f"0x{remembered:016x}: one of the two was wrong on every lane, or a library "
            "or compiler changed in a way that its version does not tell; if something was updated "
            "since, run once with --recalibrate, which settles the result anew; if nothing was, "
            "the machine computes differently than before"
        )
        dissents += (Dissent(None, detail),)
    return Agreement(golden, _origin(probes, count), dissents)


def _origin(probes: Sequence[Probed], count: int) -> str:
    made = sum(len(probe.digests) for probe in probes)
    passes = f"{made} pass{'' if made == 1 else 'es'}"
    if len(probes) == 1:
        return f"agreed by {passes} of one lane only: nothing else confirms it"
    return f"agreed by {count} of {len(probes)} lanes ({passes})"


def _dissents(probes: Sequence[Probed], golden: int, against: str) -> tuple[Dissent, ...]:
    found = []
    for probe in probes:
        wrong = [digest for digest in probe.digests if digest != golden]
        if wrong:
            detail = (
                f"{len(wrong)} of {len(probe.digests)} warm-up passes gave 0x{wrong[0]:016x}, "
                f"{against} is 0x{golden:016x}"
            )
            found.append(Dissent(probe.lane, "; ".join((detail, *probe.doubts))))
        elif probe.doubts:
            found.append(Dissent(probe.lane, "; ".join(probe.doubts)))
    return tuple(found)


def _disagreeing(probes: Sequence[Probed]) -> tuple[Dissent, ...]:
    return tuple(
        Dissent(
            probe.lane,
            f"{len(set(probe.digests))} different digests in {len(probe.digests)} warm-up passes "
            "and no majority over all lanes",
        )
        for probe in probes
    )


def settle_passes(probes: Sequence[Probed], target_seconds: float) -> Mapping[int, int]:
    """Passes per lane that take about `target_seconds`; at least 2, by each lane's own speed.

    The first pass of a probe is left out where others remain: it is up to 5 % slow (measured).
    """
    return {
        probe.lane: max(2, round(target_seconds / pass_seconds(probe.pass_seconds)))
        for probe in probes
        if probe.pass_seconds
    }


def pass_seconds(times: Sequence[float]) -> float:
    """Typical duration of a pass: the median of a probe's passes after the first."""
    from statistics import median

    return max(median(times[1:] or times), 1e-9)
