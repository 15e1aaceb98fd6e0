"""Sensors and facts on a system that lacks what Linux has: channels are absent, nothing breaks."""

from __future__ import annotations

import json
import subprocess
import sys

_HIDE = """
import importlib, json, os, pkgutil, select, sys
import numpy, psutil, threadpoolctl  # whatever they need of the system is theirs
for name in ("fcntl", "resource", "pwd", "grp", "termios"):
    sys.modules[name] = None
for name in ("sched_getaffinity", "sched_setaffinity", "pread", "setpriority", "killpg", "mkfifo"):
    delattr(os, name)
del select.poll
import harness.machine, harness.sensors
for package in (harness.sensors, harness.machine):
    for module in pkgutil.iter_modules(package.__path__):
        importlib.import_module(f"{package.__name__}.{module.name}")
"""
_LOOK = """
from pathlib import Path
from harness.machine.affinity import allowed_cpus
from harness.machine.facts import collect_facts
from harness.machine.warnings import pre_run_warnings
from harness.sensors import system
from harness.sensors.catalogue import CatalogueOptions, discover
from harness.sensors.readout import read_once
root = Path(sys.argv[1])
catalogue = discover(root, CatalogueOptions(clock_probe=True))
facts = collect_facts(root)
print(json.dumps({
    "present": [it.source for it in catalogue.channels],
    "absent": {it.source: it.absent_reason for it in catalogue.absent},
    "values": [it.value is not None for out in read_once([system.PsutilChip()])
               for it in out.readings],
    "memory": facts["memory"]["total_bytes"],
    "warnings": [it.name for it in pre_run_warnings(root, cpus=allowed_cpus())],
}))
"""


def _run(code: str, *arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_every_module_can_be_imported_without_what_only_linux_has() -> None:
    assert _run(_HIDE) == ""


def test_without_sys_and_proc_every_channel_is_absent_with_a_reason(tmp_path: object) -> None:
    found = json.loads(_run(_HIDE + _LOOK, str(tmp_path)))
    assert found["present"] == []
    assert found["absent"]["hwmon"] == "there is no /sys here: hardware monitoring is Linux's"
    assert found["absent"]["clock probe"] == "this system cannot pin a thread"
    assert all(found["absent"].values())
    assert found["values"] == [True, True, True]
    assert found["memory"] > 0
    assert found["warnings"] == []
