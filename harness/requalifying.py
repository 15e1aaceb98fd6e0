"""Re-qualification: the baseline's own profile again, judged by its criteria and against it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from harness.clock import SYSTEM, Clock
from harness.errors import RefusedStart
from harness.finishing import Concluded
from harness.observing import Observer
from harness.profile.loader import LoadedProfile, parse_profile
from harness.record.reader import read_run
from harness.running import run_profile
from harness.startup import RunOptions


def requalify_run(
    folders: Sequence[Path],
    options: RunOptions,
    observer: Observer | None = None,
    clock: Clock = SYSTEM,
    *,
    one_boot: bool = False,
) -> Concluded:
    """Run the stored profile of the baseline (one run or several of one profile) again.

    Work per trial is the baseline's; trials and boots are planned from its own spread. Raises
    RefusedStart when the runs cannot be a baseline together.
    """
    runs = [read_run(folder) for folder in folders]
    profiles = {run.profile_sha256 for run in runs}
    if len(profiles) != 1 or not runs[0].profile_text.strip():
        names = ", ".join(run.run_id for run in runs)
        raise RefusedStart(f"{names} cannot be a baseline: it needs runs of one profile")
    first = runs[0]
    profile = parse_profile(first.profile_text, first.profile_name)
    loaded = LoadedProfile(profile, first.profile_text, first.profile_sha256, folders[0])
    return run_profile(loaded, options, observer, clock, baseline=folders, one_boot=one_boot)
