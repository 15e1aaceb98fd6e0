"""Everything the machine says about itself, as nested plain values.

What could not be read is ``{"value": null, "reason": "..."}``; nothing is left out silently. Values
that change from moment to moment (clock now, free memory) are samples, not facts.
"""

from __future__ import annotations

from pathlib import Path

from harness.machine.affinity import allowed_cpus
from harness.machine.board import board_facts
from harness.machine.cpu import cpu_facts, frequency_facts
from harness.machine.cpu_lists import format_cpu_list
from harness.machine.fact_values import FactValue, is_unknown, reason_of, unknown
from harness.machine.identity import machine_identity
from harness.machine.kernel import (
    container_facts,
    kernel_facts,
    memory_management_facts,
    power_facts,
    virtualization_facts,
)
from harness.machine.memory import machine_memory
from harness.machine.memory_modules import memory_module_facts
from harness.machine.software import software_facts
from harness.machine.topology import read_topology

__all__ = ["FactValue", "collect_facts", "is_unknown", "reason_of", "unknown"]


def collect_facts(root: Path = Path("/")) -> dict[str, FactValue]:
    """All facts of the machine whose /sys and /proc lie below `root`.

    Software facts are always those of the running interpreter.
    """
    root = root.absolute()
    topology = read_topology(root)
    total_bytes, _ = machine_memory(root)
    return {
        "identity": _identity(root),
        "cpu": cpu_facts(root),
        "topology": topology.as_facts() if topology.cpus else unknown(topology.reason),
        "allowed_cpus": _allowed(),
        "memory": {"total_bytes": total_bytes, "modules": memory_module_facts(root)},
        "memory_management": memory_management_facts(root),
        **board_facts(root),
        "kernel": kernel_facts(root),
        "frequency": frequency_facts(root),
        "virtualization": virtualization_facts(root),
        "container": container_facts(root),
        "power": power_facts(root),
        "software": software_facts(),
    }


def _identity(root: Path) -> dict[str, FactValue]:
    identity = machine_identity(root)
    return {"key": identity.key, "basis": identity.basis, "stable": identity.stable}


def _allowed() -> FactValue:
    cpus = allowed_cpus()
    pinned = [cpu for cpu in cpus if cpu is not None]
    return format_cpu_list(pinned) if pinned else f"{len(cpus)}, not bound to any"
