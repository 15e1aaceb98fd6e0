"""From a record to verdicts: statistics, then criteria, then the outcome table. Pure.

The same record and the same profile give the same result everywhere and for ever: nothing is
looked up, no clock is read, no random number is drawn without a seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from harness.criteria.evidence import Evidence
from harness.errors import ProfileError
from harness.judgement.advice import cautions_of
from harness.judgement.baseline import baseline_runs, compare_with_baseline
from harness.judgement.causes import Causes
from harness.judgement.channels import guarded_limits, summarise_channel
from harness.judgement.further_trials import further_trials
from harness.judgement.heat import NO_FIT, HeatFinding, heat_findings, heat_statements
from harness.judgement.loads import judge_loads
from harness.judgement.requalify import apply_requalification
from harness.judgement.room import room_of
from harness.judgement.spans import load_spans
from harness.judgement.stability import stability_statements
from harness.judgement.wholeness import damage_of, lacking_loads
from harness.machine.declared import Standing, check_settings
from harness.outcome import Outcome, Requirement, decide
from harness.profile.loader import parse_profile
from harness.profile.model import Profile
from harness.results import CriterionResult, RunData, RunResult
from harness.statistics.outliers import RejectionPolicy


def analyse(data: RunData, profile: Profile | None = None) -> RunResult:
    """Judge a run by `profile`, or by the profile it was made with.

    Raises ProfileError when the record's own profile cannot be read any more.
    """
    judged_by = profile or parse_profile(data.profile_text, data.profile_name, registry=None)
    judged_by = apply_requalification(judged_by, data.context)
    heat = heat_findings(data, judged_by, room_of(judged_by, data))
    evidence = gather_evidence(data, judged_by, heat)
    criteria = tuple(spec.judge(evidence) for spec in judged_by.accept)
    result = replace(
        _result(evidence, judged_by, criteria, _outcome(data, judged_by, criteria)),
        statements=(
            *stability_statements(evidence),
            *heat_statements(heat),
            *further_trials(evidence.loads, judged_by.confidence),
        ),
    )
    if profile is None or profile == _own_profile(data):
        return result
    banner = f"judged by the criteria of {profile.name}, not by those the run was made with"
    return replace(result, banners=(*result.banners, banner))


def _own_profile(data: RunData) -> Profile | None:
    try:
        return parse_profile(data.profile_text, data.profile_name, registry=None)
    except ProfileError:
        return None


def gather_evidence(data: RunData, profile: Profile, heat: Sequence[HeatFinding]) -> Evidence:
    """The statistics that criteria judge from."""
    blind = profile.statistics.outliers == "blind"
    causes = Causes(data)
    loads = judge_loads(data, causes, profile.confidence, RejectionPolicy(blind=blind))
    against = compare_with_baseline(data, profile)
    compared = against.compared
    return Evidence(
        data=data,
        loads=loads,
        confidence=profile.confidence,
        blind=blind,
        room=room_of(profile, data),
        stop_above_celsius=profile.safety.stop_above_celsius,
        whose_limit=profile.safety.whose_limit,
        heating=tuple(item.heating for item in heat),
        heating_reason=NO_FIT,
        comparison=None if compared is None else compared.comparison,
        not_slower={} if compared is None else compared.not_slower,
        ratio_guards={} if compared is None else compared.guards,
        comparison_reason=against.reason,
        changes=against.changes,
    )


def _outcome(data: RunData, profile: Profile, criteria: Sequence[CriterionResult]) -> Outcome:
    requirements = [Requirement(item.name, item.required, item.verdict) for item in criteria]
    return decide(
        requirements,
        ending=data.ending,
        failures=len(data.failures),
        partial=data.partial,
        safety_stop=data.safety_stop is not None,
        damaged=bool(damage_of(data)),
        lacking=lacking_loads(data, profile),
    )


def _result(
    evidence: Evidence, profile: Profile, criteria: tuple[CriterionResult, ...], outcome: Outcome
) -> RunResult:
    data = evidence.data
    return RunResult(
        run_id=data.run_id,
        verdict=outcome.verdict,
        exit_code=outcome.exit_code,
        why=outcome.why,
        profile_name=data.profile_name,
        profile_sha256=data.profile_sha256,
        profile_text=data.profile_text,
        purpose=profile.purpose,
        started_utc=data.started_utc,
        ended_utc=data.ended_utc,
        utc_offset_minutes=data.utc_offset_minutes,
        duration_seconds=data.duration_seconds,
        ending=data.ending,
        partial=data.partial or bool(lacking_loads(data, profile)),
        criteria=criteria,
        workloads=tuple(load.result for load in evidence.loads),
        failures=data.failures,
        safety_stop=data.safety_stop,
        channels=tuple(summarise_channel(item) for item in data.channels),
        load_spans=load_spans(data),
        events=data.events,
        settings=data.settings,
        facts=data.facts,
        notes=data.notes,
        versions=data.versions,
        unverified_settings=tuple(
            setting.name
            for setting in check_settings(data.settings, data.facts)
            if setting.standing is not Standing.CONFIRMED
        ),
        banners=data.banners,
        cautions=cautions_of(evidence, profile),
        boots=data.boots,
        limits=guarded_limits(data, profile),
        damage=damage_of(data),
        baseline_runs=baseline_runs(data),
        changes=evidence.changes,
        compared=() if evidence.comparison is None else evidence.comparison.workloads,
    )
