"""The log, to read from: lists, the attempts of a unit, statements, verification."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Self

from sqlalchemy import Connection, Table, and_, exists, func, or_, select

from linecheck.errors import RecordError, UsageError
from linecheck.files.text import encodable, visible
from linecheck.limits.retest import Attempt
from linecheck.limits.verdict import Verdict
from linecheck.log import outbox
from linecheck.log.assets import KnownAsset, known_assets
from linecheck.log.begun import BegunRun, begun_runs
from linecheck.log.connect import database_path, open_reader, plain_errors
from linecheck.log.fetch import Record, content_of, last_record, records_of, run_rows
from linecheck.log.outbox import Waiting
from linecheck.log.population import EarlierUnits, WantedReading, earlier_units
from linecheck.log.queries import RunFilter, matching
from linecheck.log.rows import logged_run, stored_run
from linecheck.log.schema import curve, document, limits, packed_curve, problem, reading, run
from linecheck.log.signoff import Signoff
from linecheck.log.statements import (
    SIGNOFF,
    countersigned,
    find_signoff,
    find_statements,
    find_statements_about,
)
from linecheck.log.station_key import SignedBy
from linecheck.log.stored import Head, Statement, Verification
from linecheck.log.thinning import Rule, Thinnable, rules_of, thinnable
from linecheck.log.verification.verify import verify_log
from linecheck.run.facts import DOCUMENTS
from linecheck.run.model import NOT_RELEASED, UNKEPT_FAIL, Run, RunHeader

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

    def __exit__(self, *_: object) -> None:
        """Let go of the database."""
        self.close()

    def attempts(self, model: str, serial: str) -> int:
        """Return how many runs of a unit are in the log."""
        with self.reading() as connection:
            return count_attempts(connection, encodable(model), encodable(serial))

    def history(self, model: str, serial: str) -> tuple[Attempt, ...]:
        """Return what the runs of a unit came to, the first one first; those that judged the station left out."""
        failed = or_(
            *(
                exists().where(part.c.sequence == run.c.sequence, part.c.verdict == Verdict.FAIL.value)
                for part in (reading, curve, packed_curve)
            ),
            exists().where(problem.c.sequence == run.c.sequence, problem.c.code == UNKEPT_FAIL),
        )
        query = (
            select(run.c.verdict, run.c.reason, and_(run.c.verdict == Verdict.ABORTED.value, failed))
            .where(run.c.serial == encodable(serial), run.c.model == encodable(model))
            .where(func.coalesce(run.c.purpose, "unit") == "unit")
            .order_by(run.c.attempt)
        )
        with self.reading() as connection:
            return tuple(Attempt(Verdict(row[0]), row[1], bool(row[2])) for row in connection.execute(query))

    def begun(self) -> tuple[BegunRun, ...]:
        """Return the runs that are begun and not recorded yet: under way, or cut off."""
        with self.reading() as connection:
            return begun_runs(connection)

    def outbox(self, station: str | None = None, limit: int | None = None) -> tuple[Waiting, ...]:
        """Return the runs that wait to be handed over, the oldest first; those of one station, where it is given."""
        with self.reading() as connection:
            return outbox.waiting(connection, station, limit)

    def count_outbox(self, station: str) -> int:
        """Return how many runs of a station wait to be handed over."""
        with self.reading() as connection:
            return outbox.count(connection, station)

    def is_recorded(self, run_id: str) -> bool:
        """Return whether a run is in the log."""
        with self.reading() as connection:
            return connection.scalar(select(run.c.sequence).where(run.c.run_id == run_id)) is not None

    def head(self) -> Head:
        """Return the last record's number and hash, to be noted elsewhere."""
        with self.reading() as connection:
            return last_record(connection)

    def runs(
        self, wanted: RunFilter | None = None, *, limit: int = 50, before: int | None = None
    ) -> tuple[RunHeader, ...]:
        """Return runs, the newest first.

        Parameters
        ----------
        wanted : RunFilter
            Only runs that are so; all, if left out.
        limit : int
            At most so many.
        before : int, optional
            Only records before this one: the last sequence number of a page asks for the next page, which is the same
            however many runs have been added meanwhile.
        """
        with self.reading() as connection:
            found = matching(connection, wanted or RunFilter(), limit=limit, before=before)
            held = problem.c.sequence.in_(found), problem.c.code == NOT_RELEASED
            noted = set(connection.scalars(select(problem.c.sequence).where(*held)))
            # Records of format 3 have no column for it.
            return tuple(
                logged_run(row | {"released": "false"} if row["sequence"] in noted else row)
                for row in run_rows(connection, found)
            )

    def sequences(
        self,
        wanted: RunFilter,
        *,
        limit: int | None,
        before: int | None = None,
        after: int | None = None,
        oldest_first: bool = False,
    ) -> list[int]:
        """Return the numbers of runs, the newest first unless ``oldest_first``; only records between two, if given."""
        with self.reading() as connection:
            return matching(
                connection, wanted, limit=limit, before=before, after=after, oldest_first=oldest_first
            )

    def stored(self, sequences: Sequence[int], parts: Sequence[str] = ()) -> list[Record]:
        """Return runs as they are stored, by their numbers, each with some of its parts (``readings``) or with none."""
        with self.reading() as connection:
            return list(records_of(connection, sequences, parts))

    def attempts_of(
        self, serial: str, model: str | None = None, *, limit: int | None = None, before: int | None = None
    ) -> list[int]:
        """Return the numbers of a unit's runs, the newest first; only records before one, if given."""
        return self.sequences(RunFilter(serial=serial, model=model), limit=limit, before=before)

    def show(self, serial: str, model: str | None = None) -> Iterator[Run]:
        """Yield every attempt of a unit with everything that was measured, the newest first."""
        for sequence in self.attempts_of(serial, model):
            yield self.record(sequence)

    def statements_about(self, run_id: str) -> tuple[Statement, ...]:
        """Return what was stated of a run, the oldest first: sign-offs of comparisons with it, results of gates."""
        with self.reading() as connection:
            return find_statements_about(connection, encodable(run_id))

    def record(self, sequence: int) -> Run:
        """Return a run with everything that was measured, by its number in the log.

        Raises
        ------
        UsageError
            There is no such record.
        """
        with self.reading() as connection:
            record = next(records_of(connection, [sequence]), None)
            if record is None:
                raise UsageError(f"{visible(str(self.path))}: there is no record {sequence} in the log")
            content = content_of(connection, limits, record.row["limits_digest"])
            documents = {
                fact.name: text
                for fact in DOCUMENTS
                if (text := content_of(connection, document, record.row[fact.column])) is not None
            }
            source = f"record {sequence} of {visible(str(self.path))}"
            return stored_run(record.row, record.parts, content or "", documents, source)

    def thinnable(self, before: datetime, every: int) -> Thinnable | None:
        """Return what thinning passes recorded before a time would remove, but for every n-th; None: nothing."""
        with self.reading() as connection:
            return thinnable(connection, before, every)

    def assets(self) -> tuple[KnownAsset, ...]:
        """Return the things that runs rest on, by name, with for how many runs each was used."""
        with self.reading() as connection:
            return known_assets(connection)

    def earlier_units(
        self, model: str, serial: str, wanted: Sequence[WantedReading], *, run_id: str
    ) -> EarlierUnits:
        """Return what the other units of a model have measured; before a run, where that is in the log."""
        with self.reading() as connection:
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
        with self.reading() as connection:
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
        with self.reading() as connection:
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
        with self.reading() as connection:
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
        with self.reading() as connection:
            found = find_statements(connection, (SIGNOFF,), subject=digest, limit=limit, before=before)
            return countersigned(connection, found)

    def verify(
        self,
        expected: Head | None = None,
        progress: Callable[[int], None] | None = None,
        signed_by: SignedBy | None = None,
    ) -> Verification:
        """Find out whether the log is as it was written.

        Every hash is computed anew from what is stored, which shows any record that was edited, removed,
        inserted or moved. That records were cut off at the end, or that all was written anew, shows against a
        head that was noted elsewhere; that records were written anew without the station's key, against its public key.
        The log is tamper-evident: changes show, they are not prevented.

        Parameters
        ----------
        expected : Head, optional
            A head that was noted earlier; the log may have grown since.
        progress : callable, optional
            Called now and then with the number of the last record that was verified.
        signed_by : SignedBy, optional
            Whose signatures the records must have.
        """
        return verify_log(self, expected, signed_by, progress)

    def content(self, table: Table, noted: str) -> str | None:
        """Return what records refer to by a digest; None where it is not there."""
        with self.reading() as connection:
            return content_of(connection, table, noted)

    def rules(self) -> tuple[Rule, ...]:
        """Return the rules by which records are thinned out."""
        with self.reading() as connection:
            return rules_of(connection)

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """Begin a transaction that reads; what cannot be understood was changed by someone."""
        with (
            plain_errors(self.path),
            self._reader.connect() as connection,
            connection.begin(),
            self.understood(),
        ):
            yield connection

    @contextlib.contextmanager
    def understood(self) -> Iterator[None]:
        """Turn what goes wrong with a record that was changed into a message.

        Raises
        ------
        RecordError
            The record cannot be understood.
        """
        try:
            yield
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            raise RecordError(
                f"{visible(str(self.path))}: a record cannot be understood, it has been changed since it "
                "was stored: run `linecheck log verify` to find it"
            ) from error


def count_attempts(connection: Connection, model: str, serial: str) -> int:
    """Return how many runs of a unit are in the log."""
    query = select(func.count()).select_from(run).where(run.c.serial == serial, run.c.model == model)
    return int(connection.scalar(query) or 0)
