"""The log's tables, and the numbered migrations that make them.

Tables hold one run in one row of ``run`` and, by its ``sequence``, in rows of ``run_check``, ``reading``,
``packed_curve``, ``curve_points``, ``problem`` and ``run_asset`` (``curve`` holds the curves of records before format
5). ``limits`` holds what the limit files said, once each, so that a log can be
read without them; ``document`` holds what else many runs share (the packages that they ran with). ``statement`` holds
what people (or stations) have said: its kind, what it is about (``subject``), and the rest as JSON. Runs and statements
share one sequence: no number is in both. Four tables are no records, and change: ``sent`` notes how far another place
has confirmed that it has the log, ``begun`` what is known of runs that are under way (:mod:`linecheck.log.begun`),
``outbox`` which runs are still to be handed over (:mod:`linecheck.log.outbox`), ``chart_state`` how far each control
chart has come (:mod:`linecheck.statistics.charts.follow`), which follows from the records.
``station_signature`` in the row of a record is a signature of its hash, where the station has a key
(:mod:`linecheck.log.station_key`).

- A value that was not measured is NULL and its verdict says ``invalid``; NaN, which SQLite turns into NULL, is
  never stored.
- The points of a curve are packed (:mod:`linecheck.log.packing`); before format 5 they are IEEE 754 binary64 numbers,
  little-endian, one after the other. Curves of one check along one axis have it once: ``axis_of`` says where.
- ``curve_points`` has those of all curves of a run in one BLOB, since SQLite gives whole pages to each; ``start`` and
  ``size`` say which bytes are a curve's. It alone is in no hash: ``packed_curve`` has the SHA-256. So points can be
  thinned out later (:mod:`linecheck.log.thinning`), which has to be stated first, and all else still verifies.
- Setups, calibration, interface, metrics of a problem and limits are JSON.
- Rows of records are added, never changed: triggers refuse UPDATE and DELETE, which guards against
  accidents, and the chain of hashes (:mod:`linecheck.log.chain`) shows what was changed all the same.

A migration never changes once it is released; a new one is added after it. A migration that adds columns to
what is hashed also adds a record format, so that older records still verify.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from sqlalchemy import Column, MetaData, Table

from linecheck.run.facts import FACTS

#: Marks an SQLite file as a log of linecheck ("lchk").
APPLICATION_ID = 0x6C63686B

#: Makes the table that notes which migrations were applied, before the first of them.
SCHEMA_VERSION = (
    "CREATE TABLE IF NOT EXISTS schema_version "
    "(version INTEGER PRIMARY KEY, applied TEXT NOT NULL, software TEXT NOT NULL) STRICT"
)

_VERDICTS = "'pass', 'marginal', 'fail', 'invalid'"
_FINITE = "1.7976931348623157e308"

_JUDGED = f"""
    verdict TEXT CHECK (verdict IN ({_VERDICTS})),
    margin REAL CHECK (abs(margin) <= {_FINITE}),
    pass_limit REAL CHECK (abs(pass_limit) <= {_FINITE}),
    fail_limit REAL CHECK (abs(fail_limit) <= {_FINITE}),
    side TEXT CHECK (side IN ('min', 'max')),"""

#: Whether a row of ``run`` may be without the points of its curves: a released pass of a unit that a statement covers.
THINNED_BY_STATEMENT: Final = """run.verdict = 'pass' AND coalesce(run.released, 'true') = 'true'
    AND coalesce(run.purpose, 'unit') = 'unit' AND EXISTS (
        SELECT 1 FROM statement AS s WHERE s.kind = 'curves_thinned' AND s.sequence > run.sequence
        AND run.sequence <= json_extract(s.content, '$.through')
        AND run.sequence % json_extract(s.content, '$.every') <> 0)"""


#: The code of the cause that a run names first, of the column that holds them; an index has the same words.
FIRST_CAUSE: Final = "CASE WHEN json_valid({0}) THEN json_extract({0}, '$.ranked[0].codes[0]') END"


def _kept(
    *tables: str,
    events: tuple[str, ...] = ("update", "delete"),
    why: str = "records are added, never changed or removed",
) -> tuple[str, ...]:
    """Return the triggers that keep the rows of tables from being changed and removed."""
    return tuple(
        f"CREATE TRIGGER {table}_keeps_on_{event} BEFORE {event} ON {table} BEGIN SELECT RAISE(ABORT, '{why}'); END"
        for table in tables
        for event in events
    )


_FIRST = (
    "CREATE TABLE limits (digest TEXT PRIMARY KEY NOT NULL, content TEXT NOT NULL) STRICT",
    f"""
CREATE TABLE run (
    sequence INTEGER PRIMARY KEY CHECK (sequence >= 1),
    record_format INTEGER NOT NULL,
    run_id TEXT NOT NULL UNIQUE,
    recorded TEXT NOT NULL,
    serial TEXT NOT NULL,
    model TEXT NOT NULL,
    attempt INTEGER NOT NULL CHECK (attempt >= 1),
    verdict TEXT NOT NULL CHECK (verdict IN ({_VERDICTS}, 'aborted')),
    station_failed INTEGER NOT NULL CHECK (station_failed IN (0, 1)),
    firmware TEXT,
    operator TEXT,
    station TEXT,
    station_config_sha256 TEXT,
    calibration TEXT NOT NULL,
    interface TEXT NOT NULL,
    software TEXT NOT NULL,
    started TEXT NOT NULL,
    finished TEXT NOT NULL,
    duration_seconds REAL NOT NULL CHECK (abs(duration_seconds) <= {_FINITE}),
    limit_path TEXT NOT NULL,
    limit_revision INTEGER NOT NULL,
    limit_sha256 TEXT NOT NULL,
    limits_digest TEXT NOT NULL REFERENCES limits,
    previous_hash TEXT NOT NULL CHECK (length(previous_hash) = 64),
    record_hash TEXT NOT NULL CHECK (length(record_hash) = 64),
    UNIQUE (serial, model, attempt)
) STRICT""",
    """
CREATE TABLE run_check (
    sequence INTEGER NOT NULL REFERENCES run,
    position INTEGER NOT NULL,
    name TEXT NOT NULL,
    kind TEXT NOT NULL,
    setup TEXT NOT NULL,
    seconds REAL NOT NULL,
    stimulus_sha256 TEXT,
    capture_sha256 TEXT,
    PRIMARY KEY (sequence, position)
) STRICT, WITHOUT ROWID""",
    f"""
CREATE TABLE reading (
    sequence INTEGER NOT NULL,
    check_position INTEGER NOT NULL,
    position INTEGER NOT NULL,
    metric TEXT NOT NULL,
    channel TEXT,
    value REAL CHECK (abs(value) <= {_FINITE}),
    unit TEXT NOT NULL,
    uncertainty REAL CHECK (abs(uncertainty) <= {_FINITE}),{_JUDGED}
    PRIMARY KEY (sequence, check_position, position),
    FOREIGN KEY (sequence, check_position) REFERENCES run_check (sequence, position),
    CHECK (value IS NOT NULL OR verdict IS NULL OR verdict = 'invalid')
) STRICT, WITHOUT ROWID""",
    f"""
CREATE TABLE curve (
    sequence INTEGER NOT NULL,
    check_position INTEGER NOT NULL,
    position INTEGER NOT NULL,
    metric TEXT NOT NULL,
    channel TEXT,
    x_unit TEXT NOT NULL,
    unit TEXT NOT NULL,
    resolution_hz REAL,
    x BLOB NOT NULL CHECK (length(x) % 8 = 0),
    y BLOB NOT NULL CHECK (length(y) = length(x)),
    uncertainty BLOB CHECK (length(uncertainty) = length(x)),
    worst_x REAL CHECK (abs(worst_x) <= {_FINITE}),
    worst_y REAL CHECK (abs(worst_y) <= {_FINITE}),{_JUDGED}
    PRIMARY KEY (sequence, check_position, position),
    FOREIGN KEY (sequence, check_position) REFERENCES run_check (sequence, position),
    CHECK (length(x) > 0 OR verdict IS NULL OR verdict = 'invalid')
) STRICT""",
    """
CREATE TABLE problem (
    sequence INTEGER NOT NULL REFERENCES run,
    position INTEGER NOT NULL,
    check_name TEXT,
    channel TEXT,
    code TEXT NOT NULL,
    message TEXT NOT NULL,
    blocks INTEGER NOT NULL CHECK (blocks IN (0, 1)),
    metrics TEXT NOT NULL,
    PRIMARY KEY (sequence, position)
) STRICT, WITHOUT ROWID""",
    *_kept("limits", "run", "run_check", "reading", "curve", "problem"),
)

_SECOND = (
    "ALTER TABLE run ADD COLUMN settings TEXT",
    "ALTER TABLE reading ADD COLUMN is_bound INTEGER CHECK (is_bound IN (0, 1))",
    """
CREATE TABLE statement (
    sequence INTEGER PRIMARY KEY CHECK (sequence >= 1),
    record_format INTEGER NOT NULL,
    kind TEXT NOT NULL,
    subject TEXT NOT NULL,
    recorded TEXT NOT NULL,
    content TEXT NOT NULL,
    previous_hash TEXT NOT NULL CHECK (length(previous_hash) = 64),
    record_hash TEXT NOT NULL CHECK (length(record_hash) = 64)
) STRICT""",
    "CREATE INDEX statement_by_subject ON statement (kind, subject)",
    "CREATE INDEX run_by_model ON run (model, sequence, serial)",
    *_kept("statement"),
    *(
        f"CREATE TRIGGER {table}_has_its_own_number BEFORE INSERT ON {table} "
        f"WHEN EXISTS (SELECT 1 FROM {other} WHERE sequence = NEW.sequence) "
        "BEGIN SELECT RAISE(ABORT, 'another record has this number: an older linecheck still has this log open, "
        "start it anew'); END"
        for table, other in (("run", "statement"), ("statement", "run"))
    ),
)

_THIRD = (
    "ALTER TABLE run ADD COLUMN purpose TEXT CHECK (purpose IN ('unit', 'golden', 'challenge'))",
    *(
        f"ALTER TABLE run ADD COLUMN {column} TEXT"
        for column in (
            "scanned",
            "variant",
            "lot",
            "work_order",
            "shift",
            "nest",
            "reason",
            "override",
            "identity",
            "conditions",
            "host",
            "clock",
            "source_commit",
            "packages_digest",
            "plan_sha256",
            "gates",
            "captures_why",
        )
    ),
    "ALTER TABLE run_check ADD COLUMN capture_object TEXT",
    """
CREATE TABLE run_asset (
    sequence INTEGER NOT NULL REFERENCES run,
    position INTEGER NOT NULL,
    role TEXT NOT NULL,
    asset TEXT NOT NULL,
    facts TEXT NOT NULL,
    PRIMARY KEY (sequence, position)
) STRICT, WITHOUT ROWID""",
    "CREATE TABLE document (digest TEXT PRIMARY KEY NOT NULL, content TEXT NOT NULL) STRICT",
    """
CREATE TABLE sent (
    target TEXT PRIMARY KEY NOT NULL,
    sequence INTEGER NOT NULL,
    record_hash TEXT NOT NULL,
    acknowledged TEXT NOT NULL
) STRICT""",
    "CREATE INDEX run_asset_by_asset ON run_asset (asset, sequence)",
    "CREATE INDEX run_by_recorded ON run (recorded)",
    "CREATE INDEX run_by_verdict ON run (verdict, sequence)",
    "CREATE INDEX run_by_lot ON run (lot, sequence) WHERE lot IS NOT NULL",
    "CREATE INDEX run_by_work_order ON run (work_order, sequence) WHERE work_order IS NOT NULL",
    "CREATE INDEX run_by_purpose ON run (purpose, sequence) WHERE purpose <> 'unit'",
    # Narrow: whatever else runs are looked for by is found in it, without the rows themselves.
    "CREATE INDEX run_by_facts ON run (sequence, recorded, serial, model, attempt, verdict, purpose, variant, "
    "station, nest, shift, operator, firmware)",
    *_kept("run_asset", "document"),
)

_FOURTH = (
    "ALTER TABLE run ADD COLUMN station_signature TEXT",
    "ALTER TABLE statement ADD COLUMN station_signature TEXT",
    *_kept("schema_version", why="migrations are noted once, never changed or removed"),
    """
CREATE TABLE begun (
    run_id TEXT NOT NULL,
    position INTEGER NOT NULL,
    recorded TEXT NOT NULL,
    content TEXT NOT NULL,
    PRIMARY KEY (run_id, position)
) STRICT, WITHOUT ROWID""",
    "ALTER TABLE run ADD COLUMN released TEXT",
    "ALTER TABLE run ADD COLUMN loop TEXT",
)

_FIFTH = (
    f"""
CREATE TABLE packed_curve (
    sequence INTEGER NOT NULL,
    check_position INTEGER NOT NULL,
    position INTEGER NOT NULL,
    metric TEXT NOT NULL,
    channel TEXT,
    x_unit TEXT NOT NULL,
    unit TEXT NOT NULL,
    resolution_hz REAL,
    points INTEGER NOT NULL,
    axis_of INTEGER,
    start INTEGER NOT NULL,
    size INTEGER NOT NULL,
    content_sha256 TEXT NOT NULL CHECK (length(content_sha256) = 64),
    worst_x REAL CHECK (abs(worst_x) <= {_FINITE}),
    worst_y REAL CHECK (abs(worst_y) <= {_FINITE}),{_JUDGED}
    PRIMARY KEY (sequence, check_position, position),
    FOREIGN KEY (sequence, check_position) REFERENCES run_check (sequence, position),
    CHECK (points > 0 OR verdict IS NULL OR verdict = 'invalid')
) STRICT, WITHOUT ROWID""",
    """
CREATE TABLE curve_points (
    sequence INTEGER PRIMARY KEY REFERENCES run,
    content BLOB NOT NULL
) STRICT""",
    *_kept("packed_curve"),
    *_kept("curve_points", events=("update",)),
    # Points go only once it is stated in the log which: see :mod:`linecheck.log.thinning`.
    f"""
CREATE TRIGGER curve_points_keeps_on_delete BEFORE DELETE ON curve_points
WHEN NOT EXISTS (SELECT 1 FROM run WHERE run.sequence = OLD.sequence AND {THINNED_BY_STATEMENT})
BEGIN SELECT RAISE(ABORT, 'points of curves are only removed once that is stated'); END""",
)

_SIXTH = ("ALTER TABLE run ADD COLUMN causes TEXT",)

#: The migrations that a release has.
RELEASED: Final = (_FIRST, _SECOND, _THIRD, _FOURTH, _FIFTH, _SIXTH)


def _facts_of(version: int) -> tuple[str, ...]:
    """Return the statements that add the facts of a record format, each with an index where runs are picked by it."""
    came = [fact for fact in FACTS if fact.since == version]
    return (
        *(f"ALTER TABLE run ADD COLUMN {fact.column} TEXT" for fact in came if fact.column),
        *(
            f"CREATE INDEX run_by_{fact.name} ON run ({fact.name}, sequence) WHERE {fact.name} IS NOT NULL"
            for fact in came
            if fact.picked_by
        ),
    )


#: How a check of a column is changed that no row breaks (https://sqlite.org/lang_altertable.html, 7): its words in the
#: schema, which SQLite then reads anew. What is created after it counts the schema up, as that asks for.
_MORE_PURPOSES: Final = (
    "PRAGMA writable_schema=ON",
    "UPDATE sqlite_master SET sql = replace(sql, 'purpose IN (''unit'', ''golden'', ''challenge'')', "
    "'purpose IN (''unit'', ''golden'', ''challenge'', ''study'')') WHERE type = 'table' AND name = 'run'",
    "PRAGMA writable_schema=RESET",
)

#: What the next release adds to the log beside its facts, by the schema's version.
_COMES_WITH: Final[Mapping[int, tuple[str, ...]]] = {
    7: (
        *_MORE_PURPOSES,
        f"CREATE INDEX run_by_cause ON run ({FIRST_CAUSE.format('causes')}, sequence) "
        f"WHERE {FIRST_CAUSE.format('causes')} IS NOT NULL",
        "CREATE INDEX run_held ON run (verdict, sequence) WHERE released = 'false'",
        # A few rows of very many. Not on ``curve``, which only older versions wrote, curves and all.
        *(
            f"CREATE INDEX {table}_failed ON {table} (sequence, metric, check_position) WHERE verdict = 'fail'"
            for table in ("reading", "packed_curve")
        ),
        """
CREATE TABLE outbox (
    sequence INTEGER PRIMARY KEY REFERENCES run,
    station TEXT NOT NULL,
    tries INTEGER NOT NULL,
    tried TEXT,
    answer TEXT NOT NULL
) STRICT""",
        """
CREATE TRIGGER outbox_keeps_on_delete BEFORE DELETE ON outbox
WHEN NOT EXISTS (
    SELECT 1 FROM run JOIN statement ON statement.kind = 'handed_over' AND statement.subject = run.run_id
    WHERE run.sequence = OLD.sequence)
BEGIN SELECT RAISE(ABORT, 'a run waits until it is stated that it was handed over'); END""",
        """
CREATE TABLE chart_state (
    subject TEXT PRIMARY KEY NOT NULL,
    through INTEGER NOT NULL,
    content TEXT NOT NULL
) STRICT""",
    ),
}

#: Statements of each migration; the schema's version is how many have been applied, and that of the record format. What
#: a release has is written out above and never follows a later edit of the facts; what comes next follows from them.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    *RELEASED,
    *(
        (*_facts_of(version), *_COMES_WITH.get(version, ()))
        for version in range(len(RELEASED) + 1, max((*_COMES_WITH, *(fact.since for fact in FACTS))) + 1)
    ),
)

_tables = MetaData()


def _table(name: str, columns: str) -> Table:
    # Without types: what is stored comes back as it is, also from a log that someone has changed.
    return Table(name, _tables, *(Column(column) for column in columns.split()))


limits = _table("limits", "digest content")
document = _table("document", "digest content")
begun = _table("begun", "run_id position recorded content")
outbox = _table("outbox", "sequence station tries tried answer")
chart_state = _table("chart_state", "subject through content")
sent = _table("sent", "target sequence record_hash acknowledged")
run = _table(
    "run",
    "sequence record_format run_id recorded serial model attempt verdict station_failed started finished "
    "duration_seconds limit_path limit_revision limit_sha256 limits_digest previous_hash record_hash settings "
    "station_signature " + " ".join(fact.column for fact in FACTS if fact.column),
)
run_check = _table(
    "run_check", "sequence position name kind setup seconds stimulus_sha256 capture_sha256 capture_object"
)
reading = _table(
    "reading",
    "sequence check_position position metric channel value unit uncertainty "
    "verdict margin pass_limit fail_limit side is_bound",
)
curve = _table(
    "curve",
    "sequence check_position position metric channel x_unit unit resolution_hz x y uncertainty "
    "worst_x worst_y verdict margin pass_limit fail_limit side",
)
packed_curve = _table(
    "packed_curve",
    "sequence check_position position metric channel x_unit unit resolution_hz points axis_of start size "
    "content_sha256 worst_x worst_y verdict margin pass_limit fail_limit side",
)
curve_points = _table("curve_points", "sequence content")
problem = _table("problem", "sequence position check_name channel code message blocks metrics")
run_asset = _table("run_asset", "sequence position role asset facts")
statement = _table(
    "statement",
    "sequence record_format kind subject recorded content previous_hash record_hash station_signature",
)

#: The tables whose rows belong to a run, each in the order in which its rows are hashed.
PARTS: dict[str, tuple[Table, tuple[str, ...]]] = {
    "checks": (run_check, ("position",)),
    "readings": (reading, ("check_position", "position")),
    "curves": (curve, ("check_position", "position")),
    "packed_curves": (packed_curve, ("check_position", "position")),
    "curve_points": (curve_points, ()),
    "problems": (problem, ("position",)),
    "assets": (run_asset, ("position",)),
}
#: Tables of contents that records refer to by their digest.
SHARED: Final = (limits, document)
#: All tables that are read; an older log lacks some of them, or columns of them.
TABLES: Final = tuple(_tables.tables.values())
