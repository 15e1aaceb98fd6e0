"""A profile is a test file: ``pytest profiles/overnight.yaml`` runs it, one case a criterion.

The plugin is inert until a profile is named on pytest's command line: YAML files that lie in
collected folders are left alone. The profile runs once, when its first case is asked for; every
case then passes, fails or is skipped by the outcome table.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from harness.finishing import Concluded
    from harness.results import CriterionResult, RunResult

_SUFFIXES = {".yaml", ".yml"}
#: The runs of this session, for its closing section.
_CONCLUDED: pytest.StashKey[list[Concluded]] = pytest.StashKey()


def pytest_addoption(parser: pytest.Parser) -> None:
    """The plugin's options; all begin with --rigproof."""
    group = parser.getgroup("rigproof", "running profiles as tests")
    group.addoption("--rigproof-runs-dir", metavar="DIR", help="folder of the runs")
    group.addoption("--rigproof-sysfs-root", metavar="DIR", help="read /sys and /proc below DIR")
    group.addoption(
        "--rigproof-set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="declare a setting that you changed (repeatable)",
    )
    group.addoption(
        "--rigproof-allow-commands",
        action="store_true",
        help="let profiles start the programs they name",
    )
    group.addoption(
        "--rigproof-accept-no-temperature",
        action="store_true",
        help="soak although no CPU temperature can be watched",
    )
    group.addoption(
        "--allow-inconclusive",
        action="store_true",
        help="inconclusive criteria of profiles pass",
    )


def pytest_collect_file(parent: pytest.Collector, file_path: Path) -> pytest.Collector | None:
    """Collect a profile that was named; leave every other file to others."""
    if file_path.suffix not in _SUFFIXES or not _named(parent.config, file_path):
        return None
    return ProfileFile.from_parent(parent, path=file_path)


def _named(config: pytest.Config, path: Path) -> bool:
    """True when `path` itself stands on the command line, not merely a folder above it."""
    for argument in config.invocation_params.args:
        given = Path(str(argument).partition("::")[0])
        full = given if given.is_absolute() else config.invocation_params.dir / given
        if full.resolve() == path.resolve():
            return True
    return False


class ProfileFailure(Exception):
    """A criterion's verdict that fails its case; its text is all that pytest shows."""


class InconclusiveFailure(ProfileFailure):
    """A criterion that could not be decided: a failure of its own type."""


class BrokenRun(Exception):
    """The harness or its storage failed: an error in pytest's words."""


class ProfileFile(pytest.File):
    """A profile; runs once, however many of its cases are asked for."""

    _concluded: Concluded | None = None
    _trouble: Exception | None = None

    def collect(self) -> Iterator[pytest.Item]:
        """One case a criterion, one for the guard and one for the run as a whole."""
        from harness.errors import RigproofError
        from harness.profile.loader import load_profile

        try:
            loaded = load_profile(self.path)
        except RigproofError as error:
            raise self.CollectError(str(error)) from None
        for spec in loaded.profile.accept:
            yield CriterionCase.from_parent(self, name=spec.label)
        yield GuardCase.from_parent(self, name="guard")
        yield RunCase.from_parent(self, name="run")

    def result(self) -> RunResult:
        """The judged run; measured at the first call. Raises again what the run raised."""
        if self._trouble is not None:
            raise self._trouble
        if self._concluded is None:
            try:
                self._concluded = self._run()
                self.config.stash.setdefault(_CONCLUDED, []).append(self._concluded)
            except Exception as error:
                self._trouble = error
                raise
        return self._concluded.result

    def folder(self) -> Path | None:
        """Where the run's files are, once it has run."""
        return None if self._concluded is None else self._concluded.folder

    def _run(self) -> Concluded:
        from harness.cli.options import parse_settings, sysfs_root
        from harness.profile.loader import load_profile
        from harness.record.listing import runs_folder
        from harness.recovery import close_and_report
        from harness.running import run_profile
        from harness.startup import RunOptions

        option = self.config.getoption
        root = sysfs_root(_path(option("--rigproof-sysfs-root")))
        runs_dir = runs_folder(_path(option("--rigproof-runs-dir")))
        runs_dir.mkdir(parents=True, exist_ok=True)
        close_and_report(runs_dir, root)
        options = RunOptions(
            runs_dir=runs_dir,
            sysfs_root=root,
            settings=parse_settings(option("--rigproof-set")),
            allow_commands=option("--rigproof-allow-commands"),
            accept_no_temperature=option("--rigproof-accept-no-temperature"),
            argv=("pytest", *(str(item) for item in self.config.invocation_params.args)),
        )
        return run_profile(load_profile(self.path), options)


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """What each profile came to: verdict, optional criteria that did not pass, where to read it."""
    from harness.cli.plain import visible

    concluded = config.stash.get(_CONCLUDED, [])
    if concluded:
        terminalreporter.section("rigproof")
    for one in concluded:
        for line in summary_lines(one):
            terminalreporter.write_line(visible(line))


def summary_lines(concluded: Concluded) -> Iterator[str]:
    """The closing lines of one profile."""
    from harness.outcome import Verdict

    result = concluded.result
    yield f"{str(result.verdict).upper()}  {result.profile_name}: {result.why}"
    for item in result.criteria:
        if not item.required and item.verdict is not Verdict.PASS:
            yield f"  optional, {item.verdict}: {item.name}: {item.why}"
    yield f"report: {concluded.folder / 'report.html'}"


def _path(given: str | None) -> Path | None:
    return Path(given) if given else None


class _Case(pytest.Item):
    """What all cases of a profile share."""

    @property
    def profile(self) -> ProfileFile:
        """The file the case belongs to."""
        if not isinstance(self.parent, ProfileFile):
            raise TypeError(f"{self.name} has no profile above it")
        return self.parent

    def setup(self) -> None:
        """Measure; a broken harness is an error of every case, not a failure of the machine."""
        from harness.outcome import ExitCode

        result = self.profile.result()
        if result.exit_code is ExitCode.ERROR:
            raise BrokenRun(result.why)

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """Verdicts and refusals are one line; bugs keep their traceback."""
        from harness.errors import RigproofError

        if isinstance(excinfo.value, ProfileFailure | BrokenRun | RigproofError):
            folder = self.profile.folder()
            where = "" if folder is None else f"\nreport: {folder / 'report.html'}"
            return f"{excinfo.value}{where}"
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Name in pytest's listing."""
        return self.path, None, f"{self.path.name}: {self.name}"


class CriterionCase(_Case):
    """One criterion."""

    def runtest(self) -> None:
        """Pass, fail or skip by the criterion's verdict."""
        result = self.profile.result()
        found = next(item for item in result.criteria if item.name == self.name)
        self.add_report_section("call", "criterion", found.why)
        judge_case(found, allow_inconclusive=self.config.getoption("--allow-inconclusive"))


def judge_case(found: CriterionResult, *, allow_inconclusive: bool) -> None:
    """The outcome table's last column. Raises ProfileFailure or skips."""
    from harness.outcome import CaseOutcome, case_outcome

    outcome = case_outcome(
        found.verdict, required=found.required, allow_inconclusive=allow_inconclusive
    )
    if outcome is CaseOutcome.SKIPPED:
        pytest.skip(f"{found.verdict}, not required: {found.why}")
    if outcome in {CaseOutcome.FAILURE, CaseOutcome.ERROR}:
        raise ProfileFailure(f"{found.name}: {found.why}")
    if outcome is CaseOutcome.INCONCLUSIVE:
        raise InconclusiveFailure(f"{found.name} is {found.verdict}: {found.why}")


class GuardCase(_Case):
    """The guard: fails when it had to stop the load."""

    def runtest(self) -> None:
        """Fail with channel, value, limit and whose limit it was."""
        stop = self.profile.result().safety_stop
        if stop is not None:
            raise ProfileFailure(
                f"{stop.channel} reached {stop.value:g} {stop.unit}, limit {stop.limit:g} "
                f"{stop.unit} ({stop.whose})"
            )


class RunCase(_Case):
    """The run as a whole: failures under load, an early end."""

    def runtest(self) -> None:
        """Fail when the run failed or stayed undecided for a reason beyond its criteria."""
        from harness.outcome import ExitCode

        result = self.profile.result()
        lines = [f"{item.kind}: {item.detail}" for item in result.failures]
        if result.exit_code in {ExitCode.FAIL, ExitCode.SAFETY_STOP}:
            raise ProfileFailure("; ".join([result.why, *lines]))
        undecided = result.exit_code is not ExitCode.PASS
        if undecided and not self.config.getoption("--allow-inconclusive"):
            raise InconclusiveFailure(result.why)
