"""Adding a batch at the server, within the transaction that is open."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, text

from linecheck import __version__
from linecheck.errors import RecordError
from linecheck.log.chain import BEGINNING
from linecheck.log.fetch import Record
from linecheck.log.schema import PARTS, run, statement
from linecheck.log.stored import Head
from linecheck.log.sync.batches import Batch
from linecheck.log.sync.layout import SCHEMA, TYPES, log_layouts, stored_text
from linecheck.log.sync.local import Contents
from linecheck.log.sync.names import station_periods
from linecheck.log.sync.server import driver, sql
from linecheck.log.thinning import PASSES, Rule

Row = Mapping[str, Any]


def lock_chain(connection: Connection, chain: str, host: str) -> None:
    """Let nobody else add to a chain until the transaction ends; a new one is noted."""
    connection.execute(
        text(
            f"INSERT INTO {SCHEMA}.chain (chain, head_sequence, head_hash, first_host, last_host, software) "
            "VALUES (:chain, :sequence, :hash, :host, :host, :software) ON CONFLICT DO NOTHING"
        ),
        _noted(chain, host, BEGINNING),
    )
    connection.execute(
        text(f"SELECT 1 FROM {SCHEMA}.chain WHERE chain = :chain FOR UPDATE"), {"chain": chain}
    )


def _noted(chain: str, host: str, head: Head) -> dict[str, Any]:
    return {
        "chain": chain,
        "sequence": head.sequence,
        "hash": head.record_hash,
        "host": stored_text(host),
        "software": f"linecheck {__version__}",
    }


def note_head(connection: Connection, chain: str, host: str, records: Sequence[Record], head: Head) -> None:
    """Note how far a chain has come, from where, and which stations it names."""
    connection.execute(
        text(
            f"UPDATE {SCHEMA}.chain SET head_sequence = :sequence, head_hash = :hash, last_host = :host, "
            "last_sync = now(), software = :software WHERE chain = :chain"
        ),
        _noted(chain, host, head),
    )
    seen = [
        {"chain": chain, "station": station, **period._asdict()}
        for station, period in sorted(station_periods(records).items())
    ]
    if seen:
        connection.execute(
            text(
                f"INSERT INTO {SCHEMA}.chain_station AS s VALUES "
                "(:chain, :station, :first_sequence, :first_recorded, :last_sequence, :last_recorded) "
                "ON CONFLICT (chain, station) DO UPDATE SET last_sequence = excluded.last_sequence, "
                "first_recorded = least(s.first_recorded, excluded.first_recorded), "
                "last_recorded = greatest(s.last_recorded, excluded.last_recorded)"
            ),
            seen,
        )


def other_owner(connection: Connection, chain: str, records: Sequence[Record]) -> tuple[int, str, int] | None:
    """Return the first record whose run another chain has: its number, that chain, and the number there."""
    numbers = {stored_text(record.row["run_id"]): record.sequence for record in records if record.is_run}
    query = text(
        f"SELECT run_id, chain, sequence FROM {SCHEMA}.run WHERE run_id = ANY(:ids) AND chain <> :chain"
    )
    rows = connection.execute(query, {"ids": list(numbers), "chain": chain}).all()
    return min(((numbers[run_id], other, sequence) for run_id, other, sequence in rows), default=None)


def add_contents(connection: Connection, contents: Contents) -> None:
    """Add what records refer to, where it is not there."""
    for table, entries in sorted(contents.items()):
        # In one order everywhere, so that no two stations wait for each other.
        rows = [{"digest": digest, "content": stored_text(entries[digest])} for digest in sorted(entries)]
        there = text(f"SELECT digest FROM {SCHEMA}.{table} WHERE digest = ANY(:digests)")
        known = set(connection.scalars(there, {"digests": list(entries)}))
        missing = [row for row in rows if row["digest"] not in known]
        if missing:
            add = text(
                f"INSERT INTO {SCHEMA}.{table} (digest, content) VALUES (:digest, :content) "
                "ON CONFLICT DO NOTHING"
            )
            connection.execute(add, missing)


def thin_records(connection: Connection, chain: str, rules: Iterable[Rule]) -> int:
    """Remove the points of curves that a chain states to go; return of how many records they went."""
    removed = 0
    for rule in rules:
        query = text(
            f"DELETE FROM {SCHEMA}.curve_points AS p USING {SCHEMA}.run WHERE run.chain = p.chain "
            f"AND run.sequence = p.sequence AND p.chain = :chain AND {PASSES} "
            "AND p.sequence <= :through AND p.sequence % :every <> 0"
        )
        removed += connection.execute(query, {"chain": chain, **rule.content()}).rowcount
    return removed


def add_records(connection: Connection, chain: str, batch: Batch) -> None:
    """Add the rows of all records of a batch.

    Raises
    ------
    RecordError
        A column holds what it cannot hold in a log.
    """
    _copy(connection, chain, run.name, (record.row for record in batch.records if record.is_run))
    _copy(connection, chain, statement.name, (record.row for record in batch.records if not record.is_run))
    for name, (table, _) in PARTS.items():
        _copy(connection, chain, table.name, (row for record in batch.records for row in record.parts[name]))


def _copy(connection: Connection, chain: str, table: str, rows: Iterable[Row]) -> None:
    listed = list(rows)
    if not listed:
        return
    columns = log_layouts()[-1][table].columns
    target = sql.SQL("COPY {} ({}) FROM STDIN (FORMAT BINARY)").format(
        sql.Identifier(SCHEMA, table), sql.SQL(", ").join(map(sql.Identifier, ("chain", *columns)))
    )
    with driver(connection) as raw, raw.cursor() as cursor, cursor.copy(target) as copy:
        copy.set_types(["text", *(TYPES[kind].copied for kind in columns.values())])
        for row in listed:
            copy.write_row([chain, *_values(table, columns, row)])


def _values(table: str, columns: Mapping[str, str], row: Row) -> Iterator[Any]:
    for name, kind in columns.items():
        value = row[name]
        if value is None:
            yield None
        elif type(value) is not TYPES[kind].python:
            raise RecordError(
                f"record {row['sequence']} has a {name} in {table} that is no {kind}: it has been changed since it was "
                "stored, and is not sent (linecheck log verify)"
            )
        else:
            yield stored_text(value) if isinstance(value, str) else value
