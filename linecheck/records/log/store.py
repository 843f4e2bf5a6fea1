"""The log: every run of every unit, in the order in which they were recorded, never changed."""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from sqlalchemy import Connection, Engine, Table, func, insert, select

from linecheck.errors import RecordError, UsageError
from linecheck.limits.verdict import Verdict
from linecheck.records.log.chain import canonical_json, record_hash
from linecheck.records.log.connect import database_path, open_reader, open_writer, plain_errors
from linecheck.records.log.fetch import fetch_record, has_table, last_record, select_rows
from linecheck.records.log.population import EarlierUnits, WantedReading, earlier_units
from linecheck.records.log.rows import RecordRows, logged_run, record_rows, run_record
from linecheck.records.log.schema import PARTS, document, limits, run, statement
from linecheck.records.log.statements import (
    SIGNOFF,
    add_countersignature,
    add_statement,
    find_signoff,
    find_signoffs,
    find_statements,
)
from linecheck.records.log.stored import Head, LoggedRun, RunRecord, Statement, StoredRun, Verification
from linecheck.records.log.verify import verify_log
from linecheck.records.settle import settled
from linecheck.records.signoff import Signature, Signoff, signed_content
from linecheck.records.text import encodable, visible
from linecheck.records.times import utc_text
from linecheck.station.outcome import RunOutcome

if TYPE_CHECKING:
    from linecheck.records.comparison.model import Comparison

__all__ = ["BUSY_SECONDS", "Log", "LogReader"]

#: How long to wait for another program that holds the log locked.
BUSY_SECONDS = 10.0

_RUN_ID = re.compile(r"[0-9a-f]{8}[0-9a-f-]{0,28}", re.IGNORECASE)
#: Longer numbers are no SQLite integer.
_DIGITS = 18


class LogReader:
    """A log that is there, to read from; nothing in it is changed.

    Parameters
    ----------
    location : str or Path
        An SQLite file, or ``sqlite:///PATH``.
    busy_seconds : float
        How long to wait for another program that holds it locked.

    Raises
    ------
    FileError
        It is not there, is no log, or was written by a newer linecheck.
    RecordError
        It is locked or damaged, or the disk is failing.
    """

    def __init__(self, location: str | Path, *, busy_seconds: float = BUSY_SECONDS) -> None:
        self.path = database_path(location)
        self._reader = open_reader(self.path, busy_seconds)

    def close(self) -> None:
        """Let go of the database."""
        self._reader.dispose()

    def __enter__(self) -> Self:
        """Return the log."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go of the database."""
        self.close()

    def attempts(self, model: str, serial: str) -> int:
        """Return how many runs of a unit are in the log."""
        with self._reading() as connection:
            return _count(connection, encodable(model), encodable(serial))

    def head(self) -> Head:
        """Return the last record's number and hash, to be noted elsewhere."""
        with self._reading() as connection:
            return last_record(connection)

    def runs(
        self,
        *,
        serial: str | None = None,
        model: str | None = None,
        verdict: Verdict | None = None,
        limit: int = 50,
        before: int | None = None,
    ) -> tuple[LoggedRun, ...]:
        """Return runs, the newest first.

        Parameters
        ----------
        serial, model : str, optional
            Only runs of these.
        verdict : Verdict, optional
            Only runs that came to it.
        limit : int
            At most so many.
        before : int, optional
            Only records before this one: the last sequence number of a page asks for the next page.
        """
        with self._reading() as connection:
            query = select_rows(connection, run).order_by(run.c.sequence.desc()).limit(limit)
            for column, wanted in ((run.c.serial, serial), (run.c.model, model), (run.c.verdict, verdict)):
                if wanted is not None:
                    query = query.where(column == encodable(str(wanted)))
            if before is not None:
                query = query.where(run.c.sequence < before)
            return tuple(logged_run(row._asdict()) for row in connection.execute(query))

    def show(self, serial: str, model: str | None = None) -> Iterator[RunRecord]:
        """Yield every attempt of a unit with everything that was measured, the newest first."""
        query = select(run.c.sequence).where(run.c.serial == encodable(serial))
        if model is not None:
            query = query.where(run.c.model == encodable(model))
        with self._reading() as connection:
            found = connection.scalars(query.order_by(run.c.sequence.desc())).all()
        for sequence in found:
            yield self.record(sequence)

    def record(self, sequence: int) -> RunRecord:
        """Return a run with everything that was measured, by its number in the log.

        Raises
        ------
        UsageError
            There is no such record.
        """
        with self._reading() as connection:
            row = connection.scalar(select(run.c.sequence).where(run.c.sequence == sequence))
            if row is None:
                raise UsageError(f"{visible(str(self.path))}: there is no record {sequence} in the log")
            record = fetch_record(connection, sequence)
            content = _content(connection, limits, record.row["limits_digest"])
            packages = _content(connection, document, record.row["packages_digest"])
            return run_record(record.row, record.parts, content or "", packages)

    def earlier_units(
        self, model: str, serial: str, wanted: Sequence[WantedReading], *, run_id: str
    ) -> EarlierUnits:
        """Return what the other units of a model have measured; before a run, where that is in the log."""
        with self._reading() as connection:
            before = connection.scalar(select(run.c.sequence).where(run.c.run_id == encodable(run_id)))
            return earlier_units(connection, encodable(model), encodable(serial), wanted, before)

    def find(self, reference: str, model: str | None = None) -> int:
        """Return the number of the run that is meant.

        Parameters
        ----------
        reference : str
            A run's id or the first 8 characters of it or more, its number in the log, or a serial number, of which
            the newest run is meant.
        model : str, optional
            Only runs of this model.

        Raises
        ------
        UsageError
            There is none, or more than one run's id begins so.
        """
        wanted = encodable(reference)
        query = select(run.c.sequence).order_by(run.c.sequence.desc())
        if model is not None:
            query = query.where(run.c.model == encodable(model))
        with self._reading() as connection:
            if _RUN_ID.fullmatch(wanted):
                # A range finds it by the index, which LIKE does not use.
                first = wanted.lower()
                within = run.c.run_id.between(first, f"{first}~")
                found = connection.scalars(query.where(within).limit(2)).all()
                if len(found) > 1:
                    raise UsageError(f"more than one run's id begins with {wanted}: give more of it")
                if found:
                    return int(found[0])
            if wanted.isascii() and wanted.isdigit() and len(wanted) < _DIGITS:
                numbered = connection.scalar(query.where(run.c.sequence == int(wanted)))
                if numbered is not None:
                    return int(numbered)
            newest = connection.scalar(query.where(run.c.serial == wanted).limit(1))
        if newest is None:
            raise UsageError(
                f"{visible(str(self.path))}: there is no run {visible(reference[:80])} in the log: give a run's id "
                "(or its first 8 characters), its number in the log, or a serial number"
            )
        return int(newest)

    def statements(
        self,
        *kinds: str,
        subject: str | None = None,
        limit: int | None = None,
        before: int | None = None,
    ) -> tuple[Statement, ...]:
        """Return statements of some kinds, the newest first.

        Parameters
        ----------
        *kinds : str
        subject : str, optional
            Only those about it.
        limit, before : int, optional
            As for :meth:`runs`; all of them, if left out.
        """
        with self._reading() as connection:
            about = None if subject is None else encodable(subject)
            return find_statements(connection, kinds, subject=about, limit=limit, before=before)

    def signoff(self, sequence: int) -> Signoff:
        """Return a sign-off with its countersignatures, by its number in the log.

        Raises
        ------
        UsageError
            There is no such record, or it is no sign-off.
        RecordError
            It has been changed since it was stored.
        """
        with self._reading() as connection:
            return find_signoff(connection, sequence)

    def signoffs(
        self, *, digest: str | None = None, limit: int | None = None, before: int | None = None
    ) -> tuple[Signoff, ...]:
        """Return sign-offs with their countersignatures, the newest first.

        Parameters
        ----------
        digest : str, optional
            Only those of this comparison.
        limit, before : int, optional
            As for :meth:`runs`; all of them, if left out.
        """
        with self._reading() as connection:
            return find_signoffs(connection, digest=digest, limit=limit, before=before)

    def verify(
        self, expected: Head | None = None, progress: Callable[[int], None] | None = None
    ) -> Verification:
        """Find out whether the log is as it was written.

        Every hash is computed anew from what is stored, which shows any record that was edited, removed,
        inserted or moved. That records were cut off at the end, or that all was written anew, shows against a
        head that was noted elsewhere. The log is tamper-evident: changes show, they are not prevented.

        Parameters
        ----------
        expected : Head, optional
            A head that was noted earlier; the log may have grown since.
        progress : callable, optional
            Called now and then with the number of the last record that was verified.
        """
        return verify_log(self._reader, self.path, expected, progress)

    @contextlib.contextmanager
    def _reading(self) -> Iterator[Connection]:
        """Begin a transaction that reads; what cannot be understood was changed by someone."""
        with (
            plain_errors(self.path),
            self._reader.connect() as connection,
            connection.begin(),
            self._understood(),
        ):
            yield connection

    @contextlib.contextmanager
    def _understood(self) -> Iterator[None]:
        try:
            yield
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            raise RecordError(
                f"{visible(str(self.path))}: a record cannot be understood, it has been changed since it "
                "was stored: run `linecheck log verify` to find it"
            ) from error


class Log(LogReader):
    """A station's log, to add to; made, with the folders above it, where it is missing.

    It belongs on a disk of this machine: SQLite is not safe on a network share. Any number of programs may
    add to it and read from it at the same time.

    Parameters
    ----------
    location : str or Path
        An SQLite file, or ``sqlite:///PATH``.
    busy_seconds : float
        How long to wait for another program that holds it locked.

    Raises
    ------
    FileError
        It is no log, was written by a newer linecheck, or cannot be made.
    RecordError
        It is locked or damaged, or the disk is full or failing.
    """

    def __init__(self, location: str | Path, *, busy_seconds: float = BUSY_SECONDS) -> None:
        self._writer: Engine = open_writer(database_path(location), busy_seconds)
        super().__init__(location, busy_seconds=busy_seconds)

    def close(self) -> None:
        """Let go of the database."""
        super().close()
        self._writer.dispose()

    def append(self, outcome: RunOutcome) -> StoredRun:
        """Record a run, whatever its verdict; when this returns, the record is on the disk.

        Everything goes in one transaction, so that the record is there whole or not at all. The attempt is
        counted in it too: one more than the runs of the same model and serial number that are there,
        whatever their verdicts.

        Raises
        ------
        RecordError
            It could not be recorded (locked, disk full, recorded already, …), and nothing of it was.
        """
        record = record_rows(settled(outcome))
        with plain_errors(self.path), self._writer.connect() as connection, connection.begin():
            self._refuse_recorded(connection, record.run["run_id"])
            _keep(connection, limits, record.run["limits_digest"], record.limits)
            for content in record.documents:
                _keep(connection, document, record.run["packages_digest"], content)
            return _insert(connection, record)

    def state(self, kind: str, subject: str, content: Mapping[str, Any]) -> Head:
        """Record what somebody, or the station, says; return the statement's number and hash.

        Parameters
        ----------
        kind : str
            What sort of statement it is.
        subject : str
            What it is about.
        content : mapping
            Plain data; the software's name and version are added.

        Raises
        ------
        RecordError
            It could not be recorded, and nothing of it was.
        """
        with plain_errors(self.path), self._writer.connect() as connection, connection.begin():
            return add_statement(connection, kind, encodable(subject), content)

    def sign(self, comparison: Comparison, signed: Signature) -> Head:
        """Record who has decided what on a comparison; return the statement's number and hash.

        Raises
        ------
        RecordError
            It could not be recorded, and nothing of it was.
        """
        content = signed_content(comparison, signed)
        with plain_errors(self.path), self._writer.connect() as connection, connection.begin():
            return add_statement(connection, SIGNOFF, comparison.digest, content)

    def countersign(self, sequence: int, signed: Signature) -> Head:
        """Record a second person's decision on a sign-off, given its number; return the statement's number and hash.

        Raises
        ------
        UsageError
            There is no such sign-off, the same person signed it, or has countersigned it already.
        RecordError
            The sign-off has been changed, or this could not be recorded, and nothing of it was.
        """
        with self._writing() as connection:
            return add_countersignature(connection, sequence, signed)

    @contextlib.contextmanager
    def _writing(self) -> Iterator[Connection]:
        with (
            plain_errors(self.path),
            self._writer.connect() as connection,
            connection.begin(),
            self._understood(),
        ):
            yield connection

    def _refuse_recorded(self, connection: Connection, run_id: str) -> None:
        sequence = connection.scalar(select(run.c.sequence).where(run.c.run_id == run_id))
        if sequence is not None:
            raise RecordError(f"{visible(str(self.path))}: run {run_id} is recorded already, as {sequence}")


def _count(connection: Connection, model: str, serial: str) -> int:
    query = select(func.count()).select_from(run).where(run.c.serial == serial, run.c.model == model)
    return int(connection.scalar(query) or 0)


def _content(connection: Connection, table: Table, noted: str | None) -> str | None:
    """Return what a record refers to by its digest; None where it refers to nothing, or it is not there."""
    if noted is None or not has_table(connection, table):
        return None
    return connection.scalar(select(table.c.content).where(table.c.digest == noted))


def _keep(connection: Connection, table: Table, noted: str, content: bytes) -> None:
    if connection.scalar(select(table.c.digest).where(table.c.digest == noted)) is None:
        connection.execute(insert(table).values(digest=noted, content=content.decode()))


def _insert(connection: Connection, record: RecordRows) -> StoredRun:
    """Add a record after the last one, and see that what is stored verifies before it is committed."""
    last = last_record(connection)
    sequence = last.sequence + 1
    attempt = _count(connection, record.run["model"], record.run["serial"]) + 1
    now = datetime.now(UTC)
    behind = _behind_seconds(connection, last, now)
    added: dict[str, Any] = {
        "sequence": sequence,
        "attempt": attempt,
        "recorded": utc_text(now),
        "previous_hash": last.record_hash,
    }
    if behind:
        clock = json.loads(record.run["clock"]) | {"behind_seconds": behind}
        added["clock"] = canonical_json(clock).decode()
    row = record.run | added
    parts = {name: [part | {"sequence": sequence} for part in rows] for name, rows in record.parts.items()}
    own_hash = record_hash(row, parts)
    connection.execute(insert(run), row | {"record_hash": own_hash})
    for name, (table, _) in PARTS.items():
        if parts[name]:
            connection.execute(insert(table), parts[name])
    stored = fetch_record(connection, sequence)
    if stored.computed_hash() != own_hash:
        raise RecordError(
            "the record did not come back from the database as it went in, so the run was not recorded. "
            "This is a fault in linecheck: please report it"
        )
    return StoredRun(sequence, attempt, own_hash, behind)


def _behind_seconds(connection: Connection, last: Head, now: datetime) -> float:
    """Return by how much the clock stands before the time of the last record; 0 where it does not."""
    for table in (run, statement):
        recorded = connection.scalar(select(table.c.recorded).where(table.c.sequence == last.sequence))
        if recorded is not None:
            with contextlib.suppress(ValueError):
                before = datetime.fromisoformat(recorded)
                return max(0.0, round((before - now).total_seconds(), 3))
    return 0.0
