"""The server's tables, made from those of the log.

What the log's own migrations make in SQLite is looked up there, so that a column or a part of a run that comes later
comes to the server with no further code.

- Each row of a record begins with ``chain``: the hash of the log's first record, which says whose log it is.
- A text is stored as it is. What PostgreSQL cannot hold (U+0000 and lone surrogates) stands as U+0010, the data link
  escape, and four hexadecimal digits; so does U+0010 itself.
- A REAL is a double precision and comes back bit for bit, a BLOB is a bytea.
- Texts compare by their code points (collation "C"): no update of the server's system changes the order of an index.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from typing import Any, NamedTuple

from sqlalchemy import BigInteger, Dialect, Double, LargeBinary, Text, TypeDecorator
from sqlalchemy.types import TypeEngine

from linecheck.log.schema import MIGRATIONS, SCHEMA_VERSION

#: The schema in the database that all tables are in.
SCHEMA = "linecheck"

_ESCAPED = re.compile("[\x00\x10\ud800-\udfff]")
_ESCAPE = re.compile("\x10([0-9a-f]{4})")


@dataclass(frozen=True)
class TableLayout:
    """A table of the log: its columns with SQLite's type of each, which of them are never NULL, and its key."""

    columns: Mapping[str, str]
    required: frozenset[str]
    key: tuple[str, ...]


@cache
def log_layouts() -> tuple[Mapping[str, TableLayout], ...]:
    """Return the log's tables by name, after each of its migrations."""
    layouts = []
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.execute(SCHEMA_VERSION)
        for migration in MIGRATIONS:
            for command in migration:
                connection.execute(command)
            names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
            layouts.append({name: _layout(connection, name) for (name,) in names})
    return tuple(layouts)


def stored_text(text: str) -> str:
    """Return a text as PostgreSQL can hold it."""
    if _ESCAPED.search(text) is None:
        return text
    return _ESCAPED.sub(lambda found: f"\x10{ord(found[0]):04x}", text)


def original_text(stored: str) -> str:
    """Return a text as it was before it was stored."""
    if "\x10" not in stored:
        return stored
    return _ESCAPE.sub(lambda found: chr(int(found[1], 16)), stored)


class ServerText(TypeDecorator[str]):
    """A column of texts at the server."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:
        """Return a text as it is stored."""
        return None if value is None else stored_text(value)

    def process_result_value(self, value: Any, dialect: Dialect) -> str | None:  # noqa: ANN401 - any column
        """Return a text as it was."""
        return None if value is None else original_text(value)


class ServerType(NamedTuple):
    """How a column is stored at the server: in its table, in a binary COPY, as what in Python, and as read again."""

    declared: str
    copied: str
    python: type
    column: TypeEngine[Any]


#: By SQLite's type of the column.
TYPES: Mapping[str, ServerType] = {
    "INTEGER": ServerType("bigint", "int8", int, BigInteger()),
    "REAL": ServerType("double precision", "float8", float, Double()),
    "TEXT": ServerType('text COLLATE "C"', "text", str, ServerText()),
    "BLOB": ServerType("bytea", "bytea", bytes, LargeBinary()),
}


def _layout(connection: sqlite3.Connection, table: str) -> TableLayout:
    rows = connection.execute(
        'SELECT name, type, "notnull", pk FROM pragma_table_info(?)', (table,)
    ).fetchall()
    key = sorted((place, name) for name, _, _, place in rows if place)
    return TableLayout(
        {name: kind for name, kind, _, _ in rows},
        frozenset(name for name, _, required, place in rows if required or place),
        tuple(name for _, name in key),
    )
