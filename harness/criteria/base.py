"""What a criterion is: the keys a profile may give it, and the rule that judges the evidence."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import ClassVar

from pydantic import Field, model_validator

from harness.criteria.evidence import Evidence, LoadEvidence
from harness.criteria.judging import Finding, listed, worst
from harness.criteria.strict import StrictModel, broken_rule
from harness.outcome import Ending, Verdict
from harness.results import CriterionResult

#: Why nothing is known of any load of a run that was interrupted in its first seconds.
ENDED_BEFORE_LOADS = "the run ended before any load was ready"

NAME_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9 ._+-]{0,63}$"


class CriterionSpec(StrictModel):
    """One acceptance rule. Subclasses fix `criterion`, add keys of their own, and judge."""

    #: What the rule asks, for people: "No failures under load".
    title: ClassVar[str]
    #: Which kind of load it can judge: "trials", "soak", or "" for either.
    needs: ClassVar[str] = ""

    criterion: str = Field(description="Which acceptance rule this is.")
    required: bool = Field(
        default=True,
        description="True: the run cannot pass without it. False: told, but does not count when "
        "it could not be measured.",
    )
    name: str = Field(
        default="",
        pattern=NAME_PATTERN + "|^$",
        description="Name in the report and in JUnit; default: the criterion's own name, and the "
        "load's where one is given.",
    )

    @property
    def label(self) -> str:
        """The name of this criterion's result, unique within a profile."""
        return self.name or " ".join((self.criterion, *self.load_names()))

    def load_names(self) -> tuple[str, ...]:
        """The loads this rule is limited to, as the profile names them; empty for all."""
        return ()

    @abstractmethod
    def judge(self, evidence: Evidence) -> CriterionResult:
        """The verdict, from the evidence alone."""

    def result(
        self,
        verdict: Verdict,
        why: str,
        *,
        measured: float | None = None,
        low: float | None = None,
        high: float | None = None,
        limit: float | None = None,
        unit: str = "",
        uncertainty: str = "",
    ) -> CriterionResult:
        """A result under this criterion's name."""
        return CriterionResult(
            name=self.label,
            required=self.required,
            verdict=verdict,
            measured=measured,
            low=low,
            high=high,
            limit=limit,
            unit=unit,
            why=why,
            title=self.title,
            uncertainty=uncertainty,
        )

    def from_finding(self, found: Finding, limit: float | None, unit: str) -> CriterionResult:
        """The result that one finding decides."""
        return self.result(
            found.verdict,
            found.why,
            measured=found.measured,
            low=found.low,
            high=found.high,
            limit=limit if found.limit is None else found.limit,
            unit=unit,
            uncertainty=found.uncertainty,
        )

    def not_measured(
        self, why: str, *, limit: float | None = None, unit: str = ""
    ) -> CriterionResult:
        """What could not be measured: undecided where it is required, else not tested."""
        verdict = Verdict.INCONCLUSIVE if self.required else Verdict.NOT_TESTED
        return self.result(verdict, f"not measured: {why}", limit=limit, unit=unit)

    def decided_by(
        self,
        findings: Sequence[Finding],
        missing: Sequence[str],
        limit: float | None,
        unit: str,
    ) -> CriterionResult:
        """The worst finding decides; what is `missing` (reasons) forbids a pass.

        One load that could not be measured is never covered up by others that were.
        """
        if not findings:
            why = missing[0] if missing else "no load of this run fits the rule"
            return self.not_measured(why, limit=limit, unit=unit)
        found = worst(findings)
        if missing and found.verdict is Verdict.PASS:
            return self.not_measured(
                f"{missing[0]} (what was measured passes: {found.why})", limit=limit, unit=unit
            )
        return self.from_finding(found, limit, unit)


class LoadCriterion(CriterionSpec):
    """A rule about loads: all of them, or those named by `loads`."""

    loads: tuple[str, ...] = Field(
        default=(), description="Names of the loads it is about; default: every load it fits."
    )
    optional_loads: tuple[str, ...] = Field(
        default=(),
        description="Of these, loads that are left out where this system cannot run them (no "
        "compiler, no such instruction), which the verdict's sentence then says; any other load "
        "that is not available forbids a pass.",
    )

    @model_validator(mode="after")
    def _each_load_once(self) -> LoadCriterion:
        for key in ("loads", "optional_loads"):
            names = getattr(self, key)
            if len(set(names)) != len(names):
                raise broken_rule("names a load twice: give each load once", key)
        for name in self.optional_loads:
            if self.loads and name not in self.loads:
                raise broken_rule(
                    f"'{name}' is not among loads, so that it is never judged: add it there, or "
                    "remove it here",
                    "optional_loads",
                )
        return self

    def load_names(self) -> tuple[str, ...]:
        """See :class:`CriterionSpec`."""
        return self.loads

    def chosen(self, evidence: Evidence) -> tuple[LoadEvidence, ...]:
        """The loads this rule is about, of the kind it can judge."""
        return tuple(
            load
            for load in evidence.chosen(self.loads)
            if (not self.needs or self._fits(load)) and not self._is_left_out(load, evidence)
        )

    def _is_left_out(self, load: LoadEvidence, evidence: Evidence) -> bool:
        """A load that was tried and failed is not one that this system cannot run."""
        optional = load.name in self.optional_loads and not load.info.available
        return optional and not evidence.failures((load.name,))

    def telling_left_out(self, result: CriterionResult, evidence: Evidence) -> CriterionResult:
        """`result`, whose sentence names what the profile lets the rule leave out here."""
        gone = [load for load in evidence.chosen(self.loads) if self._is_left_out(load, evidence)]
        if not gone:
            return result
        names = listed((f"{load.name} ({load.info.reason})" for load in gone), most=3)
        if self.loads and len(gone) == len(self.loads):
            why = f"nothing is left to judge; left out, as the profile allows: {names}"
            return replace(result, required=False, verdict=Verdict.NOT_TESTED, why=why)
        return replace(result, why=f"{result.why}; left out, as the profile allows: {names}")

    def not_judged(self, evidence: Evidence) -> list[str]:
        """Why loads that the rule names cannot be judged: unknown, unavailable, another kind.

        A run that ended while its loads were being prepared holds none of them, named or not.
        """
        if not evidence.loads and evidence.data.ending is not Ending.COMPLETED:
            return [ENDED_BEFORE_LOADS]
        by_name = {load.name: load for load in evidence.loads}
        left_out = {load.name for load in evidence.loads if self._is_left_out(load, evidence)}
        asked = [name for name in self.loads if name not in left_out]
        reasons = [self._why_not_judged(name, by_name.get(name)) for name in asked]
        return [reason for reason in reasons if reason]

    def not_available(self, loads: Iterable[LoadEvidence]) -> list[str]:
        """Why `loads` could not run here, of a rule that names none: those it names are told."""
        unnamed = [load for load in loads if load.name not in self.loads]
        return [why_not_available(load) for load in unnamed if not load.info.available]

    def _why_not_judged(self, name: str, load: LoadEvidence | None) -> str:
        if load is None:
            return f"the record holds no load named {name}"
        if not load.info.available:
            return why_not_available(load)
        if self.needs and not self._fits(load):
            return f"{name} ran no {'trials' if self.needs == 'trials' else 'soak'}"
        return ""

    def _fits(self, load: LoadEvidence) -> bool:
        return (load.info.trials > 0) is (self.needs == "trials")


def why_not_available(load: LoadEvidence) -> str:
    """Why this system could not run a load."""
    return f"{load.name} is not available here: {load.info.reason}"
