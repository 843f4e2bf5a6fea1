"""Connections to the server, and its errors in words that say what to do.

A session asks the server to write a commit to its disk before it acknowledges it, whatever the server is set to
otherwise; to give numbers that read back as the same numbers; and to notice within a minute that a station is gone, so
that its unfinished batch holds nobody up.
"""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, Self

from sqlalchemy import Connection, create_engine
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from linecheck.errors import ServerError, UsageError
from linecheck.files.text import visible
from linecheck.log.sync.target import Target

try:
    import psycopg
    from psycopg import sql
    from psycopg.conninfo import conninfo_to_dict
except ImportError as error:
    raise UsageError(
        "PostgreSQL's driver is missing: install linecheck with the extra it is in, pip install 'linecheck[postgres]'"
    ) from error

__all__ = ["OLDEST_SERVER", "Watchdog", "connected", "driver", "server_errors", "sql"]

#: As the driver writes versions: 13.0.
OLDEST_SERVER = 130_000

_CONNECT_SECONDS = 10
_SETTINGS = {
    "synchronous_commit": "on",
    "extra_float_digits": "1",
    "default_transaction_read_only": "off",
    "lock_timeout": "60s",
    "idle_in_transaction_session_timeout": "60s",
    "tcp_keepalives_idle": "30",
    "tcp_keepalives_interval": "10",
    "tcp_keepalives_count": "3",
}
#: The same from this side: a server that a cable no longer leads to is given up within a minute.
_OPTIONS = {
    "connect_timeout": _CONNECT_SECONDS,
    "keepalives_idle": 30,
    "keepalives_interval": 10,
    "keepalives_count": 3,
    "tcp_user_timeout": 60_000,
}

_PASSWORD_ADVICE = (
    "put it into ~/.pgpass (HOST:PORT:DATABASE:USER:PASSWORD, readable by you alone) or PGPASSWORD"
)

#: What a connection that was refused says -> what it means. Servers may say it in their own language, which is then
#: shown as it is.
_REFUSED = (
    (
        r"could not translate host name|failed to resolve host|[Nn]ame or service",
        "the host is unknown: is its name right, and is the network there?",
    ),
    (
        r"Connection refused|No such file or directory",
        "nothing listens there: is the server running, are host and port right?",
    ),
    (
        r"password authentication failed",
        f"the password is wrong, or the user is unknown: {_PASSWORD_ADVICE}",
    ),
    (r"no password supplied", f"the server wants a password: {_PASSWORD_ADVICE}"),
    (
        r"database \".*\" does not exist",
        "there is no database of that name: have it made (CREATE DATABASE … ENCODING 'UTF8')",
    ),
    (
        r"role \".*\" does not exist|authentication failed for user",
        "the server does not let this user in: is the name before @ right?",
    ),
    (
        r"no pg_hba\.conf entry",
        "the server's pg_hba.conf lets nobody in from here as this user: have it allowed",
    ),
    (r"permission denied for database", "this user may not connect to that database: GRANT CONNECT"),
    (
        r"starting up|shutting down|recovery mode|not yet accepting|closed the connection|[Cc]onnection reset",
        "the server is starting or stopping",
    ),
    (
        r"too many clients|remaining connection slots|too many connections",
        "the server has no connection left",
    ),
    (
        r"timeout expired|timed out|Network is unreachable|No route to host",
        "the server does not answer: is the network there?",
    ),
    (r"SSL|certificate", "no encrypted connection comes about"),
)
_GONE = "the connection was lost"
#: SQLSTATE -> what it means (PostgreSQL, Appendix A).
_STATES = {
    "53100": "the server's disk is full",
    "53200": "the server has too little memory",
    "53300": "the server has no connection left",
    "42501": "this user lacks a right there: whoever may create in the database runs `linecheck sync --prepare` once, "
    "which says what to grant",
    "25006": "the server only reads: it is a standby, or was set to",
    "55P03": "another program holds the records of this log locked at the server",
    "25P03": "the server waited too long for this station",
    "57P01": "the server is being stopped",
    "57P02": "the server has crashed and starts anew",
    "57P03": "the server is starting or stopping",
    "57014": "somebody has stopped it at the server",
    "40P01": "another program was in the way at the server",
    "XX001": "the server's database is damaged",
    "XX002": "the server's database is damaged",
    "58030": "the server's disk cannot be read or written",
}


@contextmanager
def connected(target: Target) -> Iterator[Connection]:
    """Connect to a server, for what is done inside; its errors come out in words.

    Raises
    ------
    ServerError
        It cannot be reached, lets nobody in, is too old, or fails meanwhile.
    UsageError
        The URL has an option that there is not.
    """
    engine = create_engine(
        "postgresql+psycopg://",
        creator=lambda: _connect(target),
        poolclass=NullPool,
        pool_reset_on_return=None,
        isolation_level="READ COMMITTED",
        use_native_hstore=False,
    )
    with server_errors(target), engine.connect() as connection:
        yield connection


class Watchdog:
    """Cuts a connection over which there was no progress for too long; whoever waits for it sees it lost.

    A server that holds its connection and answers nothing is given up so, which no setting of the driver does.

    Parameters
    ----------
    connection : Connection
    seconds : float
        How long may pass from :meth:`restart` to :meth:`restart`.
    """

    def __init__(self, connection: Connection, seconds: float) -> None:
        self._seconds = seconds
        with driver(connection) as raw:
            # A name of its own for the connection: the driver may close its one meanwhile.
            self._socket = socket.socket(fileno=socket.dup(raw.fileno()))
        self._timer = self._started()

    def restart(self) -> None:
        """Begin to wait anew: there was progress."""
        self._timer.cancel()
        self._timer = self._started()

    def __enter__(self) -> Self:
        """Return what waits."""
        return self

    def __exit__(self, *_: object) -> None:
        """Wait no longer."""
        self._timer.cancel()
        self._socket.close()

    def _started(self) -> threading.Timer:
        timer = threading.Timer(self._seconds, self._cut)
        timer.daemon = True
        timer.start()
        return timer

    def _cut(self) -> None:
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)


@contextmanager
def driver(connection: Connection) -> Iterator[psycopg.Connection[Any]]:
    """Give the driver's own connection, within the transaction that is open."""
    raw: Any = connection.connection.driver_connection
    try:
        yield raw
    except psycopg.Error as error:
        if raw.closed:
            connection.invalidate(error)
        raise


@contextmanager
def server_errors(target: Target) -> Iterator[None]:
    """Turn the server's errors into messages that say what is wrong.

    Raises
    ------
    ServerError
    """
    try:
        yield
    except (DBAPIError, psycopg.Error) as error:
        cause = error.orig if isinstance(error, DBAPIError) else error
        raise ServerError(f"{target}: {_words(cause)}") from error
    except SQLAlchemyError as error:
        raise ServerError(f"{target}: {_GONE}") from error


def _connect(target: Target) -> psycopg.Connection[Any]:
    try:
        given = conninfo_to_dict(target.url)
    except psycopg.Error as error:
        raise UsageError(f"{target}: {_line(error)}") from error
    options: dict[str, Any] = {name: value for name, value in _OPTIONS.items() if name not in given}
    options["application_name"] = "linecheck"
    try:
        connection = psycopg.connect(target.url, client_encoding="UTF8", **options)
    except psycopg.OperationalError as error:
        raise ServerError(f"{target}: {_refusal(error)}") from error
    version = connection.info.server_version
    if version < OLDEST_SERVER:
        connection.close()
        oldest = OLDEST_SERVER // 10_000
        raise ServerError(
            f"{target}: the server is PostgreSQL {version // 10_000}, too old: it must be {oldest} or newer"
        )
    with connection.transaction():
        for name, value in _SETTINGS.items():
            connection.execute("SELECT set_config(%s, %s, false)", (name, value))
    return connection


def _refusal(error: psycopg.OperationalError) -> str:
    said = str(error)
    for pattern, meaning in _REFUSED:
        if re.search(pattern, said):
            return f"{meaning} ({_line(error)})"
    return f"no connection: {_line(error)}"


def _words(error: BaseException | None) -> str:
    state = getattr(error, "sqlstate", None)
    if state in _STATES:
        return f"{_STATES[state]} ({_line(error)})"
    if state is None and isinstance(error, psycopg.OperationalError | psycopg.InterfaceError):
        return f"{_GONE} ({_line(error)})"
    return f"the server reports: {_line(error)}"


def _line(error: BaseException | None) -> str:
    """Return what a driver's error says, on one line."""
    if isinstance(error, psycopg.Error) and error.diag.message_primary:
        return visible(error.diag.message_primary)[:300]
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    return visible(lines[0].removeprefix("connection failed: "))[:300] if lines else type(error).__name__
