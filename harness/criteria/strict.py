"""The base of everything a profile is made of: frozen, strict, and clear about unknown keys.

Rules that concern several keys raise :func:`broken_rule`, which remembers *which key* is meant, so
that the loader can show its line.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ConfigDict, model_validator
from pydantic_core import PydanticCustomError

#: Error types raised here and read by the loader's message writer.
UNKNOWN_KEY = "unknown_key"
BROKEN_RULE = "broken_rule"

Step = str | int


class StrictModel(BaseModel):
    """Frozen, no unknown keys, no silent conversions ("3" is not 3, yes is not true)."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, populate_by_name=True
    )

    @model_validator(mode="before")
    @classmethod
    def _reject_unknown_keys(cls, given: Any) -> Any:
        """One finding for the first unknown key, before its absence causes other findings."""
        if isinstance(given, Mapping):
            known = cls.known_keys()
            for key in given:
                if key not in known and key not in cls.model_fields:
                    raise PydanticCustomError(
                        UNKNOWN_KEY,
                        "unknown key '{key}'",
                        {"key": str(key), "known": known},
                    )
        return given

    @classmethod
    def known_keys(cls) -> list[str]:
        """The keys as a profile spells them."""
        return [spec.alias or name for name, spec in cls.model_fields.items()]


def broken_rule(message: str, *at: Step) -> PydanticCustomError:
    """An error about the key at path `at` (relative to the model that raises it)."""
    return PydanticCustomError(BROKEN_RULE, "{message}", {"message": message, "at": at})
