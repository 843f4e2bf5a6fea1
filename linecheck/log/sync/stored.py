"""Reading at the server what is stored there, and verifying it: every hash is computed anew from the rows."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, Table, text

from linecheck.log.chain import BEGINNING
from linecheck.log.fetch import Parts, Record, grouped, records_from
from linecheck.log.schema import PARTS, run, statement
from linecheck.log.station_key import SignedBy
from linecheck.log.stored import Head, Verification
from linecheck.log.sync.layout import SCHEMA, original_text
from linecheck.log.sync.names import Period, period_faults, station_periods
from linecheck.log.sync.server import driver, sql
from linecheck.log.thinning import CURVES_THINNED, Rule, rules_from
from linecheck.log.verification.verify import Chain

Row = dict[str, Any]

_AT_ONCE = 64

_RECORDS = " UNION ALL ".join(
    f"SELECT chain, sequence, record_hash FROM {SCHEMA}.{table.name}" for table in (run, statement)
)


def head(connection: Connection, chain: str) -> Head:
    """Return the last record of a chain that is stored, by the records themselves."""
    query = text(
        f"SELECT sequence, record_hash FROM ({_RECORDS}) AS record "
        "WHERE chain = :chain ORDER BY sequence DESC LIMIT 1"
    )
    row = connection.execute(query, {"chain": chain}).one_or_none()
    return BEGINNING if row is None else Head(*row)


def hash_at(connection: Connection, chain: str, sequence: int) -> str | None:
    """Return the hash of a record that is stored; None where there is none of that number."""
    query = text(
        f"SELECT record_hash FROM ({_RECORDS}) AS record WHERE chain = :chain AND sequence = :sequence LIMIT 1"
    )
    found: str | None = connection.scalar(query, {"chain": chain, "sequence": sequence})
    return found


def chains(connection: Connection) -> tuple[str, ...]:
    """Return the chains that are stored, also those whose note was removed."""
    tables = ("chain", run.name, statement.name)
    query = text(
        " UNION ".join(f"SELECT chain FROM {SCHEMA}.{table}" for table in tables) + " ORDER BY chain"
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


def rules(connection: Connection, chain: str) -> tuple[Rule, ...]:
    """Return the rules by which the records of a chain are thinned out."""
    query = text(f"SELECT content FROM {SCHEMA}.statement WHERE chain = :chain AND kind = :kind")
    found = connection.scalars(query, {"chain": chain, "kind": CURVES_THINNED})
    return rules_from(map(original_text, found))


def records_after(connection: Connection, chain: str, sequence: int | None, count: int) -> list[Record]:
    """Return the next records of a chain, in order; ``count`` or fewer, one more where a number is there twice."""
    found: list[tuple[Row, bool]] = []
    for table in (run, statement):
        after = [] if sequence is None else [("sequence >", sequence)]
        rows = _rows(connection, table, [("chain =", chain), *after], ("sequence",), count)
        found += [(row, table is run) for row in rows]
    return records_from(found, count, lambda first, last: _parts(connection, chain, first, last))


def stray_part(connection: Connection, chain: str, last: int) -> tuple[str, int] | None:
    """Return where rows belong to a record that is not there: what they are, and the record's number."""
    present = _columns(connection)
    for name, (table, _) in PARTS.items():
        if table.name not in present:
            continue
        query = text(
            f"SELECT min(sequence) FROM {SCHEMA}.{table.name} "
            "WHERE chain = :chain AND (sequence < 1 OR sequence > :last)"
        )
        found = connection.scalar(query, {"chain": chain, "last": last})
        if found is not None:
            return name, int(found)
    return None


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
        noted = _noted_head(connection, chain)
    verified = Chain(
        lambda table, digest: content(connection, table, digest),
        noted,
        signed_by=signed_by,
        rules=lambda: rules(connection, chain),
    )
    named: dict[str, Period] = {}
    after: int | None = None
    while True:
        with connection.begin():
            # A station may be sending: its records and what is noted of them are looked at as of one moment.
            connection.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ"))
            found = records_after(connection, chain, after, _AT_ONCE)
            for record in found:
                fault = verified.add(record) or _foreign(chain, verified.head)
                if fault is not None:
                    return verified.found(fault, verified.head.sequence + 1)
            if not found:
                stray = stray_part(connection, chain, head(connection, chain).sequence)
                return replace(verified.end(stray), other_faults=tuple(_notes(connection, chain, named)))
        named = station_periods(found, named)
        after = found[-1].sequence
        if progress is not None:
            progress(after)


def _notes(connection: Connection, chain: str, named: Mapping[str, Period]) -> Iterator[str]:
    """Yield what is wrong with what the server notes of a chain beside its records."""
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


def _parts(connection: Connection, chain: str, first: int, last: int) -> Parts:
    """Return the rows that belong to a span of records, by record."""
    found: Parts = {}
    within = [("chain =", chain), ("sequence >=", first), ("sequence <=", last)]
    for name, (table, order) in PARTS.items():
        for sequence, rows in grouped(_rows(connection, table, within, ("sequence", *order))):
            found.setdefault(sequence, {each: [] for each in PARTS})[name] = rows
    return found


def _rows(
    connection: Connection,
    table: Table,
    conditions: Sequence[tuple[str, Any]],
    order: Iterable[str],
    count: int | None = None,
) -> list[Row]:
    """Return whole rows as the log had them; a column that this server does not have yet is None."""
    names = [column.name for column in table.columns]
    present = _columns(connection).get(table.name, set())
    if not present:
        return []
    query = sql.SQL("SELECT {} FROM {} WHERE {} ORDER BY {}").format(
        sql.SQL(", ").join(sql.Identifier(name) if name in present else sql.SQL("NULL") for name in names),
        sql.Identifier(SCHEMA, table.name),
        sql.SQL(" AND ").join(sql.SQL(f"{condition} %s") for condition, _ in conditions),
        sql.SQL(", ").join(sql.Identifier(name) for name in order),
    )
    values = [value for _, value in conditions]
    if count is not None:
        query, values = query + sql.SQL(" LIMIT %s"), [*values, count]
    with driver(connection) as raw, raw.cursor(binary=True) as cursor:
        found = cursor.execute(query, values).fetchall()
    return [dict(zip(names, map(_original, row), strict=True)) for row in found]


def _original(value: Any) -> Any:  # noqa: ANN401 - any column
    return original_text(value) if isinstance(value, str) else value


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
