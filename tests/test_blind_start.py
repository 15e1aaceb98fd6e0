"""A load without a temperature: refused where the profile says so, told where it does not."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from harness import running
from harness.errors import RefusedStart
from harness.outcome import Ending
from harness.record.reader import read_run
from harness.results import EventKind
from tests.sysfs_trees import Tree
from tests.whole_runs import run

BLIND_SOAK = """
format: 1
name: tiny-soak
loads:
  - {workload: fma-fp64, soak_seconds: 1}
sampling: {rate_hz: 10}
safety: {require_temperature: REQUIRED}
accept:
  - {criterion: no-failures}
"""


def _dead_sensor(root: Path, text: str) -> Path:
    """A machine whose only CPU temperature gives `text`."""
    attributes = {"temp1_label": "Package id 0", "temp1_input": text}
    Tree(root).hwmon(0, "platform/coretemp.0", "coretemp", attributes)
    return root


@pytest.mark.parametrize("text", ["127000", "", "-61 x"])
def test_a_soak_that_requires_a_temperature_is_refused_when_its_sensor_gives_no_usable_value(
    tmp_path: Path, runs_dir: Path, monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    monkeypatch.setattr(running, "FIRST_VALUE_SECONDS", 0.3)
    root = _dead_sensor(tmp_path / "root", text)
    with pytest.raises(RefusedStart, match="Package id 0 gave a usable value within"):
        run(BLIND_SOAK.replace("REQUIRED", "true"), runs_dir, sysfs_root=root)
    data = read_run(next(runs_dir.iterdir()))
    assert (data.ending, data.soaks) == (Ending.ERROR, ())
    assert not [it for it in data.events if it.kind is EventKind.LOAD_STARTED]


@pytest.mark.parametrize(
    ("accepted", "said", "ending"),
    [
        (True, "nothing would stop the load, so watch it", Ending.COMPLETED),
        (False, "will be stopped unless one comes", Ending.SAFETY_STOP),
    ],
)
def test_a_dead_sensor_is_told_before_the_load_and_stops_it_unless_the_operator_accepted_that(
    tmp_path: Path,
    runs_dir: Path,
    monkeypatch: pytest.MonkeyPatch,
    accepted: bool,
    said: str,
    ending: Ending,
) -> None:
    monkeypatch.setattr(running, "FIRST_VALUE_SECONDS", 0.3)
    root = _dead_sensor(tmp_path / "root", "127000")
    text = BLIND_SOAK.replace("REQUIRED", f"{str(accepted).lower()}, stale_after_seconds: 1")
    text = text.replace("soak_seconds: 1", "soak_seconds: 4")
    done = run(text, runs_dir, sysfs_root=root, accept_no_temperature=accepted)
    data = read_run(done.folder)
    (told,) = [it.text for it in data.events if it.data.get("name") == "unguarded"]
    assert "no guarded temperature gives a usable value (coretemp Package id 0)" in told
    assert said in told
    assert data.ending is ending
    stop = done.result.safety_stop
    assert (stop is not None and "gives no value" in stop.channel) is not accepted


def test_a_soak_whose_only_cpu_temperature_is_a_program_is_not_refused(
    tmp_path: Path, runs_dir: Path
) -> None:
    (tmp_path / "root").mkdir()
    meter = f"[{sys.executable}, -u, -c, 'import time; print(\"die=51\"); time.sleep(60)']"
    text = BLIND_SOAK.replace("REQUIRED", "true").replace(
        "{rate_hz: 10}",
        f"{{rate_hz: 10, external: [{{name: die, argv: {meter}, role: cpu_temperature}}]}}",
    )
    with pytest.raises(RefusedStart, match="this machine gives none"):
        run(text, runs_dir, sysfs_root=tmp_path / "root")
    done = run(text, runs_dir, sysfs_root=tmp_path / "root", allow_commands=True)
    data = read_run(done.folder)
    assert data.ending is Ending.COMPLETED
    assert not [it for it in data.events if it.data.get("name") == "unguarded"]
