"""Bringing a log to the newest schema; a log that holds records is copied first.

The copy lies beside the log under the schema version that it has (``log.schema-1.sqlite``), so that whoever must go
back to the software of before can. It is made while the write lock is held: it holds exactly what the migration found.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Connection

from linecheck import __version__
from linecheck.errors import FileError, RecordError
from linecheck.files.durable import keep_as, remove_abandoned, temporary_file
from linecheck.files.text import visible
from linecheck.files.times import utc_text
from linecheck.log.schema import APPLICATION_ID, MIGRATIONS, SCHEMA_VERSION

#: Attempts that were killed between copy and migration leave a copy each.
_MAX_COPIES = 100


def migrate(connection: Connection, path: Path) -> None:
    """Apply the migrations that are missing, all in one transaction: no other station finds a log between two of them.

    Raises
    ------
    RecordError
        The copy could not be made; the log is as it was.
    """
    with connection.begin():
        connection.exec_driver_sql(SCHEMA_VERSION)
        # Looked up under the lock: another station may have applied them meanwhile.
        version = int(connection.exec_driver_sql("SELECT max(version) FROM schema_version").scalar() or 0)
        if version >= len(MIGRATIONS):
            return
        if version and connection.exec_driver_sql("SELECT 1 FROM run LIMIT 1").scalar():
            _keep_copy(path, version)
        for missing in range(version + 1, len(MIGRATIONS) + 1):
            _apply(connection, missing)


def _apply(connection: Connection, version: int) -> None:
    for statement in MIGRATIONS[version - 1]:
        connection.exec_driver_sql(statement)
    connection.exec_driver_sql(f"PRAGMA application_id={APPLICATION_ID}")
    connection.exec_driver_sql(
        "INSERT INTO schema_version VALUES (?, ?, ?)",
        (version, utc_text(datetime.now(UTC)), f"linecheck {__version__}"),
    )


def _keep_copy(path: Path, version: int) -> None:
    """Copy what is committed, whole and on the disk, to a name that nothing has yet."""
    remove_abandoned(path.parent)
    target = path
    try:
        target = _free_name(path, version)
        with temporary_file(path.parent) as (temporary, stream):
            _copy(path, temporary)
            keep_as(target, temporary, stream)
    except (sqlite3.Error, OSError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RecordError(
            f"{visible(str(target))}: the copy of the log that is kept before it is brought to a new form cannot be "
            f"written ({reason}): free some space or give permission, and repeat; the log is as it was"
        ) from error


def _free_name(path: Path, version: int) -> Path:
    for at in range(1, _MAX_COPIES + 1):
        number = f"-{at}" if at > 1 else ""
        name = path.with_name(f"{path.stem}.schema-{version}{number}{path.suffix}")
        if not os.path.lexists(name):
            return name
    raise FileError(
        visible(str(path)), f"has {_MAX_COPIES} copies of schema {version} beside it: move some elsewhere"
    )


def _copy(path: Path, target: Path) -> None:
    with (
        contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as source,
        contextlib.closing(sqlite3.connect(target, isolation_level=None)) as copy,
    ):
        # Only once the copy is on the disk does it take its name: it needs no journal.
        copy.execute("PRAGMA journal_mode=OFF").fetchall()
        copy.execute("PRAGMA synchronous=OFF")
        source.backup(copy)
        # Where nothing can be written beside it (an archive), it reads only without a write-ahead log.
        copy.execute("PRAGMA journal_mode=DELETE").fetchall()
