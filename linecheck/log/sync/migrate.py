"""The server's schema: numbered migrations, each in a transaction of its own, under an advisory lock.

There are two series: what the log's own migrations have made (``log``), and what the server has besides (``server``).
A migration never changes once it is released; a new one is added after it. Those of the server may use what the log's
have made so far, but for the first, which the log's tables need.

Rows of records and contents are added, never changed: triggers refuse UPDATE, DELETE and TRUNCATE, which guards against
accidents; stations need no right to any of them. ``chain`` and ``chain_station`` are no records: they note who has sent
what until when, and could be made anew from the records.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from sqlalchemy import Connection, text

from linecheck import __version__
from linecheck.errors import ServerError
from linecheck.log.schema import PARTS, curve_points, run, statement
from linecheck.log.sync import packed
from linecheck.log.sync.layout import SCHEMA, TYPES, TableLayout, log_layouts

#: Held while a migration is applied ("lchk" and 1).
_LOCK = (0x6C63686B << 8) + 1

_SERVER: tuple[tuple[str, ...], ...] = (
    (
        f"""
CREATE FUNCTION {SCHEMA}.refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'records are added, never changed or removed' USING ERRCODE = 'integrity_constraint_violation';
END
$$""",
        f"""
CREATE TABLE {SCHEMA}.chain (
    chain text COLLATE "C" PRIMARY KEY,
    head_sequence bigint NOT NULL,
    head_hash text COLLATE "C" NOT NULL,
    first_host text COLLATE "C" NOT NULL,
    first_sync timestamptz NOT NULL DEFAULT now(),
    last_host text COLLATE "C" NOT NULL,
    last_sync timestamptz NOT NULL DEFAULT now(),
    software text COLLATE "C" NOT NULL
)""",
        f"""
CREATE TABLE {SCHEMA}.chain_station (
    chain text COLLATE "C" NOT NULL REFERENCES {SCHEMA}.chain,
    station text COLLATE "C" NOT NULL,
    first_sequence bigint NOT NULL,
    first_recorded text COLLATE "C" NOT NULL,
    last_sequence bigint NOT NULL,
    last_recorded text COLLATE "C" NOT NULL,
    PRIMARY KEY (chain, station)
)""",
        f"CREATE INDEX chain_station_by_station ON {SCHEMA}.chain_station (station)",
    ),
    (
        f"CREATE UNIQUE INDEX run_by_run_id ON {SCHEMA}.run (run_id)",
        f"CREATE INDEX run_by_serial ON {SCHEMA}.run (serial, model)",
        f"CREATE INDEX run_by_station ON {SCHEMA}.run (station, recorded)",
        f"CREATE INDEX statement_by_subject ON {SCHEMA}.statement (kind, subject)",
        f"COMMENT ON TABLE {SCHEMA}.run IS 'Runs of units, by the log that they are in (chain) and their number there. "
        "In all texts U+0000, U+0010 and lone surrogates stand as U+0010 and four hexadecimal digits.'",
        f"COMMENT ON TABLE {SCHEMA}.chain IS 'Logs by the hash of their first record, and how far they were sent. "
        "A note for people: what was sent is what the records are.'",
    ),
    (
        # A few rows of very many: what fails most is counted without reading all that was measured.
        *(
            f"CREATE INDEX {table}_failed ON {SCHEMA}.{table} (chain, sequence, check_position) "
            "INCLUDE (metric, verdict) WHERE verdict = 'fail'"
            for table in ("reading", "packed_curve")
        ),
        *packed.TABLES,
    ),
)

#: Points of curves go once the log states which: as :data:`linecheck.log.schema.THINNED_BY_STATEMENT` has it there.
_THINNING = (
    f"""
CREATE FUNCTION {SCHEMA}.refuse_unstated() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (
        SELECT 1 FROM {SCHEMA}.run AS r JOIN {SCHEMA}.statement AS s ON s.chain = r.chain
        WHERE r.chain = OLD.chain AND r.sequence = OLD.sequence AND r.verdict = 'pass'
        AND coalesce(r.released, 'true') = 'true' AND coalesce(r.purpose, 'unit') = 'unit'
        AND s.kind = 'curves_thinned' AND s.sequence > r.sequence
        AND r.sequence <= (s.content::json ->> 'through')::bigint
        AND mod(r.sequence, (s.content::json ->> 'every')::bigint) <> 0
    ) THEN
        RETURN OLD;
    END IF;
    RAISE EXCEPTION 'points of curves are only removed once that is stated'
        USING ERRCODE = 'integrity_constraint_violation';
END
$$""",
    f"CREATE TRIGGER {curve_points.name}_keeps_on_delete BEFORE DELETE ON {SCHEMA}.{curve_points.name} "
    f"FOR EACH ROW EXECUTE FUNCTION {SCHEMA}.refuse_unstated()",
)

#: What a role needs that only sends; another that may create in the database makes the tables once.
GRANTS = (
    f"GRANT USAGE ON SCHEMA {SCHEMA} TO {{role}};",
    f"GRANT SELECT, INSERT ON ALL TABLES IN SCHEMA {SCHEMA} TO {{role}};",
    f"REVOKE INSERT ON {SCHEMA}.schema_version FROM {{role}};",
    f"GRANT UPDATE ON {SCHEMA}.chain, {SCHEMA}.chain_station TO {{role}};",
    f"ALTER DEFAULT PRIVILEGES IN SCHEMA {SCHEMA} GRANT SELECT, INSERT ON TABLES TO {{role}};",
)


class _Step(NamedTuple):
    part: str
    version: int
    commands: tuple[str, ...]


def migrate(connection: Connection) -> int:
    """Apply the migrations that are missing; return how many these were.

    Raises
    ------
    ServerError
        The schema is of a newer linecheck, or is none of linecheck's.
    """
    _refuse_foreign_encoding(connection)
    with connection.begin():
        found = versions(connection)
    applied = 0
    for step in _steps():
        if found.get(step.part, 0) >= step.version:
            continue
        with connection.begin():
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
            # Looked up under the lock: another station may have applied it meanwhile.
            found = versions(connection)
            if found.get(step.part, 0) < step.version:
                _apply(connection, step)
                found[step.part] = step.version
                applied += 1
    return applied


def _steps() -> Iterator[_Step]:
    """Yield all migrations in the order in which they are applied."""
    yield _Step("server", 1, _SERVER[0])
    before: Mapping[str, TableLayout] = {}
    for version, layouts in enumerate(log_layouts(), 1):
        yield _Step("log", version, tuple(_log_commands(before, layouts)))
        before = layouts
    for version, commands in enumerate(_SERVER[1:], 2):
        yield _Step("server", version, commands)


def _log_commands(before: Mapping[str, TableLayout], after: Mapping[str, TableLayout]) -> Iterator[str]:
    """Yield what makes of the tables before a migration of the log those after it."""
    records = {run.name, statement.name, *(table.name for table, _ in PARTS.values())}
    for name, layout in after.items():
        # What records refer to has its digest for a key; no other table comes to the server.
        if name not in records and layout.key != ("digest",):
            continue
        if name not in before:
            yield _create(name, layout, records)
            is_thinned = name == curve_points.name
            for event in ("UPDATE" if is_thinned else "UPDATE OR DELETE", "TRUNCATE"):
                yield (
                    f"CREATE TRIGGER {name}_keeps_on_{event.split()[0].lower()} BEFORE {event} ON {SCHEMA}.{name} "
                    f"FOR EACH STATEMENT EXECUTE FUNCTION {SCHEMA}.refuse_change()"
                )
            if is_thinned:
                yield from _THINNING
            continue
        for column, kind in layout.columns.items():
            if column not in before[name].columns:
                yield f"ALTER TABLE {SCHEMA}.{name} ADD COLUMN {_quoted(column)} {TYPES[kind].declared}"


def _create(name: str, layout: TableLayout, records: set[str]) -> str:
    columns = [
        f"{_quoted(column)} {TYPES[kind].declared}{' NOT NULL' * (column in layout.required)}"
        for column, kind in layout.columns.items()
    ]
    key = layout.key
    if name in records:
        columns.insert(0, 'chain text COLLATE "C" NOT NULL')
        key = ("chain", *key)
    columns.append(f"PRIMARY KEY ({', '.join(map(_quoted, key))})")
    return f"CREATE TABLE {SCHEMA}.{name} ({', '.join(columns)})"


def _apply(connection: Connection, step: _Step) -> None:
    if step == ("server", 1, _SERVER[0]):
        _begin_schema(connection)
    for command in step.commands:
        connection.exec_driver_sql(command)
    connection.execute(
        text(
            f"INSERT INTO {SCHEMA}.schema_version (part, version, software) VALUES (:part, :version, :software)"
        ),
        {"part": step.part, "version": step.version, "software": f"linecheck {__version__}"},
    )


def _begin_schema(connection: Connection) -> None:
    """Make the schema, unless somebody has made it for linecheck already."""
    if not connection.scalar(text("SELECT 1 FROM pg_namespace WHERE nspname = :name"), {"name": SCHEMA}):
        connection.exec_driver_sql(f"CREATE SCHEMA {SCHEMA}")
    connection.exec_driver_sql(
        f"""
CREATE TABLE {SCHEMA}.schema_version (
    part text COLLATE "C" NOT NULL,
    version integer NOT NULL,
    applied timestamptz NOT NULL DEFAULT now(),
    software text COLLATE "C" NOT NULL,
    PRIMARY KEY (part, version)
)"""
    )


def versions(connection: Connection) -> dict[str, int]:
    """Return how far each series has come at the server; empty where no log was ever sent there.

    Raises
    ------
    ServerError
        The schema is of a newer linecheck, or is none of linecheck's.
    """
    query = (
        "SELECT relname FROM pg_class JOIN pg_namespace n ON n.oid = relnamespace "
        "WHERE nspname = :name AND relkind IN ('r', 'p', 'v', 'm')"
    )
    tables = set(connection.scalars(text(query), {"name": SCHEMA}))
    if not tables:
        return {}
    if "schema_version" not in tables:
        raise ServerError(
            f"the database has a schema {SCHEMA} that is none of linecheck's: use another database"
        )
    query = f"SELECT part, max(version) FROM {SCHEMA}.schema_version GROUP BY part"
    found = {part: int(version) for part, version in connection.execute(text(query))}
    known = {"server": len(_SERVER), "log": len(log_layouts())}
    newer = [f"{part} {version}" for part, version in found.items() if version > known.get(part, 0)]
    if newer:
        knows = ", ".join(f"{part} {version}" for part, version in known.items())
        raise ServerError(
            f"the database was brought to its form by a newer linecheck (schema {', '.join(newer)}; this one knows "
            f"{knows}): update linecheck on this station; until then its records stay in its log"
        )
    return found


def _refuse_foreign_encoding(connection: Connection) -> None:
    with connection.begin():
        encoding = connection.scalar(text("SHOW server_encoding"))
    if encoding != "UTF8":
        raise ServerError(
            f"the database stores texts as {encoding}, which does not hold every character: "
            "make one with ENCODING 'UTF8' TEMPLATE template0"
        )


def _quoted(name: str) -> str:
    return f'"{name}"'
