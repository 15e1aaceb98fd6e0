"""Whole runs of tiny profiles, for end-to-end tests: real processes, real record, real reports."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from harness.finishing import Concluded
from harness.profile.loader import LoadedProfile, parse_profile, sha256_of
from harness.running import run_profile
from harness.startup import RunOptions

TINY = """
format: 1
name: tiny
purpose: The smallest whole run.
loads:
  - {workload: matmul-fp64, parameters: {n: 256}, trials: 3, trial_seconds: 0.1}
  - {workload: zstandard, parameters: {corpus_bytes: 262144}, trials: 3, trial_seconds: 0.1}
sampling: {rate_hz: 10}
accept:
  - {criterion: no-failures}
  - {criterion: no-crash}
  - {criterion: temperature-ceiling, at_most_celsius: 90, required: false}
"""

SOAK = """
format: 1
name: tiny-soak
loads:
  - {workload: fma-fp64, soak_seconds: SECONDS}
sampling: {rate_hz: 10}
accept:
  - {criterion: no-failures}
"""


def loaded(text: str) -> LoadedProfile:
    """A profile from text, as if it had come from a file."""
    return LoadedProfile(parse_profile(text, "tiny.yaml"), text, sha256_of(text), Path("tiny.yaml"))


def run(text: str, runs_dir: Path, **options: Any) -> Concluded:
    """Run a profile text on this machine, below `runs_dir`."""
    runs_dir.mkdir(parents=True, exist_ok=True)
    return run_profile(loaded(text), RunOptions(runs_dir=runs_dir, **options))


def verdicts(concluded: Concluded) -> Mapping[str, str]:
    """Criterion name -> verdict."""
    return {item.name: str(item.verdict) for item in concluded.result.criteria}
