"""Invented comparisons: a memory profile switched on, measured over three boots a side."""

from __future__ import annotations

from dataclasses import replace

from harness.compared import Comparison, FactChange, WorkloadComparison


def mixed() -> Comparison:
    """One workload of every decision, and one that is far off the figure's scale."""
    return Comparison(
        confidence=0.95,
        margin_percent=1.0,
        workloads=(
            _workload("dense-fp64", "flop/s", 1.0007, 0.0011, "equivalent"),
            _workload("memory-read", "byte/s", 1.0826, 0.0081, "faster"),
            _workload("sort-keys", "key/s", 0.9731, 0.0052, "slower"),
            replace(
                _workload("load-latency", "s/access", 1.0093, 0.0124, "undecided"),
                trials_needed=21, boots_needed=4, mean_before=81.3e-9, mean_after=80.55e-9,
                why="the interval reaches from inside the margin to beyond it",
            ),
            _workload("file-compression", "byte/s", 2.31, 0.04, "faster"),
            WorkloadComparison(
                "stencil", "cell/s", None, None, None, "undecided", None, None, 5, 0, 1, 0, None,
                None, "not measured after the change: the compiler is missing",
            ),
        ),
        overall={"ratio": 1.0165, "low": 1.0113, "high": 1.0217, "decision": "faster"},
        changes=(
            FactChange("memory_profile", "off", "on"),
            FactChange("memory_speed", _mt_per_s(4800), _mt_per_s(6000)),
            FactChange("firmware / version", "1.41", "1.42"),
        ),
        warnings=("The kernel differs (6.17 and 6.18): a difference may come from it.",),
        scope="across boots",
        looks=2,
        assumptions=(
            "Boots differ by 0.3 % on this machine (declared: fewer than three earlier runs).",
            "The error of 5 % is spent over the looks: 2 of at most 3.",
        ),
    )  # fmt: skip


def empty() -> Comparison:
    """Two sides that share no workload and differ in nothing."""
    return Comparison(0.95, 1.0, (), {"ratio": None, "why": "no common workload"}, (), (), "", 0)


def _mt_per_s(value: int) -> dict[str, object]:
    return {"value": value, "unit": "MT/s"}


def _workload(name: str, unit: str, ratio: float, half: float, decision: str) -> WorkloadComparison:
    wider = 1.25 * half
    return WorkloadComparison(
        name, unit, ratio, ratio - half, ratio + half, decision, ratio - wider, ratio + wider,
        15, 15, 3, 3, None, None,
    )  # fmt: skip
