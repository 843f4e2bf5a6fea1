"""The chain of hashes that makes the log tamper-evident.

The hash of a record is the SHA-256 of its canonical JSON: every column of its row in ``run`` (or ``statement``) but
the hash itself and its signature, and every column of every row that belongs to it, in order. Columns that came later
are left out of records of an older format, where they are NULL. One of these columns is the hash of the record before,
so that no record can be edited, removed, inserted or moved without every later hash changing. Canonical JSON is ASCII,
keys sorted, no spaces, numbers as Python writes them (the shortest text that reads back as the same number); a BLOB
stands in it as its length and SHA-256.

What the chain cannot show by itself is that records are missing at its end, or that someone wrote all of it
anew: note the head (sequence number and hash of the last record) elsewhere from time to time and verify
against it. Where the station signs its records (:mod:`linecheck.log.station_key`), writing them anew takes its key.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

from linecheck.log.stored import Head
from linecheck.run.facts import FACTS

#: What the first record has for the hash of the one before.
BEGINNING = Head(0, "0" * 64)

#: What is hashed and is no fact of the run, by the record format that it came with.
_PARTS_CAME_WITH: Final[Mapping[int, frozenset[str]]] = {
    2: frozenset({"settings", "is_bound"}),
    3: frozenset({"capture_object", "assets"}),
    4: frozenset(),  # signatures, which sign the hash
    5: frozenset({"packed_curves"}),
}
#: Parts of a record that are in no hash but their own, which another part has.
UNHASHED: Final = frozenset({"curve_points"})
#: Columns of a record that say something of its hash.
_OF_THE_HASH: Final = frozenset({"record_hash", "station_signature"})

#: Which columns are hashed, and how: what new records have.
RECORD_FORMAT: Final = max(*_PARTS_CAME_WITH, *(fact.since for fact in FACTS))
KNOWN_FORMATS: Final = tuple(range(1, RECORD_FORMAT + 1))

#: Columns, and parts of a run, that came with a format.
_CAME_WITH: Final[Mapping[int, frozenset[str]]] = {
    came: _PARTS_CAME_WITH.get(came, frozenset())
    | {fact.column for fact in FACTS if fact.since == came and fact.column}
    for came in KNOWN_FORMATS
}

Row = Mapping[str, Any]


def canonical_json(content: Any) -> bytes:  # noqa: ANN401 - plain data
    """Return plain data as bytes that depend on nothing but what it says."""
    return json.dumps(
        content, sort_keys=True, separators=(",", ":"), ensure_ascii=True, default=_blob
    ).encode()


def digest(content: bytes) -> str:
    """Return the SHA-256 in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


def record_hash(run: Row, parts: Mapping[str, Sequence[Row]]) -> str:
    """Return the hash of a record.

    Parameters
    ----------
    run : mapping
        The columns of its row in ``run``; its hash and what signs that are left out.
    parts : mapping of sequence of mapping
        The rows that belong to it, by what they are, each with all its columns, in order.
    """
    columns = {name: value for name, value in run.items() if name not in _OF_THE_HASH}
    rows: dict[str, Any] = {
        name: [dict(row) for row in part] for name, part in parts.items() if name not in UNHASHED
    }
    later = _later_than(run["record_format"])
    if later:
        columns = _without(columns, later)
        rows = {name: [_without(row, later) for row in part] for name, part in rows.items()}
        rows = {name: part for name, part in rows.items() if name not in later or part}
    return digest(canonical_json({"run": columns, **rows}))


def statement_hash(row: Row) -> str:
    """Return the hash of a statement, given the columns of its row; its hash and what signs that are left out."""
    columns = {name: value for name, value in row.items() if name not in _OF_THE_HASH}
    return digest(canonical_json({"statement": columns}))


def _later_than(record_format: Any) -> frozenset[str]:  # noqa: ANN401 - whatever the log says
    """Return which columns and parts came after a record's format; none where it is no known one."""
    if record_format not in KNOWN_FORMATS:
        return frozenset()
    return frozenset[str]().union(*(names for came, names in _CAME_WITH.items() if came > record_format))


def _without(columns: Row, later: frozenset[str]) -> dict[str, Any]:
    """Return a row as its format knew it; what was put into a later column since then stays, and breaks the hash."""
    return {name: value for name, value in columns.items() if name not in later or value is not None}


def _blob(value: object) -> dict[str, Any]:
    if not isinstance(value, bytes):
        raise TypeError(f"{type(value).__name__} is no plain data")
    return {"bytes": len(value), "sha256": digest(value)}
