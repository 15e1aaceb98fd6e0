"""What is known of a run when it starts, and what may be learnt about it later."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from harness.record.owner import Owner


@dataclass(frozen=True)
class RunHeader:
    """Everything a judgement needs from outside the measurement, copied in at the start.

    `settings` are declared by the operator, `facts` are what the machine says about itself,
    `context` is what comparisons need later (baseline summary, between-boot spread, looks).
    `partial` says that only a selection of the profile runs; `cold` whether this boot began cold.
    """

    run_id: str
    created_wall_ns: int
    utc_offset_minutes: int
    boot_id: str
    profile_text: str
    profile_name: str
    profile_sha256: str
    settings: Mapping[str, Any]
    facts: Mapping[str, Any]
    versions: Mapping[str, str]
    context: Mapping[str, Any]
    partial: bool
    owner: Owner
    cold: bool | None = None


class PropertyKind(StrEnum):
    """Which of the header's mappings a later value belongs to."""

    SETTING = "setting"
    FACT = "fact"
    VERSION = "version"
    CONTEXT = "context"


@dataclass(frozen=True)
class Properties:
    """Values told after the start, as after a restart; of one name the last value counts."""

    kind: PropertyKind
    values: Mapping[str, Any]
