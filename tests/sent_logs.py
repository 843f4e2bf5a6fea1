"""What the tests of sending a log share: comparing every row of it with what the server has."""

import sqlite3
import struct
from contextlib import closing

import psycopg
from made_runs import made_check, made_curve, made_reading, made_run

from linecheck.log import Log
from linecheck.log.schema import PARTS, SHARED
from linecheck.log.sync.local import LocalLog
from linecheck.log.sync.push import push
from linecheck.log.sync.target import Target

RECORD_TABLES = ("run", *(table.name for table, _ in PARTS.values()), "statement")
SHARED_TABLES = tuple(table.name for table in SHARED)


def made_log(path, runs=3, statements=1, **changes):
    """Make a log, or go on with one: runs, and statements after the first of them."""
    with Log(path) as log:
        for at in range(runs):
            log.append(
                made_run(made_check(made_reading(), made_reading(value=113.1), made_curve()), **changes)
            )
            if at < statements:
                log.state("self_check", "line-2-nest-a", {"found": "nothing", "at": at})
    return path


def sent(path, url):
    """Send a log and return what came of it."""
    with LocalLog(path) as log:
        return push(log, Target.parsed(url))


def local_rows(path, table):
    """Return all rows of a table of a log, in order, as plain values."""
    with closing(sqlite3.connect(path)) as connection:
        connection.text_factory = lambda text: text.decode("utf-8", "surrogateescape")
        columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
        keys = [row[1] for row in connection.execute(f"PRAGMA table_info({table})") if row[5]]
        rows = connection.execute(f"SELECT {', '.join(columns)} FROM {table} ORDER BY {', '.join(keys)}")
        return columns, [tuple(map(_bits, row)) for row in rows]


def server_rows(url, table, columns, chain=None):
    """Return all rows of a table at the server, of one chain where it has one, in the order of its key."""
    keys = {"run": 1, "statement": 1, "run_check": 2, "problem": 2, "run_asset": 2, "reading": 3, "curve": 3}
    order = ", ".join(str(at + 1) for at in range(keys.get(table, 1)))
    where = "" if chain is None else f"WHERE chain = '{chain}'"
    with psycopg.connect(url) as connection:
        names = ", ".join(f'"{column}"' for column in columns)
        rows = connection.execute(
            f"SELECT {names} FROM linecheck.{table} {where} ORDER BY {order}"
        ).fetchall()
    return [tuple(map(_bits, row)) for row in rows]


def same_rows(path, url):
    """See that the server has every row of a log, once, and no other of its chain."""
    _, runs = local_rows(path, "run")
    hashes = {}
    for table in ("run", "statement"):
        columns, rows = local_rows(path, table)
        for row in rows:
            hashes[row[columns.index("sequence")]] = row[columns.index("record_hash")]
    chain = hashes[1]
    for table in RECORD_TABLES:
        columns, rows = local_rows(path, table)
        assert server_rows(url, table, columns, chain) == rows, table
    for table in SHARED_TABLES:
        columns, rows = local_rows(path, table)
        assert set(rows) <= set(server_rows(url, table, columns)), table
    return len(runs)


def _bits(value):
    """Return a value so that two are equal only where their types and bits are."""
    if isinstance(value, float):
        return "double", struct.pack("<d", value)
    return value
