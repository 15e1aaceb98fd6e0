"""Old records stay readable: one step per schema version, run on a copy, never on the original.

To change the schema: raise SCHEMA_VERSION in database.py, add a line to the history in schema.sql,
and add here the SQL that turns a record of the version before into one of the new version.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from harness.errors import RecordError
from harness.record.database import SCHEMA_VERSION, Database

#: SQL script by the version that it starts from. Version 1 is the first.
STEPS: Mapping[int, str] = {}


def upgraded_copy(
    source: Database,
    target: Path,
    *,
    steps: Mapping[int, str] = STEPS,
    newest: int = SCHEMA_VERSION,
) -> Database:
    """Copy an older record to `target` and bring the copy to version `newest`.

    Raises RecordError when a step is missing or fails; `source` is never changed. The hash chain
    covers the original's rows, so it is checked there, not on the copy.
    """
    found = source.version
    missing = [str(version) for version in range(found, newest) if version not in steps]
    if missing:
        raise RecordError(
            f"its schema version is {found}, this rigproof reads versions 1 to {newest}: "
            "the file is damaged or no record",
            path=source.path,
        )
    copy = source.copy_to(target)
    try:
        for version in range(found, newest):
            copy.run_script(f"BEGIN; {steps[version]}; PRAGMA user_version={version + 1}; COMMIT;")
    except BaseException as error:
        copy.close()
        if isinstance(error, Exception):
            raise RecordError(f"not upgraded: {error}", path=source.path) from error
        raise
    return copy
