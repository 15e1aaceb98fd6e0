"""Re-qualification: the baseline's own profile again, judged by its criteria and against it."""

from __future__ import annotations

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
    folder: Path,
    options: RunOptions,
    observer: Observer | None = None,
    clock: Clock = SYSTEM,
) -> Concluded:
    """Run the stored profile of the run in `folder`, with the same work per trial as then."""
    baseline = read_run(folder)
    if not baseline.profile_text.strip():
        raise RefusedStart(f"{baseline.run_id} holds no profile: it cannot be a baseline")
    profile = parse_profile(baseline.profile_text, baseline.profile_name)
    loaded = LoadedProfile(profile, baseline.profile_text, baseline.profile_sha256, folder)
    return run_profile(loaded, options, observer, clock, baseline=folder)
