"""A profile is a test file: ``pytest profiles/overnight.yaml`` runs it, one case a criterion.

The plugin is inert until a profile is named on pytest's command line: YAML files that lie in
collected folders are left alone. The profile runs once, when its first case is asked for; every
case then passes, fails or is skipped by the outcome table. After an interruption or a safety stop
nothing else of the session runs, and pytest ends with that exit code.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from harness.finishing import Concluded
    from harness.results import CriterionResult, RunResult

_SUFFIXES = {".yaml", ".yml"}
_REPORT = "report.html"
#: The runs of this session, for its closing section.
_CONCLUDED: pytest.StashKey[list[Concluded]] = pytest.StashKey()
#: The run after which nothing else of this session may run.
_LAST: pytest.StashKey[Concluded] = pytest.StashKey()


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


def pytest_configure(config: pytest.Config) -> None:
    """Refuse to share the machine with other workers: they would be part of what is measured."""
    if config.getoption("dist", "no") == "no" or not _names_profiles(config):
        return
    from harness.outcome import ExitCode

    pytest.exit(
        "a profile measures this machine and cannot share it with workers: run it in a pytest of "
        "its own, without -n or --dist",
        returncode=ExitCode.REFUSED,
    )


def _names_profiles(config: pytest.Config) -> bool:
    given = (Path(str(word).partition("::")[0]) for word in config.invocation_params.args)
    folder = config.invocation_params.dir
    return any(path.suffix in _SUFFIXES and (folder / path).is_file() for path in given)


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


class ProfileFile(pytest.File):
    """A profile; runs once, however many of its cases are asked for."""

    _concluded: Concluded | None = None
    _trouble: tuple[Exception, TracebackType | None] | None = None

    def collect(self) -> Iterator[pytest.Item]:
        """One case a criterion, one for the guard and one for the run as a whole."""
        from harness.cli.plain import visible
        from harness.errors import RigproofError
        from harness.profile.loader import load_profile

        try:
            loaded = load_profile(self.path)
        except RigproofError as error:
            raise self.CollectError(visible(str(error))) from None
        for spec in loaded.profile.accept:
            yield CriterionCase.from_parent(self, name=spec.label)
        yield GuardCase.from_parent(self, name="guard")
        yield RunCase.from_parent(self, name="run")

    def result(self) -> RunResult:
        """The judged run; measured at the first call. Raises again what the run raised."""
        if self._trouble is not None:
            error, traceback = self._trouble
            raise error.with_traceback(traceback)  # or it would grow from case to case
        if self._concluded is None:
            try:
                self._concluded = self._measured()
            except Exception as error:
                self._trouble = (error, error.__traceback__)
                raise
        return self._concluded.result

    def _measured(self) -> Concluded:
        from harness.outcome import ExitCode

        stash = self.config.stash
        concluded = self._run()
        stash.setdefault(_CONCLUDED, []).append(concluded)
        if concluded.result.exit_code in {ExitCode.INTERRUPTED, ExitCode.SAFETY_STOP}:
            stash[_LAST] = concluded
        return concluded

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


@pytest.hookimpl(trylast=True)
def pytest_runtest_teardown(item: pytest.Item, nextitem: pytest.Item | None) -> None:
    """End the session once every case of an interrupted or stopped run has been told."""
    stash = item.config.stash
    if _LAST in stash and (nextitem is None or nextitem.parent is not item.parent):
        from harness.cli.plain import visible

        last = stash[_LAST].result
        item.session.shouldstop = visible(f"{last.profile_name} ended the session ({last.why})")


@pytest.hookimpl(tryfirst=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """Give pytest the exit code of the run that ended the session."""
    if _LAST in session.config.stash:
        session.exitstatus = int(session.config.stash[_LAST].result.exit_code)


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
    yield f"report: {concluded.folder / _REPORT}"


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
        """Measure; a broken harness is an error of every case, not a failure of the machine.

        A refusal is one line: pytest shows no more of a failure without traceback.
        """
        why = self._why_not_judged()
        if why:
            pytest.fail(self.told(why), pytrace=False)

    def _why_not_judged(self) -> str:
        from harness.errors import RigproofError
        from harness.outcome import ExitCode

        try:
            result = self.profile.result()
        except RigproofError as error:
            return str(error)
        return result.why if result.exit_code is ExitCode.ERROR else ""

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """Verdicts are one line; bugs keep their traceback."""
        if isinstance(excinfo.value, ProfileFailure):
            return self.told(str(excinfo.value))
        return super().repr_failure(excinfo, style)

    def told(self, text: str) -> str:
        """One line and where to read more, safe for a terminal: programs' words may be in it."""
        from harness.cli.plain import visible

        folder = self.profile.folder()
        where = "" if folder is None else f"\n{visible(f'report: {folder / _REPORT}')}"
        return f"{visible(text)}{where}"

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Name in pytest's listing."""
        from harness.cli.plain import visible

        return self.path, None, visible(f"{self.path.name}: {self.name}")


class CriterionCase(_Case):
    """One criterion."""

    def runtest(self) -> None:
        """Pass, fail or skip by the criterion's verdict."""
        from harness.cli.plain import visible

        result = self.profile.result()
        found = next(item for item in result.criteria if item.name == self.name)
        self.add_report_section("call", "criterion", visible(found.why))
        judge_case(found, allow_inconclusive=self.config.getoption("--allow-inconclusive"))


def judge_case(found: CriterionResult, *, allow_inconclusive: bool) -> None:
    """The outcome table's last column. Raises ProfileFailure or skips."""
    from harness.cli.plain import visible
    from harness.outcome import CaseOutcome, case_outcome

    outcome = case_outcome(
        found.verdict, required=found.required, allow_inconclusive=allow_inconclusive
    )
    if outcome is CaseOutcome.SKIPPED:
        pytest.skip(visible(f"{found.verdict}, not required: {found.why}"))
    if outcome in {CaseOutcome.FAILURE, CaseOutcome.ERROR}:
        raise ProfileFailure(f"{found.name}: {found.why}")
    if outcome is CaseOutcome.INCONCLUSIVE:
        raise InconclusiveFailure(f"{found.name} is {found.verdict}: {found.why}")


class GuardCase(_Case):
    """The guard: fails when it had to stop the load, and is skipped where it guarded nothing."""

    def runtest(self) -> None:
        """Fail with channel, value, limit and whose limit it was."""
        result = self.profile.result()
        stop = result.safety_stop
        if stop is None and not result.limits:
            pytest.skip("not tested: no channel was guarded in this run")
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
