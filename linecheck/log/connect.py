"""Opening the log's database, and its errors in words that an operator understands.

Everything that is written is written in a transaction that takes the write lock at its start (BEGIN
IMMEDIATE), in WAL mode with synchronous FULL: once it is committed it is on the disk. Reading never writes.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool, QueuePool

from linecheck.errors import FileError, LinecheckError, RecordError
from linecheck.files.durable import make_folder, sync_folder
from linecheck.files.text import visible
from linecheck.log.curves import lay_functions
from linecheck.log.migrate import migrate
from linecheck.log.schema import APPLICATION_ID, MIGRATIONS, TABLES

_OLDEST_SQLITE = (3, 37, 0)
_COLUMNS = (
    "SELECT sqlite_master.name, pragma_table_info.name FROM sqlite_master, pragma_table_info(sqlite_master.name) "
    "WHERE sqlite_master.type = 'table'"
)

_LOCKED = "another program holds the log locked: close it (a database browser, a backup) and repeat"
_AT_FAULT = {
    sqlite3.SQLITE_BUSY: _LOCKED,
    sqlite3.SQLITE_LOCKED: _LOCKED,
    sqlite3.SQLITE_FULL: "the disk is full: free some space",
    sqlite3.SQLITE_IOERR: "the disk cannot be read or written: is it full, unplugged or failing?",
    sqlite3.SQLITE_CORRUPT: "the database is damaged: keep the file, restore the last good copy, verify it",
    sqlite3.SQLITE_READONLY: "the log is read-only: it needs a file and a folder that can be written to",
    sqlite3.SQLITE_CANTOPEN: "the log cannot be opened: is its folder there, and may you write to it?",
    sqlite3.SQLITE_NOTADB: "is not an SQLite database, so it is no log: name another file",
    sqlite3.SQLITE_PERM: "the log cannot be opened: no permission",
    sqlite3.SQLITE_AUTH: "the log cannot be opened: no permission",
}
#: What is said where the database takes something and does not keep it as it went in.
NOT_KEPT = (
    "the database took the record and did not keep it as it went in, so nothing of it was recorded: something was "
    "added to the log, or taken from it, that drops or changes records. `linecheck log verify` names it; keep the "
    "file, and begin a log of another name until it is known who did that"
)
#: What is a wrong file rather than a failing station.
_WRONG_FILE = {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_PERM}


def database_path(location: str | Path) -> Path:
    """Return the file of a log that is given as a path or as ``sqlite:///PATH``.

    Raises
    ------
    FileError
        It is another kind of database, or no file.
    """
    text = str(location)
    if "://" in text:
        scheme, _, rest = text.partition("://")
        if scheme != "sqlite" or not rest.startswith("/"):
            raise FileError(visible(text), "the log is an SQLite file: give its path, or sqlite:///PATH")
        text = rest[1:]
    if not text or text == ":memory:" or "\0" in text:
        raise FileError(visible(text), "the log is a file: give its path")
    path = Path(text).absolute()
    if os.path.exists(path) and not os.path.isfile(path):
        raise FileError(visible(str(path)), "is a folder or a device, the log is a file: give its path")
    return path


def open_writer(path: Path, busy_seconds: float) -> Engine:
    """Open a log to add to, made and migrated as needed.

    Raises
    ------
    FileError
        It is no log, was written by a newer linecheck, or cannot be made.
    RecordError
        It is locked, or the disk is full or failing.
    """
    new = not os.path.exists(path)
    if not new and not os.access(path, os.W_OK):
        # SQLite opens it all the same and says so only when a run is to be recorded.
        raise FileError(visible(str(path)), _AT_FAULT[sqlite3.SQLITE_READONLY])
    make_folder(path.parent)
    engine = create_engine(
        "sqlite://",
        creator=lambda: _connect(path, "rwc", busy_seconds),
        poolclass=QueuePool,
        pool_size=1,
        max_overflow=8,
    )

    @event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _: object) -> None:
        try:
            for setting in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
                connection.execute(f"PRAGMA {setting}").fetchall()
        except sqlite3.Error:
            connection.close()
            raise

    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN IMMEDIATE"))
    try:
        with (
            plain_errors(path, opening=True),
            contextlib.closing(_connect(path, "rwc", busy_seconds)) as plain,
        ):
            _refuse_foreign(plain, path, writing=True)
        with plain_errors(path, opening=True), engine.connect() as connection:
            _refuse_other_journal(connection, path)
            migrate(connection, path)
    except LinecheckError:
        engine.dispose()
        raise
    if new:
        # SQLite makes durable the names of its journals only.
        with contextlib.suppress(OSError):
            sync_folder(path.parent)
    return engine


def open_reader(path: Path, busy_seconds: float) -> Engine:
    """Open a log to read from; it must be there. An older one reads as one of the newest schema, nothing changed in it.

    Raises
    ------
    FileError
        It is not there, is no log, or was written by a newer linecheck.
    RecordError
        It is locked, damaged, or the disk is failing.
    """
    if not os.path.exists(path):
        raise FileError(visible(str(path)), "there is no log of that name")
    mode = "ro&immutable=1" if _is_finished(path) else "rw"
    engine = create_engine(
        "sqlite://", creator=lambda: _connect(path, mode, busy_seconds), poolclass=NullPool
    )

    @event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _: object) -> None:
        connection.text_factory = _any_text
        _lay_views(connection)
        lay_functions(connection)
        connection.execute("PRAGMA query_only=ON")

    event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN"))
    with plain_errors(path, opening=True), contextlib.closing(_connect(path, mode, busy_seconds)) as plain:
        _refuse_foreign(plain, path, writing=False)
    return engine


@contextlib.contextmanager
def plain_errors(path: Path, opening: bool = False) -> Iterator[None]:
    """Turn the database's errors into messages that say what to do.

    Raises
    ------
    FileError
        While opening: the file is the wrong one.
    RecordError
        Anything else.
    """
    try:
        yield
    except (DBAPIError, sqlite3.Error) as error:
        cause = error.orig if isinstance(error, DBAPIError) else error
        code = getattr(cause, "sqlite_errorcode", 0) & 0xFF
        name = visible(str(path))
        message = _AT_FAULT.get(
            code,
            f"the database reports: {cause} (`linecheck log verify` says whether the log is as it was made)",
        )
        if getattr(cause, "sqlite_errorcode", 0) == sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY:
            message = NOT_KEPT
        if opening and code in _WRONG_FILE:
            raise FileError(name, message) from error
        raise RecordError(f"{name}: {message}") from error


def _connect(path: Path, mode: str, busy_seconds: float) -> sqlite3.Connection:
    # isolation_level None: the driver begins no transaction of its own, every BEGIN is ours.
    return sqlite3.connect(
        f"{path.as_uri()}?mode={mode}",
        uri=True,
        timeout=busy_seconds,
        isolation_level=None,
        check_same_thread=False,
    )


def _lay_views(connection: sqlite3.Connection) -> None:
    """Lay temporary views over what an older log lacks: a column reads as NULL, a table as empty."""
    present: dict[str, set[str]] = {}
    for table, column in connection.execute(_COLUMNS):
        present.setdefault(table, set()).add(column)
    for table in TABLES:
        there, names = present.get(table.name, set()), table.columns.keys()
        if not there.issuperset(names):
            rows = f"FROM main.{table.name}" if there else "WHERE FALSE"
            columns = ", ".join(name if name in there else f"NULL AS {name}" for name in names)
            connection.execute(f"CREATE TEMP VIEW {table.name} AS SELECT {columns} {rows}")


def _any_text(text: bytes) -> str:
    """Decode what need not be UTF-8 in a log that someone has changed."""
    return text.decode("utf-8", "surrogateescape")


def _is_finished(path: Path) -> bool:
    """Return whether a log lies where nothing can be written (an archive), closed as it should be."""
    return not os.access(path.parent, os.W_OK) and not os.path.exists(f"{path}-wal")


def _refuse_foreign(connection: sqlite3.Connection, path: Path, writing: bool) -> None:
    """Refuse what is no log of ours, before anything is written to it."""
    if sqlite3.sqlite_version_info < _OLDEST_SQLITE:
        needed = ".".join(str(part) for part in _OLDEST_SQLITE)
        raise RecordError(f"the log needs SQLite {needed} or newer, this is {sqlite3.sqlite_version}")
    name = visible(str(path))
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    mark = connection.execute("PRAGMA application_id").fetchone()[0]
    if not tables and writing and mark in (0, APPLICATION_ID):
        return
    if not tables and mark in (0, APPLICATION_ID):
        raise FileError(name, "is an empty log: no run was recorded in it yet")
    if mark != APPLICATION_ID or "schema_version" not in tables:
        raise FileError(name, "is a database, but no log of linecheck: name another file")
    version = connection.execute("SELECT max(version) FROM schema_version").fetchone()[0]
    if version is not None and version > len(MIGRATIONS):
        raise FileError(
            name,
            f"was written by a newer linecheck (schema {version}, this one knows up to {len(MIGRATIONS)}): "
            "update linecheck",
        )


def _refuse_other_journal(connection: Connection, path: Path) -> None:
    mode = connection.connection.driver_connection
    found = mode.execute("PRAGMA journal_mode").fetchone()[0] if mode is not None else None
    if found != "wal":
        raise FileError(
            visible(str(path)),
            "the log cannot be kept safely here: use a disk of this machine, not a network share",
        )
