"""Whether a log's tables, indexes and guards are those that its migrations make, and its file is sound.

None of them is in the chain of hashes: a trigger can let a record vanish while it is stored, an index can hide one from
every list, and neither changes a row.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import Connection

from linecheck.files.text import visible
from linecheck.log.schema import MIGRATIONS, SCHEMA_VERSION

#: Type and name of a table, an index, a trigger or a view -> what made it, with single spaces.
Objects = Mapping[tuple[str, str], str]

#: SQLite's own are left out: its statistics, and the indexes that belong to a table's keys.
_OBJECTS = "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"
_SOFTWARE = re.compile(r"linecheck [0-9][0-9A-Za-z.+-]{0,40}")
_MAX_FILE_FAULTS = 50


def structure_faults(connection: Connection) -> tuple[str, ...]:
    """Return each way in which a log is not as its migrations make it."""
    there = _objects(connection.exec_driver_sql(_OBJECTS))
    applied = [row for row in connection.exec_driver_sql("SELECT * FROM schema_version") if len(row) == 3]
    noted = len(applied)
    by_version = {
        version: tuple(_differences(_made(version), there)) for version in range(1, len(MIGRATIONS) + 1)
    }
    # What it is rather than what it says it is: else one changed row would make every table wrong.
    # Tables say it, which nobody drops without losing records; triggers may all be gone.
    version = min(by_version, key=lambda version: (_unlike(by_version[version]), version != noted))
    return (*_version_faults(applied, version), *by_version[version])


def file_faults(connection: Connection) -> tuple[str, ...]:
    """Return what SQLite finds wrong in its file: damaged pages, indexes that do not hold what the tables do."""
    found = connection.exec_driver_sql(f"PRAGMA integrity_check({_MAX_FILE_FAULTS})").scalars()
    return tuple(f"the file is damaged: {visible(str(line))}" for line in found if line != "ok")


@cache
def _made(version: int) -> Objects:
    """Return what the migrations up to a version make."""
    with closing(sqlite3.connect(":memory:")) as connection:
        for command in (SCHEMA_VERSION, *(command for step in MIGRATIONS[:version] for command in step)):
            connection.execute(command)
        return _objects(connection.execute(_OBJECTS))


def _objects(rows: Any) -> Objects:  # noqa: ANN401 - rows of either connection
    return {(str(kind), str(name)): " ".join(str(command).split()) for kind, name, command in rows}


def _differences(expected: Objects, there: Objects) -> Iterator[str]:
    for kind, name in sorted(expected.keys() - there.keys()):
        yield f"the {kind} {name} is missing"
    for kind, name in sorted(there.keys() - expected.keys()):
        yield f"the {kind} {visible(name)} was added: no migration makes it"
    for kind, name in sorted(expected.keys() & there.keys()):
        if expected[kind, name] != there[kind, name]:
            yield f"the {kind} {name} is another than the migrations make: {visible(there[kind, name][:200])}"


def _unlike(faults: Sequence[str]) -> tuple[int, int]:
    """Return how many tables and indexes are not as they should be, and how much is not in all."""
    return sum(not fault.startswith("the trigger") for fault in faults), len(faults)


def _version_faults(applied: Sequence[Any], version: int) -> Iterator[str]:
    numbers = {row[0] for row in applied}
    if numbers != set(range(1, version + 1)):
        said = visible(", ".join(map(str, numbers))[:100]) or "none"
        yield f"schema_version notes the migrations {said}, but the tables are those of 1 to {version}"
    for number, when, software in applied:
        if not _SOFTWARE.fullmatch(str(software)) or not _is_time(str(when)):
            said = visible(f"{when}, {software}"[:120])
            yield f"schema_version says of migration {number} what linecheck never writes: {said}"


def _is_time(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False
