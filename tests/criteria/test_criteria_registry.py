"""The registry of criteria, and what holds for every criterion alike."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any, get_args

import pytest
from evidence_samples import evidence, failure, load_evidence, load_info, run_data, soak

import harness.criteria
from harness.criteria import registry
from harness.criteria.base import CriterionSpec
from harness.criteria.evidence import Evidence
from harness.outcome import Ending, Verdict
from harness.results import FailureKind

#: Keys that a criterion cannot do without.
NEEDED: dict[str, dict[str, Any]] = {
    "temperature-ceiling": {"at_most_celsius": 90.0},
    "temperature-margin": {"at_least_celsius": 5.0},
    "clock-floor": {"at_least_ghz": 3.0},
    "throughput-floor": {"load": "spin", "at_least": 90.0, "unit": "turn/s"},
    "spread-ceiling": {"at_most_percent": 5.0},
    "minimum-soak": {"minimum_minutes": 10.0},
    "error-rate": {"at_most_per_hour": 100.0},
    "test-plan": {"load": "spin", "plan": "XV-D", "refused_mean_hours": 0.001},
}


def make(name: str, /, **more: Any) -> CriterionSpec:
    return registry.find(name).model_validate({"criterion": name, **NEEDED.get(name, {}), **more})


NOTHING = evidence(
    run_data(trials=(), soaks=(), channels=(), duration_seconds=None),
    loads=(
        load_evidence(rates=()),
        load_evidence(load_info("steady", 1, trials=0), ()),
    ),
    stop_above_celsius=None,
)
BAD = evidence(
    run_data(
        failures=(failure(), failure(FailureKind.MACHINE_RESTARTED, workload=None, core=None)),
        ending=Ending.CRASHED,
    )
)
UNAVAILABLE = evidence(
    loads=(
        load_evidence(load_info(available=False, reason="no compiler"), ()),
        load_evidence(load_info("steady", 1, trials=0, available=False, reason="no room"), ()),
    )
)
SHORT = evidence(loads=(load_evidence(load_info("steady", 1, trials=0), (), (soak(1.0),)),))
CASES = {
    "a good run": evidence(),
    "nothing measured": NOTHING,
    "a bad run": BAD,
    "no load available": UNAVAILABLE,
    "a short soak alone": SHORT,
}


@pytest.mark.parametrize("name", registry.names())
def test_the_registered_class_carries_the_registered_name(name: str) -> None:
    kind = registry.find(name)
    assert get_args(kind.model_fields["criterion"].annotation) == (name,)
    assert kind.title


def test_every_file_with_a_criterion_is_registered() -> None:
    folder = Path(harness.criteria.__file__).parent
    files = {path.stem for path in folder.glob("*.py") if "criterion: Literal[" in path.read_text()}
    assert files == {place.partition(":")[0] for place in registry.CRITERIA.values()}


@pytest.mark.parametrize("name", registry.names())
@pytest.mark.parametrize("case", CASES)
def test_every_result_explains_itself_in_one_line(name: str, case: str) -> None:
    spec = make(name)
    result = spec.judge(CASES[case])
    assert (result.name, result.required) == (spec.label, True)
    assert 0 < len(result.why) < 300
    assert result.why.isprintable()
    if result.verdict in (Verdict.PASS, Verdict.FAIL):
        assert result.measured is not None
        assert result.uncertainty
        assert result.unit
    if result.low is not None and result.high is not None:
        assert result.measured is not None
        assert result.low <= result.measured <= result.high


@pytest.mark.parametrize("name", registry.names())
def test_nothing_measured_is_never_a_pass(name: str) -> None:
    required = make(name).judge(NOTHING)
    optional = make(name, required=False).judge(NOTHING)
    assert required.verdict is Verdict.INCONCLUSIVE
    assert optional.verdict is Verdict.NOT_TESTED
    assert required.measured is optional.measured is None
    assert "not measured" in required.why


@pytest.mark.parametrize("name", registry.names())
def test_a_name_of_its_own_is_the_name_of_the_result(name: str) -> None:
    assert make(name, name="mine").judge(evidence()).name == "mine"


def test_evidence_has_a_default_for_everything_that_may_be_unknown() -> None:
    given = {"data", "loads"}
    assert {item.name for item in fields(Evidence)} >= given
    assert Evidence(run_data(), ()).comparison is None
