"""Reading at the server what is stored there, and verifying it: every hash is computed anew from the rows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

from sqlalchemy import Connection, FromClause, Table, cast, column, false, null, select, table, text

from linecheck.log.fetch import Tables, records_after, stray_part
from linecheck.log.schema import run, statement
from linecheck.log.station_key import SignedBy
from linecheck.log.stored import Head, Verification
from linecheck.log.sync.layout import SCHEMA, TYPES, log_layouts, original_text
from linecheck.log.sync.names import Period, period_faults, station_periods
from linecheck.log.sync.packed import wrongly_packed
from linecheck.log.thinning import rules_of
from linecheck.log.verification.verify import Chain

_AT_ONCE = 64
_LAST = 2**63 - 1


def at_server(connection: Connection, chain: str) -> Tables:
    """Return where the rows of a chain are; what this server does not have yet reads as NULL, or as no rows.

    Asks the server, once a connection: within a transaction.
    """
    present = _columns(connection)

    def rows(own: Table) -> FromClause:
        there = present.get(own.name, set())
        columns = [
            column(name, TYPES[kind].column)
            if name in there
            else cast(null(), TYPES[kind].column).label(name)
            for name, kind in log_layouts()[-1][own.name].columns.items()
        ]
        if not there:
            return select(*columns).where(false()).subquery(own.name)
        stored = table(own.name, schema=SCHEMA)
        return select(*columns).select_from(stored).where(column("chain") == chain).subquery(own.name)

    return rows


def chains(connection: Connection) -> tuple[str, ...]:
    """Return the chains that are stored, also those whose note was removed."""
    # From one to the next by the index: DISTINCT would read every row.
    next_of = " UNION ".join(
        f"(SELECT min(chain) AS chain FROM {SCHEMA}.{table} WHERE chain > known.chain)"
        for table in ("chain", run.name, statement.name)
    )
    query = text(
        f"WITH RECURSIVE known (chain) AS (SELECT '' COLLATE \"C\" UNION ALL "
        f"SELECT (SELECT min(chain) FROM ({next_of}) AS next) FROM known WHERE chain IS NOT NULL) "
        "SELECT chain FROM known WHERE chain <> ''"
    )
    return tuple(connection.scalars(query))


def content(connection: Connection, table: Table, noted: str) -> str | None:
    """Return what records refer to by a digest; None where it is not there."""
    if table.name not in _columns(connection):
        return None
    query = text(f"SELECT content FROM {SCHEMA}.{table.name} WHERE digest = :digest")
    found = connection.scalar(query, {"digest": noted})
    if found is None:
        return None
    original = original_text(found)
    try:
        original.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        # No log holds such a text, so it has been changed.
        return None
    return original


def check_chain(
    connection: Connection,
    chain: str,
    progress: Callable[[int], None] | None = None,
    signed_by: SignedBy | None = None,
) -> Verification:
    """Find out whether a chain is stored as it was sent.

    Shows records that were edited, removed, inserted or moved at the server, records that were cut off at the end
    since the server noted its head, contents (limits, packages) that were changed, and notes of stations
    (``chain_station``) that are not what the records say.

    Parameters
    ----------
    connection : Connection
    chain : str
        The hash of its first record.
    progress : callable, optional
        Called now and then with the number of the last record that was verified.
    signed_by : SignedBy, optional
        Whose signatures the records must have.
    """
    with connection.begin():
        noted, there = _noted_head(connection, chain), at_server(connection, chain)
        is_packed = "packed_reading" in _columns(connection)
    verified = Chain(
        lambda table, digest: content(connection, table, digest),
        noted,
        signed_by=signed_by,
        rules=lambda: rules_of(connection, there),
    )
    named: dict[str, Period] = {}
    after: int | None = None
    wrong: int | None = None
    while True:
        with connection.begin():
            # A station may be sending: its records and what is noted of them are looked at as of one moment.
            connection.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ"))
            found = records_after(connection, after, _AT_ONCE, there)
            for record in found:
                fault = verified.add(record) or _foreign(chain, verified.head)
                if fault is not None:
                    return verified.found(fault, verified.head.sequence + 1)
            if wrong is None and is_packed:
                last = found[-1].sequence if found else _LAST
                wrong = wrongly_packed(connection, chain, (after or 0) + 1, last)
            if not found:
                found_in_all = verified.end(stray_part(connection, there))
                return replace(found_in_all, other_faults=tuple(_notes(connection, chain, named, wrong)))
        named = station_periods(found, named)
        after = found[-1].sequence
        if progress is not None:
            progress(after)


def _notes(
    connection: Connection, chain: str, named: Mapping[str, Period], wrong: int | None
) -> Iterator[str]:
    """Yield what is wrong with what the server notes of a chain beside its records."""
    if wrong is not None:
        yield (
            f"what statistics read of record {wrong} ({SCHEMA}.packed_reading) is not what its readings are: it was "
            "changed at the server. Empty that table; linecheck sync --prepare makes it anew"
        )
    if _noted_head(connection, chain) is None:
        yield f"the row of this log in {SCHEMA}.chain is missing: it was removed at the server"
    yield from period_faults(connection, chain, named)


def _foreign(chain: str, head: Head) -> str | None:
    if head.sequence == 1 and head.record_hash != chain:
        return "record 1 is the first one of another log than the one that it is stored under"
    return None


def _noted_head(connection: Connection, chain: str) -> Head | None:
    query = text(f"SELECT head_sequence, head_hash FROM {SCHEMA}.chain WHERE chain = :chain")
    row = connection.execute(query, {"chain": chain}).one_or_none()
    return None if row is None or not row[0] else Head(row[0], row[1])


def _columns(connection: Connection) -> dict[str, set[str]]:
    """Return the columns of the server's tables of records and contents; looked up once a connection."""
    known: dict[str, set[str]] | None = connection.info.get("columns")
    if known is None:
        known = {}
        query = text(
            "SELECT c.relname, a.attname FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid "
            "JOIN pg_namespace n ON n.oid = c.relnamespace "
            "WHERE n.nspname = :name AND c.relkind IN ('r', 'p') AND a.attnum > 0 AND NOT a.attisdropped"
        )
        for table, column in connection.execute(query, {"name": SCHEMA}):
            known.setdefault(table, set()).add(column)
        connection.info["columns"] = known
    return known
