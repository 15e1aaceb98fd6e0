"""summary.json: the run in one JSON document, for programs.

The keys are a contract: they are added to, never renamed or removed. What was not measured is
null, and `reasons` says why, keyed by the JSON Pointer (RFC 6901) of the null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from harness.compared import FactChange
from harness.results import (
    ChannelSummary,
    CriterionResult,
    Failure,
    RunResult,
    SafetyStop,
    WorkloadResult,
)

FORMAT = "rigproof.summary"
FORMAT_VERSION = 1

#: Keys whose null has a reason of its own, whatever the object's reason is.
_OWN_REASON = ("limit", "golden_origin")
#: A fact that could not be read carries its own reason; a bare null is an absence that was seen.
_FACTS = "/facts/"
_ABSENT_FACT = "the machine has none"
_NO_BASELINE = "this run was not judged against a baseline"
_NOT_ALIKE = "no load was compared with the baseline: the criteria that ask for it say why"
_DECIDED = "decided: none are needed"
#: Why a value is null where the result itself gives no reason.
_UNEXPLAINED = {
    "ended": "the run ended without its end event",
    "safety_stop": "no safety limit stopped the run",
    "limit": "the criterion has no limit of its own",
    "low": "an exact value, or nothing to bound",
    "high": "an exact value, or nothing to bound",
    "workload": "not tied to one workload",
    "lane": "not tied to one lane",
    "core": "the core is not known",
    "golden_origin": "no right digest was settled for this workload in this run",
    "changes": _NO_BASELINE,
    "before": "not stated by the baseline",
    "after": "not stated by this run",
    "mean_before": "no mean holds for this side",
    "mean_after": "no mean holds for this side",
    "cv_percent": "needs at least two valid trials and a mean other than zero",
}


def summary(result: RunResult) -> dict[str, Any]:
    """The document as Python values, in the order in which it is written."""
    document = {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "run_id": result.run_id,
        "verdict": str(result.verdict),
        "profile": {"name": result.profile_name, "sha256": result.profile_sha256},
        "started": result.started_utc,
        "ended": result.ended_utc,
        "criteria": [_criterion(item) for item in result.criteria],
        "workloads": [_workload(item) for item in result.workloads],
        "failures": [_failure(item) for item in result.failures],
        "safety_stop": _safety_stop(result.safety_stop),
        "channels": [_channel(item) for item in result.channels],
        "settings": dict(result.settings),
        "facts": dict(result.facts),
        "notes": list(result.notes),
        "changes": [_change(item) for item in result.changes] if result.baseline_runs else None,
        # Under the keys of `compare --json`.
        "compared": [asdict(item) for item in result.compared] or None,
    }
    reasons: dict[str, str] = {}
    clean = _explained(document, "", _given_reasons(result), reasons)
    return {**clean, "reasons": reasons}


def summary_json(result: RunResult) -> str:
    """The document as ASCII text, so that no character in it can deceive a viewer."""
    return json.dumps(summary(result), indent=2, allow_nan=False) + "\n"


def _criterion(item: CriterionResult) -> dict[str, Any]:
    return {
        "name": item.name,
        "required": item.required,
        "verdict": str(item.verdict),
        "measured": item.measured,
        "low": item.low,
        "high": item.high,
        "limit": item.limit,
        "unit": item.unit,
        "why": item.why,
    }


def _workload(item: WorkloadResult) -> dict[str, Any]:
    return {
        "name": item.name,
        "unit": item.unit,
        "trials": item.trials,
        "boots": item.boots,
        "flagged": [{"trial": flag.trial, "cause": flag.cause} for flag in item.flagged],
        "rejected": item.rejected,
        "mean": item.mean,
        "low": item.low,
        "high": item.high,
        "confidence": item.confidence,
        "cv_percent": item.cv_percent,
        "mean_all": item.mean_all,
        "low_all": item.low_all,
        "high_all": item.high_all,
        "golden_origin": item.golden_origin or None,
        "readings": dict(item.readings),
    }


def _change(item: FactChange) -> dict[str, Any]:
    return {"fact": item.fact, "before": item.before, "after": item.after}


def _failure(item: Failure) -> dict[str, Any]:
    return {
        "kind": str(item.kind),
        "workload": item.workload,
        "lane": item.lane,
        "core": item.core,
        "at_seconds": item.at_seconds,
        "detail": item.detail,
    }


def _safety_stop(stop: SafetyStop | None) -> dict[str, Any] | None:
    if stop is None:
        return None
    return {
        "channel": stop.channel,
        "value": stop.value,
        "limit": stop.limit,
        "unit": stop.unit,
        "at_seconds": stop.at_seconds,
    }


def _channel(item: ChannelSummary) -> dict[str, Any]:
    return {
        "name": item.name,
        "unit": item.unit,
        "source": item.source,
        "role": item.role,
        "samples": item.samples,
        "missing": item.missing,
        "minimum": item.minimum,
        "mean": item.mean,
        "maximum": item.maximum,
    }


def _given_reasons(result: RunResult) -> dict[str, str]:
    """Reasons that the result carries, by the pointer of the null or of the object around it."""
    given = {f"/criteria/{index}": item.why for index, item in enumerate(result.criteria)}
    given["/compared"] = _NOT_ALIKE if result.baseline_runs else _NO_BASELINE
    for index, compared in enumerate(result.compared):
        given[f"/compared/{index}"] = compared.why
        if compared.decision != "undecided":
            given[f"/compared/{index}/trials_needed"] = _DECIDED
            given[f"/compared/{index}/boots_needed"] = _DECIDED
    for index, workload in enumerate(result.workloads):
        given[f"/workloads/{index}"] = workload.reason or "; ".join(workload.findings)
    for index, channel in enumerate(result.channels):
        given[f"/channels/{index}"] = channel.why
    return {pointer: reason for pointer, reason in given.items() if reason}


def _explained(value: Any, pointer: str, given: Mapping[str, str], reasons: dict[str, str]) -> Any:
    """`value` as JSON can hold it; every null in it gets an entry in `reasons`."""
    if isinstance(value, Mapping):
        if value.get("value", "") is None and value.get("reason"):
            given = {**given, pointer: str(value["reason"])}
        return {
            str(key): _explained(item, f"{pointer}/{_token(key)}", given, reasons)
            for key, item in value.items()
        }
    if isinstance(value, list | tuple | set | frozenset):
        items = sorted(value, key=repr) if isinstance(value, set | frozenset) else value
        return [
            _explained(item, f"{pointer}/{index}", given, reasons)
            for index, item in enumerate(items)
        ]
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        reasons[pointer] = _reason(value, pointer, given)
        return None
    return value if isinstance(value, bool | int | float | str) else str(value)


def _reason(value: float | None, pointer: str, given: Mapping[str, str]) -> str:
    if value is not None:
        return f"not a finite number: {value}"
    if pointer in given:
        return given[pointer]
    parent, _, key = pointer.rpartition("/")
    if parent in given and key not in _OWN_REASON:
        return given[parent]
    if pointer.startswith(_FACTS):
        return _ABSENT_FACT
    return _UNEXPLAINED.get(key, "not measured; the record gives no reason")


def _token(key: object) -> str:
    return str(key).replace("~", "~0").replace("/", "~1")
