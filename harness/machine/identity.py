"""Which machine this is: the same answer after a restart, a firmware update, another clock.

A keyed hash (HMAC, RFC 2104, with SHA-256) of the installation's machine id, the processor and the
board. machine-id(5) asks that the id itself be not passed on; the hash is of no use elsewhere and
reveals no serial number. Everything in it is readable without root, so that an ordinary user and
root get the same answer.
"""

from __future__ import annotations

import hashlib
import hmac
import os
from dataclasses import dataclass
from pathlib import Path

from harness.machine.cpu import cpu_facts
from harness.machine.fact_values import known_or_none
from harness.sensors.files import text_or

#: Belongs to this application and this form of the identity; change it and all machines are new.
_KEY = b"rigproof machine identity, form 1"
_DMI = "sys/class/dmi/id"


@dataclass(frozen=True)
class Identity:
    """`key` names the machine; `stable` False: two machines alike would have the same key."""

    key: str
    basis: str
    stable: bool


def machine_identity(root: Path = Path("/")) -> Identity:
    """The machine's identity from what anybody may read below `root`."""
    installation = _installation(root)
    parts = [installation, *_hardware(root)]
    digest = hmac.new(_KEY, "\0".join(parts).encode("utf-8", "replace"), hashlib.sha256)
    if installation:
        return Identity(digest.hexdigest()[:32], "installation, processor and board", True)
    return Identity(
        digest.hexdigest()[:32],
        "processor and board only: this system has no machine id, so machines alike share it",
        False,
    )


def _installation(root: Path) -> str:
    for path in ("etc/machine-id", "var/lib/dbus/machine-id"):
        text = text_or(root / path)
        if len(text) == 32:
            return text
    return _elsewhere() if root == Path(root.anchor) else ""


def _hardware(root: Path) -> list[str]:
    """What stays when firmware, microcode and clocks change: no version, no date."""
    facts = cpu_facts(root)
    cpu = [str(known_or_none(facts.get(it)) or "") for it in ("vendor", "family", "model_number")]
    board = [text_or(root / _DMI / it) for it in ("board_vendor", "board_name")]
    return cpu + board


def _elsewhere() -> str:
    """The installation's id on other systems, or nothing."""
    return _registry_guid() if os.name == "nt" else _hardware_uuid()


def _registry_guid() -> str:
    import importlib

    registry = importlib.import_module("winreg")
    path = r"SOFTWARE\Microsoft\Cryptography"
    try:
        with registry.OpenKey(registry.HKEY_LOCAL_MACHINE, path) as key:
            return str(registry.QueryValueEx(key, "MachineGuid")[0])
    except OSError:
        return ""


def _hardware_uuid() -> str:
    """macOS names the machine in its registry of devices."""
    import re
    import shutil
    import subprocess

    program = shutil.which("ioreg")
    if program is None:
        return ""
    argv = [program, "-rd1", "-c", "IOPlatformExpertDevice"]
    try:
        text = subprocess.run(argv, capture_output=True, text=True, timeout=5, check=False).stdout
    except (OSError, subprocess.TimeoutExpired):
        return ""
    found = re.search(r'"IOPlatformUUID" = "([^"]+)"', text)
    return found[1] if found else ""
