"""What people and stations have said, in the log: sign-offs of comparisons, checks of the station, overrides.

A statement has a kind, says what it is about (``subject``) and the rest as canonical JSON. A further kind of
statement needs no table of its own.

================  =====================================  ==============================
kind              subject                                content
================  =====================================  ==============================
signoff           digest of the comparison               :func:`~linecheck.history.comparison.file.sign`
countersignature  hash of the sign-off's record          signature, number and hash of the sign-off
gate              station, gate, model and serial        :func:`~linecheck.gates.statements.gate_content`
golden_reference  the same                               :func:`~linecheck.gates.statements.reference_content`
self_check        the station                            :meth:`~linecheck.station.self_check.result.SelfCheck.content`
run_begun         the run's id                           :meth:`~linecheck.log.store.Log.begin`
handed_over       the run's id                           :func:`~linecheck.log.outbox.handed_over_content`
captures_removed  the station                            :mod:`linecheck.log.archive.removal`
repair            the run's id                           :func:`~linecheck.history.repairs.statement.repair_content`
curves_thinned    the station                            :mod:`linecheck.log.thinning`
study_planned     id of the gauge study's plan           :meth:`~linecheck.statistics.gauge.plan.Plan.content`
station_log       the station                            :func:`~linecheck.log.sync.names.claim_content`
chart_set         station, nest, model, metric           :meth:`~linecheck.statistics.charts.stated.Stated.content`
chart_signal      the same                               :mod:`linecheck.statistics.charts.follow`
chart_answer      the same                               :func:`~linecheck.gates.chart_signals.answer_content`
================  =====================================  ==============================
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, func, insert, select

from linecheck import __version__
from linecheck.errors import RecordError, UsageError
from linecheck.files.times import utc_text
from linecheck.log.chain import RECORD_FORMAT, canonical_json, statement_hash
from linecheck.log.fetch import last_record, refuse_unkept
from linecheck.log.schema import run, statement
from linecheck.log.signoff import Countersignature, Signoff, signature_from, signed_from
from linecheck.log.station_key import StationKey, hash_columns
from linecheck.log.stored import Head, Statement

SIGNOFF = "signoff"
COUNTERSIGNATURE = "countersignature"

_AT_ONCE = 500
#: What is signed has some kilobytes for a run of a hundred checks.
_LARGEST = 16 * 1024 * 1024

Row = Mapping[str, Any]


def add_statement(
    connection: Connection, kind: str, subject: str, content: Mapping[str, Any], key: StationKey | None
) -> Head:
    """Add a statement after the last record, signed where there is a key; return its number and hash.

    Raises
    ------
    RecordError
        It is too large.
    """
    said = canonical_json({**content, "software": f"linecheck {__version__}"}).decode()
    if len(said) > _LARGEST:
        raise RecordError(f"the {kind} has {len(said)} bytes, more than {_LARGEST}: it was not recorded")
    last = last_record(connection)
    row = {
        "sequence": last.sequence + 1,
        "record_format": RECORD_FORMAT,
        "kind": kind,
        "subject": subject,
        "recorded": utc_text(datetime.now(UTC)),
        "content": said,
        "previous_hash": last.record_hash,
    }
    head = Head(last.sequence + 1, statement_hash(row))
    connection.execute(insert(statement), row | hash_columns(head, key))
    refuse_unkept(connection, head)
    return head


def find_statements(
    connection: Connection,
    kinds: Sequence[str],
    *,
    subject: str | None = None,
    limit: int | None = None,
    before: int | None = None,
) -> tuple[Statement, ...]:
    """Return statements of some kinds, the newest first; those about one subject, where it is given."""
    query = select(statement).where(statement.c.kind.in_(kinds)).order_by(statement.c.sequence.desc())
    if subject is not None:
        query = query.where(statement.c.subject == subject)
    if before is not None:
        query = query.where(statement.c.sequence < before)
    return tuple(read_statement(row._asdict()) for row in connection.execute(query.limit(limit)))


def find_statements_about(connection: Connection, run_id: str) -> tuple[Statement, ...]:
    """Return the statements in which a run is named, with their countersignatures, the oldest first."""
    known = select(run.c.sequence).where(run.c.run_id == run_id).scalar_subquery()
    named = select(statement).where(
        statement.c.sequence > known, func.instr(statement.c.content, json.dumps(run_id)) > 0
    )
    found = [read_statement(row._asdict()) for row in connection.execute(named)]
    found += _countersignatures(connection, [each.record_hash for each in found])
    return tuple(sorted(found, key=lambda each: each.sequence))


def find_signoff(connection: Connection, sequence: int) -> Signoff:
    """Return a sign-off by its number, with its countersignatures.

    Raises
    ------
    UsageError
        There is no such record, or it is no sign-off.
    RecordError
        It has been changed since it was stored.
    """
    row = connection.execute(select(statement).where(statement.c.sequence == sequence)).one_or_none()
    found = None if row is None else row._asdict()
    if found is None or found["kind"] != SIGNOFF:
        raise UsageError(
            f"record {sequence} is no sign-off: give the number that `linecheck log signoffs` lists"
        )
    if statement_hash(found) != found["record_hash"]:
        raise RecordError(
            f"record {sequence} has been changed since it was stored: run `linecheck log verify`, "
            "and find out who changed it, before anybody countersigns it"
        )
    return countersigned(connection, [read_statement(found)])[0]


def countersigned(connection: Connection, signoffs: Sequence[Statement]) -> tuple[Signoff, ...]:
    """Return sign-offs with their countersignatures, the oldest of these first."""
    found: dict[str, list[Countersignature]] = {}
    for each in _countersignatures(connection, [signoff.record_hash for signoff in signoffs]):
        signed = signature_from(each.content)
        found.setdefault(each.subject, []).append(
            Countersignature(each.sequence, each.record_hash, each.recorded, each.content["software"], signed)
        )
    return tuple(_signoff(each, found.get(each.record_hash, ())) for each in signoffs)


def _countersignatures(connection: Connection, hashes: Sequence[str]) -> Iterator[Statement]:
    """Yield the countersignatures of sign-offs, given their hashes, those of each in order."""
    for at in range(0, len(hashes), _AT_ONCE):
        query = select(statement).where(
            statement.c.kind == COUNTERSIGNATURE, statement.c.subject.in_(hashes[at : at + _AT_ONCE])
        )
        for row in connection.execute(query.order_by(statement.c.sequence)):
            yield read_statement(row._asdict())


def read_statement(row: Row) -> Statement:
    """Return a statement from its row."""
    names = ("sequence", "record_hash", "recorded", "kind", "subject")
    return Statement(**{name: row[name] for name in names}, content=json.loads(row["content"]))


def _signoff(said: Statement, countersignatures: Iterable[Countersignature]) -> Signoff:
    signed, comparison, against = signed_from(said.content)
    return Signoff(
        said.sequence,
        said.record_hash,
        said.recorded,
        said.content["software"],
        signed,
        comparison,
        against,
        tuple(countersignatures),
    )
