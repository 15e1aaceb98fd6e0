"""junit.xml: the structure of the published descriptions, the outcomes of the outcome table."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.outcome import CaseOutcome, Ending, ExitCode, Verdict, case_outcome
from harness.results import CriterionResult, Failure, FailureKind, RunResult
from reports.junit import junit_xml, suite_of
from tests.reports import samples
from tests.reports.markup import parse_junit

ANY_TEXT = st.text(alphabet=st.characters(codec=None), max_size=60)
MEGABYTE = 1_000_000


def cases(result: RunResult, **options: bool) -> dict[str, ElementTree.Element]:
    """The test cases of a result's document by name; the structure is checked on the way."""
    root = parse_junit(junit_xml(result, **options))
    return {case.attrib["name"]: case for case in root.iter("testcase")}


def criterion(name: str, verdict: Verdict, *, required: bool = True) -> CriterionResult:
    return CriterionResult(name, required, verdict, None, None, None, None, "", "because")


@pytest.mark.parametrize("name", list(samples.everything()))
def test_every_sample_has_the_strict_structure(name: str) -> None:
    run = samples.everything()[name]
    found = cases(run)
    assert len(found) == len(run.criteria) + 2


@pytest.mark.parametrize(
    ("verdict", "required", "allowed", "expected"),
    [
        (Verdict.PASS, True, False, CaseOutcome.PASSED),
        (Verdict.PASS, False, False, CaseOutcome.PASSED),
        (Verdict.FAIL, True, False, CaseOutcome.FAILURE),
        (Verdict.FAIL, True, True, CaseOutcome.FAILURE),
        (Verdict.FAIL, False, False, CaseOutcome.SKIPPED),
        (Verdict.INCONCLUSIVE, True, False, CaseOutcome.INCONCLUSIVE),
        (Verdict.INCONCLUSIVE, True, True, CaseOutcome.PASSED),
        (Verdict.INCONCLUSIVE, False, False, CaseOutcome.SKIPPED),
        (Verdict.NOT_TESTED, True, False, CaseOutcome.INCONCLUSIVE),
        (Verdict.NOT_TESTED, False, False, CaseOutcome.SKIPPED),
    ],
)
def test_a_criterion_becomes_the_case_that_the_outcome_table_says(
    verdict: Verdict, required: bool, allowed: bool, expected: CaseOutcome
) -> None:
    assert case_outcome(verdict, required=required, allow_inconclusive=allowed) is expected


def test_an_inconclusive_case_fails_with_a_type_of_its_own() -> None:
    failure = cases(samples.inconclusive())["throughput-floor dense-fp64"].find("failure")
    assert failure is not None
    assert failure.attrib["type"] == "rigproof.inconclusive"
    assert "straddles the floor" in failure.attrib["message"]


def test_inconclusive_cases_pass_when_that_is_allowed_and_failures_still_fail() -> None:
    allowed = cases(samples.inconclusive(), allow_inconclusive=True)
    assert all(case.find("failure") is None for case in allowed.values())
    failed = cases(samples.failing(), allow_inconclusive=True)
    assert failed["no-failures"].find("failure") is not None


def test_an_optional_criterion_that_could_not_be_measured_is_skipped_with_its_reason() -> None:
    skipped = cases(samples.passing())["no-hardware-errors"].find("skipped")
    assert skipped is not None
    assert skipped.attrib["message"].startswith("optional, does not count: not tested: not tested:")


def test_a_safety_stop_fails_the_guards_case_and_says_whose_limit_it_was() -> None:
    found = cases(samples.safety_stopped())
    failure = found["guard: no safety limit was exceeded"].find("failure")
    assert failure is not None
    assert failure.attrib["type"] == "rigproof.safety_stop"
    assert "95.4 °C" in failure.attrib["message"]
    assert "set by the profile" in failure.attrib["message"]
    assert found["the run itself"].find("failure") is None


def test_a_guard_that_guarded_nothing_is_not_green() -> None:
    skipped = cases(samples.without_sensors())["guard: no safety limit was exceeded"].find(
        "skipped"
    )
    assert skipped is not None
    assert "no channel was guarded" in skipped.attrib["message"]


def test_failures_under_load_fail_the_run_even_when_no_criterion_asks_for_them() -> None:
    failure = Failure(FailureKind.LANE_HUNG, "sort-keys", 2, 5, 12.0, "no heartbeat for 10 s")
    run = samples.judged(criteria=(criterion("spread", Verdict.PASS),), failures=(failure,) * 300)
    found = cases(run)["the run itself"].find("failure")
    assert found is not None
    assert found.attrib["message"].startswith("300 under load; first: lane hung in sort-keys")
    assert found.text is not None
    assert found.text.count("no heartbeat") == 200
    assert "and 100 more in the record" in found.text


def test_a_damaged_record_is_told_by_the_runs_case_even_when_every_criterion_passes() -> None:
    run = samples.judged(criteria=(criterion("a", Verdict.PASS),), damage=("DAMAGED: 3 rows",))
    failure = cases(run)["the run itself"].find("failure")
    assert failure is not None
    assert failure.attrib["type"] == "rigproof.inconclusive"
    assert "DAMAGED: 3 rows" in failure.attrib["message"]


def test_a_damaged_record_is_told_beside_criteria_that_are_undecided_too() -> None:
    rules = (criterion("a", Verdict.INCONCLUSIVE),)
    run = samples.judged(criteria=rules, damage=("DAMAGED: 3 rows",))
    failure = cases(run)["the run itself"].find("failure")
    assert failure is not None
    assert "damaged" in failure.attrib["message"]


def test_a_broken_harness_is_an_error_and_not_a_failure_of_the_machine() -> None:
    run = samples.judged(criteria=(criterion("a", Verdict.PASS),), ending=Ending.ERROR)
    case = cases(run)["the run itself"]
    assert case.find("error") is not None
    assert case.find("failure") is None


#: What a criterion can say; an error is a verdict of the run alone.
VERDICTS = st.sampled_from([verdict for verdict in Verdict if verdict is not Verdict.ERROR])
RULES = st.lists(st.tuples(VERDICTS, st.booleans()), max_size=4)


@settings(max_examples=100, deadline=None)
@given(
    rules=RULES,
    ending=st.sampled_from(list(Ending)),
    failures=st.integers(0, 1),
    partial=st.booleans(),
    damaged=st.booleans(),
)
def test_the_document_is_red_exactly_when_the_run_does_not_pass(
    rules: list[tuple[Verdict, bool]], ending: Ending, failures: int, partial: bool, damaged: bool
) -> None:
    """Oracle: the outcome table's own verdict and exit code."""
    failure = Failure(FailureKind.LANE_DIED, "w", 0, 0, 1.0, "signal 9")
    run = samples.judged(
        criteria=tuple(
            criterion(f"rule {index}", verdict, required=required)
            for index, (verdict, required) in enumerate(rules)
        ),
        ending=ending,
        failures=(failure,) * failures,
        partial=partial,
        damage=("DAMAGED: 3 rows",) * damaged,
        safety_stop=samples.safety_stopped().safety_stop if ending is Ending.SAFETY_STOP else None,
    )
    outcomes = {case.outcome for case in suite_of(run).cases}
    red = outcomes & {CaseOutcome.FAILURE, CaseOutcome.INCONCLUSIVE, CaseOutcome.ERROR}
    assert bool(red) == (run.verdict is not Verdict.PASS)
    assert (CaseOutcome.ERROR in red) == (run.exit_code is ExitCode.ERROR)
    if run.verdict is Verdict.FAIL:
        assert CaseOutcome.FAILURE in red
    if run.exit_code in (ExitCode.INCONCLUSIVE, ExitCode.INTERRUPTED):
        assert CaseOutcome.FAILURE not in red
        assert CaseOutcome.INCONCLUSIVE in red
        eased = {case.outcome for case in suite_of(run, allow_inconclusive=True).cases}
        assert eased <= {CaseOutcome.PASSED, CaseOutcome.SKIPPED}


def test_the_numbers_stand_in_system_out_because_a_case_may_have_no_properties() -> None:
    case = cases(samples.passing())["throughput-floor dense-fp64"]
    output = case.findtext("system-out") or ""
    assert "measured: 412.60 ± 0.24 GFLOP/s" in output
    assert "limit: 400 GFLOP/s" in output
    assert "measured=412600000000.0" in output
    assert case.find("properties") is None


def test_the_suite_carries_what_was_run_and_declared() -> None:
    root = parse_junit(junit_xml(samples.passing()))
    rows = {item.attrib["name"]: item.attrib["value"] for item in root.iter("property")}
    assert rows["run id"] == "20260314T081502Z-7f3a"
    assert rows["exit code"] == "0"
    assert rows["declared, not verified: memory speed"] == "6000 MT/s"
    assert rows["fact: CPU / model"] == "Imaginary Eight 4900"
    suite = root.find("testsuite")
    assert suite is not None
    assert suite.attrib["timestamp"] == "2026-03-14T08:15:02"
    assert suite.attrib["time"] == "1284.600"


def test_a_length_that_is_not_known_is_left_out_rather_than_zero() -> None:
    suite = parse_junit(junit_xml(samples.crashed())).find("testsuite")
    assert suite is not None
    assert "time" not in suite.attrib


def test_equal_names_become_unique_and_a_name_that_looks_numbered_is_respected() -> None:
    names = ("a", "a", "a (2)", "a", "the run itself")
    run = samples.judged(criteria=tuple(criterion(name, Verdict.PASS) for name in names))
    assert list(cases(run)) == [
        "a", "a (3)", "a (2)", "a (4)", "the run itself", "guard: no safety limit was exceeded",
        "the run itself (2)",
    ]  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(name=ANY_TEXT, why=ANY_TEXT, detail=ANY_TEXT, unit=ANY_TEXT)
def test_no_text_from_a_stranger_breaks_the_document(
    name: str, why: str, detail: str, unit: str
) -> None:
    rule = replace(criterion(name, Verdict.FAIL), why=why, unit=unit, title=detail)
    failure = Failure(FailureKind.WRONG_RESULT, name, 1, 1, 1.0, detail)
    run = samples.judged(
        criteria=(rule, rule), failures=(failure,), profile_name=name, settings={name: why},
        facts={name: {why: detail}}, banners=(detail,), versions={name: detail},
    )  # fmt: skip
    assert len(cases(run)) == 4


def test_control_characters_are_made_visible() -> None:
    text = junit_xml(samples.hostile())
    assert "[U+001B][31m" in text
    assert "[U+202E]" in text
    assert not any(character in text for character in "\x00\x1b\u202e\u2066")


@pytest.mark.parametrize("filler", ["x", "&", "\x1b", "é"])
def test_a_document_stays_below_30_megabytes_whatever_it_is_fed(filler: str) -> None:
    huge = filler * MEGABYTE
    rule = replace(criterion(huge, Verdict.FAIL), why=huge, title=huge, uncertainty=huge)
    failure = Failure(FailureKind.WRONG_RESULT, huge, 1, 1, 1.0, huge)
    run = samples.judged(
        criteria=(rule,) * 12, failures=(failure,) * 2, banners=(huge,) * 2,
        facts={str(number): huge for number in range(2)},
    )  # fmt: skip
    document = junit_xml(run)
    assert len(document.encode("utf-8")) < 30 * MEGABYTE
    assert "more characters are in the record" in document


def test_the_same_result_gives_the_same_bytes() -> None:
    for run, allowed in product((samples.failing(), samples.hostile()), (False, True)):
        first = junit_xml(run, allow_inconclusive=allowed)
        assert junit_xml(replace(run), allow_inconclusive=allowed) == first
