"""The environment variables of lanes, and those of the user, for programs that are the user's own.

Lanes run single-threaded, which numeric libraries learn from environment variables when they are
loaded; a program that the user names in a profile must not inherit them, or it would be measured
in another shape than the one the user knows. What was there before is kept in one more variable,
so that it reaches the lanes through every start method.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, MutableMapping

KEPT_VARIABLE = "RIGPROOF_KEPT_ENVIRONMENT"


def set_for_lanes(
    wanted: Mapping[str, str], environment: MutableMapping[str, str] = os.environ
) -> None:
    """Set the variables `wanted` and remember what the user had; the first time counts."""
    kept = _kept(environment)
    for name in wanted:
        kept.setdefault(name, environment.get(name))
    environment.update(wanted)
    environment[KEPT_VARIABLE] = json.dumps(kept)


def of_the_user(environment: Mapping[str, str] = os.environ) -> dict[str, str]:
    """The variables as they were before `set_for_lanes`."""
    kept = _kept(environment)
    found = {name: value for name, value in environment.items() if name != KEPT_VARIABLE}
    for name, value in kept.items():
        if value is None:
            found.pop(name, None)
        else:
            found[name] = value
    return found


def _kept(environment: Mapping[str, str]) -> dict[str, str | None]:
    """Value by name; None where the user had none."""
    kept: dict[str, str | None] = json.loads(environment.get(KEPT_VARIABLE, "{}"))
    return kept
