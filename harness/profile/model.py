"""The profile: what to run, what to sample, where to stop, what to accept. Plain frozen data.

Every key that is a quantity carries its unit. Times are seconds unless the key says otherwise.
Rules that need the registry of workloads are in :mod:`harness.profile.checks`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Discriminator, Field, model_validator
from pydantic_core import PydanticCustomError

from harness.criteria.base import NAME_PATTERN, CriterionSpec
from harness.criteria.registry import specs
from harness.criteria.strict import StrictModel, broken_rule
from harness.profile.patterns import TRIAL_PATTERNS, AllLanes, HalfLanes, Mixed, Pattern

#: The number a profile's `format` must have; raised when a key changes its meaning.
FORMAT = 1

# Shared timing: the planner's estimates and the conductor's deadlines use the same numbers.
#: A trial shorter than this is ruled by timer and scheduler noise; measured, common practice.
MINIMUM_TRIAL_SECONDS = 0.05
#: Trials of three seconds keep the run-to-run spread below 1 % (measured with these workloads).
DEFAULT_TRIAL_SECONDS = 3.0
#: Longest soak of one load: thirty days.
MAXIMUM_SOAK_SECONDS = 30 * 86_400.0

Scalar = bool | int | float | str

#: The guard's ceilings when a profile gives none. Common practice, no source: the sensor is not
#: at the hottest spot, and trouble commonly starts here even where the nominal limit is higher.
WARN_ABOVE_CELSIUS = 90.0
STOP_ABOVE_CELSIUS = 95.0
DEFAULT_WHOSE = "rigproof's cautious default: common practice, no source"


def _one_of(kinds: tuple[type, ...], wanted: str, booleans: bool = False) -> BeforeValidator:
    """A union's one clear sentence instead of one finding per member; null is left to it."""

    def check(given: Any) -> Any:
        surprising = isinstance(given, bool) and not booleans
        if given is not None and (surprising or not isinstance(given, kinds)):
            raise PydanticCustomError("wanted", "{wanted}", {"wanted": wanted})
        return given

    return BeforeValidator(check)


ParameterValue = Annotated[
    Scalar | tuple[str, ...],
    _one_of(
        (bool, int, float, str, tuple), "a number, true or false, text, or a list of texts", True
    ),
]


class TrialRange(StrictModel):
    """Trials until the interval is narrow enough, between a minimum and a maximum."""

    minimum: int = Field(ge=2, le=10_000, description="Take at least this many trials.")
    maximum: int = Field(ge=2, le=10_000, description="Stop here even when still undecided.")
    half_width_percent: float = Field(
        gt=0, le=50, description="Stop once the interval's half width is below this, in percent."
    )

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.maximum < self.minimum:
            raise broken_rule(f"{self.maximum} is below minimum {self.minimum}", "maximum")
        return self


Trials = Annotated[
    Annotated[int, Field(ge=1, le=10_000)] | TrialRange,
    _one_of(
        (int, Mapping, TrialRange),
        "a whole number of trials, or {minimum, maximum, half_width_percent}",
    ),
]


class Load(StrictModel):
    """One entry of `loads`: a workload in trials (a benchmark) or for a duration (a soak)."""

    workload: str = Field(
        pattern=NAME_PATTERN,
        description="Name of the workload; `rigproof workloads` lists them.",
    )
    name: str = Field(
        default="",
        pattern=NAME_PATTERN,
        description="Name of this load in criteria and reports; default: the workload's name.",
    )
    parameters: Mapping[str, ParameterValue] = Field(
        default_factory=dict, description="Parameters of the workload; the others keep defaults."
    )
    trials: Trials | None = Field(
        default=None, description="How many timed trials; excludes soak_seconds, soak_minutes."
    )
    trial_seconds: float = Field(
        default=DEFAULT_TRIAL_SECONDS,
        ge=MINIMUM_TRIAL_SECONDS,
        le=3600,
        description="Length the fixed work of one trial is calibrated to, in seconds.",
    )
    soak_seconds: float | None = Field(
        default=None, gt=0, le=MAXIMUM_SOAK_SECONDS, description="Length of a soak, in seconds."
    )
    soak_minutes: float | None = Field(
        default=None,
        gt=0,
        le=MAXIMUM_SOAK_SECONDS / 60,
        description="Length of a soak, in minutes.",
    )
    pattern: Pattern = Field(
        default_factory=AllLanes,
        description="Which lanes work when; all-lanes when left out.",
    )

    @model_validator(mode="before")
    @classmethod
    def _named_after_workload(cls, given: Any) -> Any:
        if isinstance(given, Mapping) and "name" not in given and "workload" in given:
            return {**given, "name": given["workload"]}
        return given

    @model_validator(mode="after")
    def _trials_or_soak(self) -> Self:
        soaks = [key for key in ("soak_seconds", "soak_minutes") if getattr(self, key) is not None]
        if len(soaks) == 2:
            raise broken_rule("soak_seconds and soak_minutes exclude each other", soaks[1])
        if self.trials is not None and soaks:
            raise broken_rule(
                "trials and a soak exclude each other: make two loads of it", soaks[0]
            )
        if self.trials is None and not soaks:
            raise broken_rule("needs either trials, or soak_seconds, or soak_minutes", "workload")
        if soaks and "trial_seconds" in self.model_fields_set:
            raise broken_rule("a soak has no trials: remove trial_seconds", "trial_seconds")
        return self

    @model_validator(mode="after")
    def _pattern_fits(self) -> Self:
        if self.trials is not None:
            alternating = isinstance(self.pattern, HalfLanes) and self.pattern.which == "alternate"
            if self.pattern.kind not in TRIAL_PATTERNS or alternating:
                raise broken_rule(
                    f"pattern {self.pattern.kind} changes which lanes work, so it has no trials: "
                    "give soak_seconds or soak_minutes",
                    "pattern",
                )
        return self

    @property
    def is_soak(self) -> bool:
        """True for a duration, False for trials."""
        return self.trials is None

    @property
    def soak_duration_seconds(self) -> float | None:
        """The soak's length in seconds, or None for trials."""
        if self.soak_minutes is not None:
            return self.soak_minutes * 60
        return self.soak_seconds

    @property
    def minimum_trials(self) -> int:
        """Trials that are taken in any case; 0 for a soak."""
        return self.trials.minimum if isinstance(self.trials, TrialRange) else self.trials or 0

    @property
    def maximum_trials(self) -> int:
        """Trials that are taken at most; 0 for a soak."""
        return self.trials.maximum if isinstance(self.trials, TrialRange) else self.trials or 0

    @property
    def half_width_percent(self) -> float | None:
        """Interval half width that ends the trials early, or None."""
        return self.trials.half_width_percent if isinstance(self.trials, TrialRange) else None


class StartWhen(StrictModel):
    """Wait before the first load until a temperature has settled."""

    channel: str = Field(description="Role or key of the channel to watch.")
    within_celsius: float = Field(
        gt=0,
        le=50,
        description="Settled when the largest and smallest reading of the last for_seconds differ "
        "by no more than this, in degrees Celsius.",
    )
    for_seconds: float = Field(
        default=30.0, ge=1, le=3600, description="Over this long, in seconds."
    )
    at_most_seconds: float = Field(
        default=600.0, ge=1, le=86_400, description="Then start anyway and note it, in seconds."
    )

    @model_validator(mode="after")
    def _can_be_reached(self) -> Self:
        if self.at_most_seconds < self.for_seconds:
            raise broken_rule(
                f"{self.at_most_seconds:g} s is over before for_seconds "
                f"({self.for_seconds:g} s) has passed",
                "at_most_seconds",
            )
        return self


class AmbientChannel(StrictModel):
    """The room's temperature, taken from a channel."""

    channel: str = Field(description="Role or key of the channel that measures the room.")


Ambient = Annotated[
    float | AmbientChannel | None,
    _one_of(
        (int, float, Mapping, AmbientChannel),
        "a number of degrees Celsius, {channel: ROLE_OR_KEY}, or null",
    ),
]


class ExternalSensor(StrictModel):
    """A program that prints one reading a line; joins with its unit and role."""

    name: str = Field(pattern=NAME_PATTERN, description="Name of the source in the report.")
    argv: tuple[str, ...] = Field(
        min_length=1, description="Program and arguments, as a list; never a shell line."
    )
    unit: str = Field(
        default="", description="Unit of its values where the program gives none; else the role's."
    )
    role: str = Field(default="", description="Role of its channel, e.g. ambient_temperature.")


class Sampling(StrictModel):
    """How often sensors are read, and what their channels mean."""

    rate_hz: float = Field(
        default=2.0,
        ge=0.1,
        le=50,
        description="Samples per second. The load is off within two of them after the first "
        "reading over a limit, or half a second after the stop where that is later: lanes stop "
        "between passes; one in a long pass is ended.",
    )
    clock_during_soak: bool = Field(
        default=False,
        description="Measure each core's clock during soaks too (a tiny share of its time).",
    )
    roles: Mapping[str, str] = Field(
        default_factory=dict,
        description="Channel key (with * and ? as wildcards) to role, over the built-in table.",
    )
    external: tuple[ExternalSensor, ...] = Field(
        default=(), max_length=32, description="Programs that give further readings."
    )

    @property
    def interval_seconds(self) -> float:
        """Time between two samples."""
        return 1.0 / self.rate_hz


class SafetyLimit(StrictModel):
    """A limit on every channel of one role; crossing it stops the load."""

    role: str = Field(description="Role of the channels it guards, e.g. core_voltage.")
    stop_above: float | None = Field(default=None, description="Stop above this value.")
    stop_below: float | None = Field(default=None, description="Stop below this value.")
    unit: str = Field(description="Unit of the limit; must be the channels' unit.")
    whose: str = Field(
        default="the profile's", description="Who set the limit: the maker, you, common practice."
    )

    @model_validator(mode="after")
    def _has_a_limit(self) -> Self:
        if self.stop_above is None and self.stop_below is None:
            raise broken_rule("needs stop_above or stop_below", "role")
        if (
            self.stop_above is not None
            and self.stop_below is not None
            and self.stop_below >= self.stop_above
        ):
            raise broken_rule(
                f"{self.stop_below:g} is not below stop_above {self.stop_above:g}", "stop_below"
            )
        return self


class Safety(StrictModel):
    """The guard: where it warns and where it stops the load."""

    warn_above_celsius: float | None = Field(
        default=WARN_ABOVE_CELSIUS,
        gt=0,
        le=150,
        description="Warn above this CPU temperature, in degrees Celsius; null: never.",
    )
    stop_above_celsius: float | None = Field(
        default=STOP_ABOVE_CELSIUS,
        gt=0,
        le=150,
        description="Stop the load above this CPU temperature, in degrees Celsius; null: never.",
    )
    whose_limit: str = Field(
        default=DEFAULT_WHOSE,
        max_length=200,
        description="Who set these limits; the report repeats it.",
    )
    require_temperature: bool = Field(
        default=False, description="Refuse to start a soak without a CPU temperature."
    )
    stale_after_seconds: float = Field(
        default=10.0,
        ge=1,
        le=3600,
        description="Stop when a guarded channel has given nothing for this long, in seconds.",
    )
    limits: tuple[SafetyLimit, ...] = Field(
        default=(), max_length=64, description="Further limits, by role."
    )

    @model_validator(mode="after")
    def _warns_before_it_stops(self) -> Self:
        warn, stop = self.warn_above_celsius, self.stop_above_celsius
        if warn is not None and stop is not None and stop <= warn:
            key = self._key_to_blame()
            raise broken_rule(
                f"the load would stop at {stop:g} °C before the warning at {warn:g} °C: "
                "stop_above_celsius must be higher than warn_above_celsius",
                key,
            )
        return self

    def _key_to_blame(self) -> str:
        given = "stop_above_celsius" in self.model_fields_set
        return "stop_above_celsius" if given else "warn_above_celsius"


class Statistics(StrictModel):
    """How trials become intervals and comparisons become decisions."""

    outliers: Literal["cause-needed", "blind"] = Field(
        default="cause-needed",
        description="cause-needed: an outlier is only left out when a cause is recorded; blind: "
        "every flagged trial is left out, which makes intervals too narrow.",
    )
    margin_percent: float = Field(
        default=1.0, gt=0, le=50, description="Changes smaller than this count as equivalent."
    )
    between_boot_percent: float = Field(
        default=0.3,
        ge=0,
        le=20,
        description="Assumed spread between boots until three runs have measured it, in percent.",
    )


if TYPE_CHECKING:
    Accepted = CriterionSpec
else:

    def _criterion_name(given: Any) -> str | None:
        if isinstance(given, Mapping):
            return given.get("criterion")
        return getattr(given, "criterion", None)

    Accepted = Annotated[specs(), Discriminator("criterion")]


class Profile(StrictModel):
    """A whole profile."""

    format: Literal[1] = Field(default=1, description="Version of this file's format.")
    name: str = Field(pattern=NAME_PATTERN, description="Short name, shown in every report.")
    purpose: str = Field(
        default="", max_length=2000, description="What this profile is for, in a sentence."
    )
    seed: int = Field(
        default=1, ge=0, le=2**63 - 1, description="Seed of the order of trials within rounds."
    )
    confidence: float = Field(
        default=0.95, ge=0.5, le=0.9999, description="Confidence of every interval."
    )
    boots: int = Field(default=1, ge=1, le=100, description="Restarts to spread the run over.")
    loads: tuple[Load, ...] = Field(
        min_length=1, max_length=200, description="What runs, in this order."
    )
    start_when: StartWhen | None = Field(
        default=None, description="Wait for a settled temperature before the first load."
    )
    ambient_celsius: Ambient = Field(
        default=None,
        description="Room temperature, in degrees Celsius, or the channel that measures it; null: "
        "nothing is said about a hot day.",
    )
    worst_ambient_celsius: float | None = Field(
        default=None,
        ge=-40,
        le=70,
        description="Hottest room the machine must survive, in degrees Celsius.",
    )
    on_failure: Literal["stop", "continue"] = Field(
        default="stop", description="stop: end the run at its first failure; continue: go on."
    )
    sampling: Sampling = Field(default_factory=Sampling, description="How sensors are read.")
    safety: Safety = Field(default_factory=Safety, description="Where the guard stops the load.")
    statistics: Statistics = Field(
        default_factory=Statistics, description="How trials are turned into statements."
    )
    accept: tuple[Accepted, ...] = Field(
        default=(), max_length=200, description="The acceptance criteria."
    )

    @model_validator(mode="after")
    def _loads_are_told_apart(self) -> Self:
        seen: set[str] = set()
        for index, load in enumerate(self.loads):
            if load.name in seen:
                raise broken_rule(
                    f"two loads are named '{load.name}': give one a `name` of its own",
                    "loads",
                    index,
                    "workload" if load.name == load.workload else "name",
                )
            seen.add(load.name)
        return self

    @model_validator(mode="after")
    def _criteria_are_told_apart(self) -> Self:
        seen: set[str] = set()
        for index, spec in enumerate(self.accept):
            if spec.label in seen:
                raise broken_rule(
                    f"two criteria are named '{spec.label}': give one a `name` of its own",
                    "accept",
                    index,
                )
            seen.add(spec.label)
        return self

    @model_validator(mode="after")
    def _hot_day_is_hotter(self) -> Self:
        worst, now = self.worst_ambient_celsius, self.ambient_celsius
        if worst is not None and now is None:
            raise broken_rule(
                "needs ambient_celsius too: without today's room temperature nothing can be said "
                "about a hotter one",
                "worst_ambient_celsius",
            )
        if worst is not None and isinstance(now, float) and worst < now:
            raise broken_rule(
                f"{worst:g} °C is cooler than ambient_celsius ({now:g} °C)",
                "worst_ambient_celsius",
            )
        return self

    def load_named(self, name: str) -> Load:
        """The load called `name`. Raises KeyError."""
        for load in self.loads:
            if load.name == name:
                return load
        raise KeyError(name)

    @property
    def criterion_names(self) -> tuple[str, ...]:
        """The names of the criteria's results, in the profile's order."""
        return tuple(spec.label for spec in self.accept)

    def mixed_names(self) -> Iterable[tuple[int, str]]:
        """(index of the load, name) for everything that a mixed pattern puts beside a load."""
        for index, load in enumerate(self.loads):
            if isinstance(load.pattern, Mixed):
                for other in load.pattern.others:
                    yield index, other
