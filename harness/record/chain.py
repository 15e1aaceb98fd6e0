"""The hash chain over commits: an accidental change of any stored row becomes visible.

Commit n has ``hash = SHA-256(hash of n-1, canonical chain row n, canonical rows of n)``, with rows
in the order of :data:`LINKED_TABLES` and then of their id. The canonical bytes of a row are its
table's name and its values in schema order, each with a type letter and, where the length is not
fixed, its length: two different rows never have the same bytes. The chain finds accidents (a bad
bit, a lost page, a row edited by hand). It is no signature: whoever may write the file can compute
it again. SHA-256 after FIPS 180-4.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterable, Sequence

Value = int | float | str | bytes | None
Row = Sequence[Value]

#: Hash before the first commit.
GENESIS = hashlib.sha256(b"rigproof record chain 1").digest()

#: Tables whose rows carry a link, in the order in which a commit hashes them.
LINKED_TABLES = (
    "header",
    "properties",
    "parts",
    "endings",
    "boots",
    "loads",
    "trials",
    "soaks",
    "rate_points",
    "lanes",
    "failures",
    "events",
    "safety_stops",
    "channels",
    "sample_blocks",
)


def canonical_value(value: Value) -> bytes:
    """One value: N, I<decimal>;, F<8 bytes>, T<length>:<UTF-8> or B<length>:<bytes>."""
    if value is None:
        return b"N"
    if isinstance(value, int):
        return b"I%d;" % value
    if isinstance(value, float):
        return b"F" + struct.pack(">d", value)
    if isinstance(value, str):
        text = value.encode("utf-8", "surrogatepass")
        return b"T%d:%s" % (len(text), text)
    return b"B%d:%s" % (len(value), bytes(value))


def canonical_row(table: str, row: Row) -> bytes:
    """The bytes that stand for one row of `table`, values in schema order."""
    return b"R" + canonical_value(table) + b"".join(map(canonical_value, row)) + b"."


def next_hash(previous: bytes, chain_row: Row, rows: Iterable[bytes]) -> bytes:
    """Hash of a commit from the one before it.

    `chain_row` is (number, at_seconds, wall_ns, row_count); `rows` are canonical rows in order.
    """
    digest = hashlib.sha256(previous)
    digest.update(canonical_row("chain", chain_row))
    for row in rows:
        digest.update(row)
    return digest.digest()
