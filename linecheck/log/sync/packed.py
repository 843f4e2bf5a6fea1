"""What statistics of a million runs read at the server: the facts of each run as one text, its readings as one row.

PostgreSQL sends a column of a row in about a tenth of a microsecond, and as long does it take to read it here. So the
facts by which runs are counted also stand in one text of each run, which the server makes of its columns itself.

PostgreSQL takes about a microsecond to read, join and send a row, which is minutes for the readings of a million runs.
So beside them stands one row for each run: their values, uncertainties, flags and limits as arrays of doubles in
network order, in the order of a layout that says what each is and that many runs share.

They are no records, and are made of the records alone, by one query: when a run is sent, in the same transaction; for
what an earlier linecheck has sent, by ``linecheck sync --prepare``. A run without such a row is read from its readings.
``linecheck sync --check`` holds them against the records.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from sqlalchemy import Connection, text

from linecheck.limits.verdict import Verdict
from linecheck.log.sync.layout import SCHEMA

#: What the three lowest bits of a flag say; 0 is none.
VERDICTS: Final = (None, *(verdict.value for verdict in Verdict))
#: The next two: whether a value is a bound. Then two: on which side of it the mask lies.
BOUNDS: Final = (None, 0, 1)
SIDES: Final = (None, "min", "max")
BOUND_SHIFT: Final = 3
SIDE_SHIFT: Final = 5

#: Runs that are packed in a transaction: some seconds.
_AT_ONCE: Final = 2000

#: The facts that stand in ``run.facts``, in this order, with what is read for one that is no column of its own.
RUN_FACTS: Final[Mapping[str, str]] = {
    **dict.fromkeys(("serial", "model"), ""),
    "attempt": "attempt::text",
    "purpose": "coalesce(purpose, 'unit')",
    **dict.fromkeys(("verdict", "released", "recorded", "reason"), ""),
    "cause": "CASE WHEN left(causes, 1) = '{' THEN causes::json #>> '{ranked,0,codes,0}' END",
    **dict.fromkeys(("station", "nest", "lot", "shift", "operator", "firmware", "variant", "work_order"), ""),
}
#: Between facts, and for one that there is not: the unit and the record separator of ASCII, which no fact holds.
SEPARATOR: Final = "\x1f"
NOTHING: Final = "\x1e"


def _facts() -> str:
    """Return what makes the text; a separator that somebody has put into a fact is escaped as other marks are."""
    facts = (
        f"coalesce(replace({expression or name}, E'\\x1f', E'\\x10001f'), E'\\x1e')"
        for name, expression in RUN_FACTS.items()
    )
    return " || E'\\x1f' || ".join(facts)


TABLES: Final = (
    f'ALTER TABLE {SCHEMA}.run ADD COLUMN facts text COLLATE "C" GENERATED ALWAYS AS ({_facts()}) STORED',
    # It is read without the rows of the table.
    f"CREATE INDEX run_by_record ON {SCHEMA}.run (chain, sequence) INCLUDE (facts)",
    f'CREATE TABLE {SCHEMA}.reading_layout (digest text COLLATE "C" PRIMARY KEY, content text COLLATE "C" NOT NULL)',
    # As long as a page has room they stay in the row: out of it each would be looked up by itself.
    f"""
CREATE TABLE {SCHEMA}.packed_reading (
    chain text COLLATE "C" NOT NULL,
    sequence bigint NOT NULL,
    layout text COLLATE "C" NOT NULL,
    value bytea NOT NULL,
    uncertainty bytea NOT NULL,
    flag bytea NOT NULL,
    limits bytea NOT NULL,
    PRIMARY KEY (chain, sequence)
) WITH (toast_tuple_target = 8160)""",
    # Compressed they would be little smaller and much slower.
    f"ALTER TABLE {SCHEMA}.packed_reading "
    + ", ".join(
        f"ALTER COLUMN {name} SET STORAGE EXTERNAL" for name in ("value", "uncertainty", "flag", "limits")
    ),
    f"COMMENT ON TABLE {SCHEMA}.packed_reading IS 'Readings and judged curves of each run, made of the records for "
    "statistics: doubles in network order, NaN for NULL; limits are margin, pass limit and fail limit in turn. "
    "It may be emptied, and made anew by linecheck sync --prepare.'",
)


def _number(column: str, names: tuple[object, ...]) -> str:
    cases = "".join(f" WHEN {name!r} THEN {at}" for at, name in enumerate(names) if name is not None)
    return f"CASE {column}{cases} ELSE 0 END"


def _double(column: str) -> str:
    return f"float8send(coalesce({column}, 'NaN'))"


def _rows(table: str, place: int) -> str:
    is_reading = table == "reading"
    value, uncertainty, is_bound = (
        ("t.value", "t.uncertainty", "t.is_bound")
        if is_reading
        else ("t.worst_y", "NULL::double precision", "NULL::bigint")
    )
    judged = "" if is_reading else " AND t.verdict IS NOT NULL"
    return f"""
    SELECT t.sequence, t.check_position, {place} AS place, t.position, {value} AS value, {uncertainty} AS uncertainty,
        {_number("t.verdict", VERDICTS)} + ({_number(is_bound, BOUNDS)} << {BOUND_SHIFT})
            + ({_number("t.side", SIDES)} << {SIDE_SHIFT}) AS flag,
        t.margin, t.pass_limit, t.fail_limit,
        json_build_array(c.name, t.metric, t.channel, t.unit, {int(not is_reading)}) AS told
    FROM {SCHEMA}.{table} AS t JOIN {SCHEMA}.run_check AS c
        ON (c.chain, c.sequence, c.position) = (t.chain, t.sequence, t.check_position)
    WHERE t.chain = :chain AND t.sequence BETWEEN :first AND :last
        AND c.chain = :chain AND c.sequence BETWEEN :first AND :last{judged}"""


#: The rows of some runs of a chain as they should be, with their layouts' contents. Readings are sorted once: with an
#: order of its own each aggregate would sort anew.
_PACKED: Final = f"""
every AS ({" UNION ALL ".join(_rows(name, at) for at, name in enumerate(("reading", "packed_curve", "curve")))}),
told AS (
    SELECT sequence, json_agg(told)::text AS content,
        string_agg({_double("value")}, ''::bytea) AS value,
        string_agg({_double("uncertainty")}, ''::bytea) AS uncertainty,
        string_agg(set_byte('\\x00'::bytea, 0, flag), ''::bytea) AS flag,
        string_agg({" || ".join(map(_double, ("margin", "pass_limit", "fail_limit")))}, ''::bytea) AS limits
    FROM (SELECT * FROM every ORDER BY sequence, check_position, place, position) AS in_order GROUP BY sequence),
packed AS (
    SELECT r.chain, r.sequence, coalesce(t.content, '[]') AS content,
        encode(sha256(convert_to(coalesce(t.content, '[]'), 'UTF8')), 'hex') AS layout,
        coalesce(t.value, '') AS value, coalesce(t.uncertainty, '') AS uncertainty, coalesce(t.flag, '') AS flag,
        coalesce(t.limits, '') AS limits
    FROM {SCHEMA}.run AS r LEFT JOIN told AS t USING (sequence)
    WHERE r.chain = :chain AND r.sequence BETWEEN :first AND :last)"""

_COLUMNS: Final = "chain, sequence, layout, value, uncertainty, flag, limits"
_PACK: Final = f"""
WITH {_PACKED},
layouts AS (
    INSERT INTO {SCHEMA}.reading_layout (digest, content)
    SELECT DISTINCT layout, content FROM packed ORDER BY layout ON CONFLICT DO NOTHING)
INSERT INTO {SCHEMA}.packed_reading ({_COLUMNS}) SELECT {_COLUMNS} FROM packed ON CONFLICT DO NOTHING"""
_WRONG: Final = f"""
WITH {_PACKED}
SELECT min(p.sequence) FROM {SCHEMA}.packed_reading AS p
LEFT JOIN packed AS q USING (chain, sequence) LEFT JOIN {SCHEMA}.reading_layout AS l ON l.digest = p.layout
WHERE p.chain = :chain AND p.sequence BETWEEN :first AND :last
    AND (p.layout, p.value, p.uncertainty, p.flag, p.limits, l.content)
        IS DISTINCT FROM (q.layout, q.value, q.uncertainty, q.flag, q.limits, q.content)"""
_NEXT_UNPACKED: Final = f"""
SELECT r.sequence FROM {SCHEMA}.run AS r
WHERE r.chain = :chain AND r.sequence > :after AND NOT EXISTS (
    SELECT 1 FROM {SCHEMA}.packed_reading AS p WHERE (p.chain, p.sequence) = (r.chain, r.sequence))
ORDER BY r.sequence LIMIT 1"""


def pack(connection: Connection, chain: str, first: int, last: int) -> int:
    """Pack the runs of a chain from a record to another that are not, in the transaction that is open.

    Returns
    -------
    int
        How many were packed.
    """
    # To compile the query takes longer than to run it.
    connection.execute(text("SET LOCAL jit = off"))
    return connection.execute(text(_PACK), {"chain": chain, "first": first, "last": last}).rowcount


def pack_missing(connection: Connection, chain: str, progress: Callable[[int], None]) -> int:
    """Pack what is not packed of a chain, some runs in a transaction, and return how many these were.

    Parameters
    ----------
    connection : Connection
    chain : str
    progress : callable
        Called with the number of the last record that was packed.
    """
    packed, after = 0, 0
    while True:
        with connection.begin():
            first = connection.scalar(text(_NEXT_UNPACKED), {"chain": chain, "after": after})
            if first is None:
                return packed
            after = first + _AT_ONCE - 1
            packed += pack(connection, chain, first, after)
        progress(after)


def wrongly_packed(connection: Connection, chain: str, first: int, last: int) -> int | None:
    """Return the first run of a chain from a record to another whose packed row is not what its records say."""
    found: int | None = connection.scalar(text(_WRONG), {"chain": chain, "first": first, "last": last})
    return found
