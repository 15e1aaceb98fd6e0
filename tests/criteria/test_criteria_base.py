"""What all criteria share: the worst finding decides, nothing is covered up, words stay short."""

from __future__ import annotations

import pytest
from evidence_samples import evidence, failure, load_evidence, load_info, run_data
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from harness.criteria.base import LoadCriterion
from harness.criteria.clock_floor import ClockFloor
from harness.criteria.disturbance_share import DisturbanceShare
from harness.criteria.error_rate import ErrorRate
from harness.criteria.judging import Finding, listed, percent_beside, plural, worst
from harness.criteria.minimum_soak import MinimumSoak
from harness.criteria.no_failures import NoFailures
from harness.criteria.spread_ceiling import SpreadCeiling
from harness.outcome import Verdict

VERDICTS = st.sampled_from([Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE])
FINDINGS = st.builds(
    Finding,
    subject=st.just("x"),
    verdict=VERDICTS,
    measured=st.just(1.0),
    low=st.none(),
    high=st.none(),
    why=st.just("because"),
    distance=st.floats(-10, 10),
)
SPEC = SpreadCeiling(at_most_percent=1.0)


@given(st.lists(FINDINGS, min_size=1))
def test_a_failure_outranks_a_doubt_and_a_doubt_a_pass(findings: list[Finding]) -> None:
    verdicts = {item.verdict for item in findings}
    found = worst(findings)
    if Verdict.FAIL in verdicts:
        assert found.verdict is Verdict.FAIL
    elif Verdict.INCONCLUSIVE in verdicts:
        assert found.verdict is Verdict.INCONCLUSIVE
    alike = [item.distance for item in findings if item.verdict is found.verdict]
    assert found.distance == min(alike)


@given(st.lists(FINDINGS), st.lists(st.just("no sensor"), min_size=1, max_size=2))
def test_what_is_missing_never_becomes_a_pass_and_never_hides_a_failure(
    findings: list[Finding], missing: list[str]
) -> None:
    result = SPEC.decided_by(findings, missing, 1.0, "%")
    failed = any(item.verdict is Verdict.FAIL for item in findings)
    assert result.verdict is (Verdict.FAIL if failed else Verdict.INCONCLUSIVE)


def test_a_load_named_twice_is_refused() -> None:
    with pytest.raises(ValidationError, match="names a load twice"):
        SpreadCeiling(at_most_percent=1.0, loads=("spin", "spin"))


def test_a_rule_judges_only_the_loads_of_its_kind() -> None:
    assert [load.name for load in SPEC.chosen(evidence())] == ["spin"]


@pytest.mark.parametrize(
    ("words", "text"),
    [
        ([], "none"),
        (["a"], "a"),
        (["a", "b"], "a and b"),
        (["a", "b", "c", "d"], "a, b, c and d"),
        (["a", "b", "c", "d", "e", "f"], "a, b, c, d and 2 more"),
    ],
)
def test_lists_stay_short(words: list[str], text: str) -> None:
    assert listed(words) == text


@pytest.mark.parametrize(
    ("number", "noun", "text"),
    [
        (1, "pass", "1 pass"),
        (2, "pass", "2 passes"),
        (0, "trial", "0 trials"),
        (3, "crash", "3 crashes"),
    ],
)
def test_nouns_agree_with_their_number(number: int, noun: str, text: str) -> None:
    assert plural(number, noun) == text


NAMING: tuple[LoadCriterion, ...] = (
    NoFailures(loads=("spin", "steady", "gone")),
    ClockFloor(at_least_ghz=1.0, loads=("spin", "gone")),
    DisturbanceShare(loads=("spin", "gone")),
    SpreadCeiling(at_most_percent=50.0, loads=("spin", "gone")),
    MinimumSoak(minimum_minutes=1.0, loads=("steady", "gone")),
    ErrorRate(at_most_per_hour=1e5, loads=("spin", "steady", "gone")),
)


@pytest.mark.parametrize("spec", NAMING, ids=lambda spec: spec.criterion)
def test_a_named_load_that_the_record_lacks_forbids_the_pass_of_the_others(
    spec: LoadCriterion,
) -> None:
    result = spec.judge(evidence())
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "the record holds no load named gone" in result.why
    rest = spec.model_copy(update={"loads": spec.loads[:-1]}).judge(evidence())
    assert rest.verdict is Verdict.PASS


@pytest.mark.parametrize("spec", NAMING, ids=lambda spec: spec.criterion)
def test_a_named_load_that_is_not_available_forbids_the_pass_of_the_others(
    spec: LoadCriterion,
) -> None:
    gone = load_evidence(load_info("gone", 2, available=False, reason="no compiler"), ())
    result = spec.judge(evidence(loads=(*evidence().loads, gone)))
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "no compiler" in result.why


#: The same rules without names, each with a load that it is about and that could not run.
UNNAMED = [
    (spec.model_copy(update={"loads": ()}), 0 if spec.needs == "soak" else 6) for spec in NAMING
]


@pytest.mark.parametrize(("spec", "trials"), UNNAMED, ids=lambda item: str(item)[:30])
def test_a_load_that_is_not_available_is_left_out_only_where_the_profile_says_so(
    spec: LoadCriterion, trials: int
) -> None:
    trials = 0 if spec.criterion == "error-rate" else trials
    info = load_info("gone", 2, trials=trials, available=False, reason="no compiler")
    # No clock was sampled during the sample soak.
    others = evidence().loads[:1] if spec.criterion == "clock-floor" else evidence().loads
    found = evidence(loads=(*others, load_evidence(info, ())))
    strict = spec.judge(found)
    assert strict.verdict is Verdict.INCONCLUSIVE
    assert "gone is not available here: no compiler" in strict.why
    openly = spec.model_copy(update={"optional_loads": ("gone",)}).judge(found)
    assert openly.verdict is Verdict.PASS
    assert openly.why.endswith("; left out, as the profile allows: gone (no compiler)")


def test_a_rule_all_of_whose_loads_are_left_out_judges_nothing_and_stands_in_no_ones_way() -> None:
    info = load_info("gone", 2, trials=0, available=False, reason="one CPU")
    rule = MinimumSoak(minimum_minutes=1.0, loads=("gone",), optional_loads=("gone",))
    result = rule.judge(evidence(loads=(*evidence().loads, load_evidence(info, ()))))
    assert (result.verdict, result.required) == (Verdict.NOT_TESTED, False)
    assert result.why == "nothing is left to judge; left out, as the profile allows: gone (one CPU)"


def test_a_load_that_was_tried_and_failed_is_not_left_out() -> None:
    info = load_info("gone", 2, trials=0, available=False, reason="the lanes do not agree")
    data = run_data(loads=(*evidence().data.loads, info), failures=(failure(workload="gone"),))
    found = evidence(data, loads=(*evidence().loads, load_evidence(info, ())))
    result = MinimumSoak(minimum_minutes=0.1, optional_loads=("gone",)).judge(found)
    assert result.verdict is Verdict.INCONCLUSIVE
    assert "left out" not in result.why


def test_an_optional_load_that_the_rule_is_not_about_is_refused() -> None:
    with pytest.raises(ValidationError, match="'gone' is not among loads"):
        NoFailures(loads=("spin",), optional_loads=("gone",))
    with pytest.raises(ValidationError, match="names a load twice"):
        NoFailures(optional_loads=("gone", "gone"))


@pytest.mark.parametrize(
    ("value", "marks", "text"),
    [
        (99.95, (99.9, 100.0), "99.95 %"),
        (1.2, (1.25,), "1.2 %"),
        (1.2499, (1.25,), "1.2 %"),
        (1.2511, (1.25,), "1.3 %"),
        (3.004, (3.0,), "3.004 %"),
        (100.0, (95.0, 100.0), "100 %"),
    ],
)
def test_a_share_is_shown_on_its_own_side_of_the_limit(
    value: float, marks: tuple[float, ...], text: str
) -> None:
    assert percent_beside(value, *marks) == text


@pytest.mark.parametrize(
    ("spec", "words"),
    [
        (SpreadCeiling(at_most_percent=50.0, loads=("spin", "steady")), "steady ran no trials"),
        (MinimumSoak(minimum_minutes=1.0, loads=("steady", "spin")), "spin ran no soak"),
    ],
)
def test_a_named_load_of_the_other_kind_forbids_the_pass(spec: LoadCriterion, words: str) -> None:
    result = spec.judge(evidence())
    assert result.verdict is Verdict.INCONCLUSIVE
    assert words in result.why
