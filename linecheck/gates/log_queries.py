"""Log queries of the gates, by index: as quick in a log of a million runs as in a short one.

==============================  =================================================================
:func:`newest_statement`        the newest of a kind about one subject
:func:`next_statement`          the first of a kind about one subject after a record
:func:`newest_of_each`          the newest of a kind about each subject that begins alike
:func:`latest_time`             the latest time that any record after one names
:func:`newest_doubt`            the newest run of a unit in which the station's path was in doubt
:func:`newest_units`            the newest runs of units at a station, of any model
:func:`unit_run`                one of them, with what failed grossly
:func:`standing_lock`           the lock that a run found as it began
:func:`golden_values`           what a golden unit's readings were, run by run
==============================  =================================================================
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection

from linecheck.errors import RecordError
from linecheck.files.text import encodable
from linecheck.gates.lock import KNOWN_BEFORE, LockState, UnitRun, grossly
from linecheck.gates.statements import read_time
from linecheck.limits.verdict import Verdict
from linecheck.log.chain import statement_hash
from linecheck.log.queries import has_narrow_index
from linecheck.log.schema import statement
from linecheck.log.statements import read_statement
from linecheck.log.stored import Statement
from linecheck.results.wording import subject
from linecheck.run.voiding import IN_DOUBT

#: No more of the newest runs of a station than this are looked at: a run says of itself whether it found a lock.
MAX_LOOKED_AT: Final = 100
#: Runs of a golden unit whose readings are looked at for a drift.
MAX_GOLDEN: Final = 200

_COLUMNS: Final = ", ".join(column.name for column in statement.columns)
NEWEST_STATEMENT: Final = (
    f"SELECT {_COLUMNS} FROM statement WHERE kind = ? AND subject = ? ORDER BY sequence DESC LIMIT 1"
)
NEXT_STATEMENT: Final = "SELECT min(sequence) FROM statement WHERE kind = ? AND subject = ? AND sequence > ?"
NEWEST_DOUBT: Final = (
    "SELECT max(r.sequence) FROM run AS r JOIN problem AS p ON p.sequence = r.sequence "
    "WHERE r.serial = ? AND r.station = ? AND p.code = ? AND p.blocks = 1"
)
_NEWEST_OF_EACH: Final = (
    "SELECT max(sequence) FROM statement WHERE kind = ? AND subject >= ? AND subject < ? GROUP BY subject"
)
_STATEMENT: Final = f"SELECT {_COLUMNS} FROM statement WHERE sequence = ?"
#: By time; where so many records of a clock that was wrong stand before, by number.
LATEST_RUN: Final = (
    "SELECT max(recorded) FROM (SELECT recorded, sequence FROM run ORDER BY recorded DESC LIMIT 500) "
    "WHERE sequence > ?"
)
LATEST_OF_NEWEST: Final = (
    "SELECT max(recorded) FROM "
    "(SELECT recorded FROM run WHERE sequence > ? ORDER BY sequence DESC LIMIT 5000)"
)
LATEST_STATEMENT: Final = "SELECT max(recorded) FROM statement WHERE sequence > ?"
#: A log may be that of several nests, of which one has rested for long.
NEWEST_UNITS: Final = (
    "SELECT sequence, model, serial, verdict FROM "
    "(SELECT sequence, model, serial, verdict, purpose, station FROM main.run INDEXED BY run_by_facts "
    "WHERE sequence > ? ORDER BY sequence DESC LIMIT 20000) "
    "WHERE station = ? AND (purpose IS NULL OR purpose = 'unit') LIMIT ?"
)
PROBLEMS: Final = "SELECT check_name, channel, code FROM problem WHERE sequence = ? AND blocks = 1"
FAILED_READINGS: Final = (
    "SELECT c.name, r.metric, r.channel, r.value, r.unit, r.pass_limit, r.fail_limit, r.side "
    "FROM reading AS r JOIN run_check AS c ON c.sequence = r.sequence AND c.position = r.check_position "
    "WHERE r.sequence = ? AND r.verdict = 'fail' ORDER BY r.check_position, r.position"
)
#: The same of curves, by the tables that have them: before record format 5, and since.
FAILED_CURVES: Final = tuple(
    FAILED_READINGS.replace("reading AS r", f"{table} AS r").replace("r.value", "r.worst_y")
    for table in ("curve", "packed_curve")
)
GATES: Final = "SELECT gates FROM run WHERE sequence = ?"
_GOLDEN_RUNS: Final = (
    "SELECT sequence FROM run WHERE serial = ? AND model = ? AND purpose = 'golden' "
    "AND verdict IN ('pass', 'marginal') ORDER BY sequence DESC LIMIT ?"
)
_GOLDEN_VALUES: Final = (
    "SELECT r.sequence, c.name, r.metric, r.channel, r.value, r.unit, c.stimulus_sha256 "
    "FROM run_check AS c CROSS JOIN reading AS r ON r.sequence = c.sequence AND r.check_position = c.position "
    "WHERE c.sequence IN (SELECT value FROM json_each(?)) AND r.value IS NOT NULL AND r.verdict IS NOT 'invalid' "
    "AND r.is_bound IS NOT 1 ORDER BY r.sequence"
)


@dataclass(frozen=True)
class GoldenValue:
    """A reading of one run of a golden unit."""

    sequence: int
    check: str
    metric: str
    channel: str | None
    value: float
    unit: str
    stimulus_sha256: str | None


class StoredUnit(NamedTuple):
    """A run of a unit as the log's narrow index has it."""

    sequence: int
    model: str
    serial: str
    verdict: str


def newest_statement(connection: Connection, kind: str, about: str) -> Statement | None:
    """Return the newest statement of a kind about one subject; None where there is none."""
    rows = _rows(connection, NEWEST_STATEMENT, kind, about)
    return _statement(rows[0]) if rows else None


def next_statement(connection: Connection, kind: str, about: str, after: int) -> int | None:
    """Return the number of the first statement of a kind about one subject after a record; None where there is none."""
    return _number(_rows(connection, NEXT_STATEMENT, kind, about, after))


def newest_doubt(connection: Connection, station: str, serial: str) -> int | None:
    """Return the number of the newest run of a unit at a station in which its path was in doubt; None without one."""
    return _number(_rows(connection, NEWEST_DOUBT, encodable(serial), encodable(station), IN_DOUBT))


def newest_of_each(connection: Connection, kind: str, prefix: str) -> list[Statement]:
    """Return the newest statement of a kind about each subject that begins with a prefix, by subject."""
    beyond = prefix[:-1] + chr(ord(prefix[-1]) + 1)
    numbers = _rows(connection, _NEWEST_OF_EACH, kind, prefix, beyond)
    found = [_statement(_rows(connection, _STATEMENT, number)[0]) for (number,) in numbers]
    return sorted(found, key=lambda each: each.subject)


def latest_time(connection: Connection, sequence: int) -> datetime | None:
    """Return the latest time that any record after one names; None where nothing came after it."""
    found = _rows(connection, LATEST_RUN, sequence)
    if found[0][0] is None:
        found = _rows(connection, LATEST_OF_NEWEST, sequence)
    found += _rows(connection, LATEST_STATEMENT, sequence)
    return max((time for (text,) in found if (time := read_time(text)) is not None), default=None)


def newest_units(connection: Connection, station: str, after: int) -> list[StoredUnit]:
    """Return the newest runs of units at a station, of any model, after a record; the newest first."""
    if not has_narrow_index(connection):
        return []
    rows = _rows(connection, NEWEST_UNITS, after, encodable(station), MAX_LOOKED_AT)
    return [StoredUnit(*row) for row in rows]


def standing_lock(connection: Connection, sequence: int) -> LockState:
    """Return the lock that a run found as it began, by its record."""
    rows = _rows(connection, GATES, sequence)
    gates = json.loads(rows[0][0]) if rows and rows[0][0] else {}
    lock = gates.get("lock", {}) if isinstance(gates, dict) else {}
    since = lock.get("since") if isinstance(lock, dict) and lock.get("state") == "locked" else None
    if not isinstance(since, int):
        return LockState()
    return LockState(True, since, told=str(lock.get("why", "")))


def golden_values(connection: Connection, model: str, serial: str) -> list[GoldenValue]:
    """Return what the readings of a golden unit were in its newest runs that judged it, the oldest first."""
    runs = _rows(connection, _GOLDEN_RUNS, encodable(serial), encodable(model), MAX_GOLDEN)
    rows = _rows(connection, _GOLDEN_VALUES, json.dumps([sequence for (sequence,) in runs]))
    return [GoldenValue(*row) for row in rows]


def _rows(connection: Connection, query: str, *values: Any) -> list[Any]:  # noqa: ANN401 - what SQLite takes
    """Return the rows that a query gives, without what SQLAlchemy adds, which takes longer than the query."""
    plain = connection.connection.driver_connection
    return [] if plain is None else plain.execute(query, values).fetchall()


def _number(rows: list[Any]) -> int | None:
    return None if rows[0][0] is None else int(rows[0][0])


def unit_run(connection: Connection, unit: StoredUnit) -> UnitRun:
    """Return a run of a unit with what failed grossly in it."""
    sequence, serial, verdict = unit.sequence, unit.serial, Verdict(unit.verdict)
    if verdict in (Verdict.PASS, Verdict.MARGINAL, Verdict.ABORTED):
        return UnitRun(sequence, serial, verdict)
    gross: dict[str, None] = {}
    problems = _rows(connection, PROBLEMS, sequence)
    for query in (FAILED_READINGS, *FAILED_CURVES):
        for name, metric, channel, *judged in _rows(connection, query, sequence):
            if _is_gross(*judged):
                gross[subject(name, metric, channel)] = None
    for check, channel, code in problems:
        if code not in KNOWN_BEFORE:
            gross[f"{subject(check or 'the run', '', channel)}: {code.replace('_', ' ')}"] = None
    gated = any(code == "station_gate" for _, _, code in problems)
    return UnitRun(sequence, serial, verdict, tuple(gross), gated)


def _is_gross(
    value: float | None, unit: str, pass_limit: float | None, fail_limit: float | None, side: str | None
) -> bool:
    limit = fail_limit if fail_limit is not None else pass_limit
    if value is None or limit is None or side is None:
        return False
    return grossly(limit - value if side == "min" else value - limit, limit, unit)


def _statement(row: Any) -> Statement:  # noqa: ANN401 - a row
    """Return a statement that is as it was stored.

    Raises
    ------
    RecordError
        It is not: a gate that was not met must not become one that was.
    """
    found = dict(zip((column.name for column in statement.columns), row, strict=True))
    if statement_hash(found) != found["record_hash"]:
        raise RecordError(
            f"record {found['sequence']}, on which a gate of the station rests, has been changed since it was "
            "stored: run `linecheck log verify`, and find out who changed it"
        )
    said = read_statement(found)
    return said if isinstance(said.content, dict) else replace(said, content={})
