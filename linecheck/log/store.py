"""The log, to add to: every run of every unit, in the order in which they were recorded, never changed."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from sqlalchemy import Connection, Engine, Table, insert, select

from linecheck.errors import FileError, LinecheckError, RecordError, UsageError
from linecheck.files.text import encodable, visible
from linecheck.files.times import utc_text
from linecheck.log import begun, outbox
from linecheck.log.chain import canonical_json, digest, record_hash
from linecheck.log.connect import database_path, open_writer, plain_errors
from linecheck.log.fetch import column_at, last_record, refuse_unkept, unkept
from linecheck.log.outbox import Waiting
from linecheck.log.reader import BUSY_SECONDS, LogReader, count_attempts
from linecheck.log.rows import RecordRows, record_rows
from linecheck.log.schema import PARTS, document, limits, run
from linecheck.log.signoff import Signature, same_person
from linecheck.log.statements import COUNTERSIGNATURE, add_statement, find_signoff
from linecheck.log.station_key import StationKey, hash_columns
from linecheck.log.stored import Head, StoredRun
from linecheck.log.thinning import CURVES_THINNED, Thinnable, remove_points, rules_of
from linecheck.run.model import CheckOutcome, Run
from linecheck.run.settle import settled

if TYPE_CHECKING:
    from linecheck.station.config.station import StationConfig

__all__ = ["BUSY_SECONDS", "Log", "LogReader"]


#: Records that are thinned in one transaction: a station that tests meanwhile waits no longer than for these.
_THINNED_AT_ONCE = 500


class Log(LogReader):
    """A station's log, to add to; made, with the folders above it, where it is missing.

    It belongs on a disk of this machine: SQLite is not safe on a network share. Any number of programs may
    add to it and read from it at the same time.

    Parameters
    ----------
    location : str or Path
        An SQLite file, or ``sqlite:///PATH``.
    key : StationKey or None
        Signs every record that is added.
    hand_over : collection of str
        The purposes of the runs that are to be handed over to the factory's own program.
    busy_seconds : float
        How long to wait for another program that holds it locked.

    Raises
    ------
    FileError
        It is no log, was written by a newer linecheck, or cannot be made; its records are signed, and no key is given.
    RecordError
        It is locked or damaged, or the disk is full or failing.
    """

    def __init__(
        self,
        location: str | Path,
        *,
        key: StationKey | None = None,
        hand_over: Collection[str] = (),
        busy_seconds: float = BUSY_SECONDS,
    ) -> None:
        self._writer: Engine = open_writer(database_path(location), busy_seconds)
        self._key = key
        self._hand_over = frozenset(hand_over)
        try:
            super().__init__(location, busy_seconds=busy_seconds)
            if key is None:
                self._refuse_signed()
        except LinecheckError:
            self._writer.dispose()
            raise

    @classmethod
    def of_station(cls, config: StationConfig) -> Self:
        """Open the log that a station config names, signed by the key and handed over as it says."""
        key = None if config.sign is None else StationKey(config.sign.key)
        hand_over = () if config.after is None else config.after.purposes
        return cls(config.records.database, key=key, hand_over=hand_over)

    def close(self) -> None:
        """Let go of the database."""
        super().close()
        self._writer.dispose()

    def append(self, outcome: Run) -> StoredRun:
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
            return self._add(connection, record, hand_over=outcome.purpose in self._hand_over)

    def begin(self, run: Run) -> Head:
        """State that a run begins, before anything of it is played; return the statement's number and hash.

        Whoever calls it holds :func:`linecheck.log.begun.held` until the run is recorded.

        Raises
        ------
        RecordError
            It could not be stated: the run must not begin.
        """
        record = record_rows(settled(run))
        content = {
            name: record.run[name] for name in ("serial", "model", "station", "purpose", "limit_sha256")
        }
        with plain_errors(self.path), self._writer.connect() as connection, connection.begin():
            self._refuse_recorded(connection, run.run_id)
            self._refuse_twice(connection, run)
            due = run.purpose in self._hand_over
            begun.note(connection, record, utc_text(datetime.now(UTC)), hand_over=due)
            return add_statement(connection, begun.RUN_BEGUN, run.run_id, content, self._key)

    def keep(self, run_id: str, check: CheckOutcome) -> None:
        """Keep a check of a run that is under way, in case that this is cut off; from any thread.

        Raises
        ------
        RecordError
            It could not be kept.
        """
        with plain_errors(self.path), self._writer.connect() as connection, connection.begin():
            begun.keep(connection, run_id, check, utc_text(datetime.now(UTC)))

    def end_cut_off(self) -> tuple[StoredRun, ...]:
        """Record every run that was cut off as aborted, with what is known of it; none that a program is still at.

        Raises
        ------
        RecordError
            One could not be recorded; those before it are.
        """
        with self.reading() as connection:
            open_runs = begun.begun_runs(connection)
        ended = [self._end(each.run_id) for each in open_runs if begun.is_cut_off(self.path, each.run_id)]
        return tuple(stored for stored in ended if stored is not None)

    def unfinished(self) -> tuple[Run, ...]:
        """Return the runs that were recorded, and whose program was ended before it had written their files.

        Each is returned once.
        """
        found = []
        for run_id in begun.left_runs(self.path):
            with self.reading() as connection:
                sequence = connection.scalar(select(run.c.sequence).where(run.c.run_id == run_id))
            if sequence is not None:
                found.append(self.record(sequence))
                begun.forget_lock(self.path, run_id)
        return tuple(found)

    def _end(self, run_id: str) -> StoredRun | None:
        """Record a run that was cut off; None where another program has done so meanwhile."""
        with self._writing() as connection:
            due = begun.is_handed_over(connection, run_id)
            outcome = begun.cut_off_run(connection, run_id, failed=begun.has_failed(self.path, run_id))
            rows = None if outcome is None else record_rows(settled(outcome))
            stored = None if rows is None else self._add(connection, rows, hand_over=due)
        begun.forget_lock(self.path, run_id)
        return stored

    def _add(self, connection: Connection, record: RecordRows, *, hand_over: bool) -> StoredRun:
        self._refuse_recorded(connection, record.run["run_id"])
        _keep(connection, limits, record.run["limits_digest"], record.limits)
        for content in record.documents:
            _keep(connection, document, digest(content), content)
        begun.forget(connection, record.run["run_id"])
        stored = _insert(connection, record, self._key)
        if hand_over:
            outbox.put(connection, stored.sequence, record.run["station"] or "")
        return stored

    def note_try(self, entry: Waiting) -> int:
        """Note that a run is given to a program, before it is; return which try that is.

        Raises
        ------
        RecordError
            It could not be noted: it must not be given to any.
        """
        with plain_errors(self.path), self._writer.connect() as connection, connection.begin():
            tried = utc_text(datetime.now(UTC))
            outbox.note(connection, entry.sequence, tries=entry.tries + 1, tried=tried, answer="")
        return entry.tries + 1

    def note_answer(self, entry: Waiting, answer: str) -> None:
        """Note why a run was not taken.

        Raises
        ------
        RecordError
            It could not be noted.
        """
        with plain_errors(self.path), self._writer.connect() as connection, connection.begin():
            outbox.note(connection, entry.sequence, answer=answer)

    def handed_over(self, entry: Waiting, tries: int, accepted: Mapping[str, str]) -> None:
        """State that a run was handed over, and let it wait no longer, in one transaction.

        Raises
        ------
        RecordError
            It could not be stated: it still waits.
        """
        with plain_errors(self.path), self._writer.connect() as connection, connection.begin():
            if outbox.is_waiting(connection, entry.sequence):
                content = outbox.handed_over_content(entry, tries, accepted)
                add_statement(connection, outbox.HANDED_OVER, entry.run_id, content, self._key)
                outbox.remove(connection, entry.sequence)

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
            return add_statement(connection, kind, encodable(subject), content, self._key)

    def state_found(
        self, kind: str, find: Callable[[Connection], Sequence[tuple[str, Mapping[str, Any]]]]
    ) -> tuple[Head, ...]:
        """Record what is found in the log itself, in the transaction that finds it; return each statement's head.

        Parameters
        ----------
        kind : str
            What sort of statements they are.
        find : callable
            Returns subject and content of each; it may note in tables that are no records how far it has come.

        Raises
        ------
        RecordError
            It could not be recorded, and nothing of it was.
        """
        with self._writing() as connection:
            found = find(connection)
            return tuple(
                add_statement(connection, kind, encodable(subject), content, self._key)
                for subject, content in found
            )

    def thin(
        self, found: Thinnable, station: str, progress: Callable[[int], None] = lambda records: None
    ) -> int:
        """State that the points of curves go, and remove them; return of how many records they went.

        Where this is cut off, what was stated and is still there goes the next time.

        Parameters
        ----------
        found : Thinnable
        station : str
            Whose log it is.
        progress : callable, optional
            Called now and then with how many records were thinned.

        Raises
        ------
        RecordError
            It could not be stated, or not all could be removed.
        """
        content = found.rule.content() | {"records": found.records, "bytes": found.size_bytes}
        with plain_errors(self.path), self._writer.connect() as connection, connection.begin():
            if not any(rule.includes(found.rule) for rule in rules_of(connection)):
                add_statement(connection, CURVES_THINNED, encodable(station), content, self._key)
        removed = 0
        for first in range(0, found.rule.through, _THINNED_AT_ONCE):
            last = min(first + _THINNED_AT_ONCE, found.rule.through)
            with plain_errors(self.path), self._writer.connect() as connection, connection.begin():
                removed += remove_points(connection, found.rule, first, last)
            progress(removed)
        return removed

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
            signoff = find_signoff(connection, sequence)
            if same_person(signoff.signature.by, signed.by):
                raise UsageError(
                    f"record {sequence} was signed by {signoff.signature.by}: somebody else must countersign it"
                )
            for other in signoff.countersignatures:
                if same_person(other.signature.by, signed.by):
                    raise UsageError(
                        f"record {sequence} was countersigned by {other.signature.by} already, in record "
                        f"{other.sequence}"
                    )
            content = {**vars(signed), "signoff": signoff.sequence, "signoff_hash": signoff.record_hash}
            return add_statement(connection, COUNTERSIGNATURE, signoff.record_hash, content, self._key)

    @contextlib.contextmanager
    def _writing(self) -> Iterator[Connection]:
        with (
            plain_errors(self.path),
            self._writer.connect() as connection,
            connection.begin(),
            self.understood(),
        ):
            yield connection

    def _refuse_signed(self) -> None:
        """Refuse to add unsigned records behind signed ones: who verifies them could not tell them from forged ones."""
        with self.reading() as connection:
            last = last_record(connection).sequence
            signed = column_at(connection, last, "station_signature") is not None
        if signed:
            raise FileError(
                visible(str(self.path)),
                "the records of this log are signed, and nothing unsigned is added to them: give --station with a "
                "config whose [sign] key signs, or begin a log of another name",
            )

    def _refuse_twice(self, connection: Connection, run: Run) -> None:
        """Refuse a unit that is under test: its verdicts would not know of each other."""
        for other in begun.begun_runs(connection):
            same = (other.model, other.serial) == (run.model, encodable(run.serial))
            if same and not begun.is_cut_off(self.path, other.run_id):
                raise RecordError(
                    f"{run.serial} is under test already, by another program on this log: wait for its end"
                )

    def _refuse_recorded(self, connection: Connection, run_id: str) -> None:
        sequence = connection.scalar(select(run.c.sequence).where(run.c.run_id == run_id))
        if sequence is not None:
            raise RecordError(f"{visible(str(self.path))}: run {run_id} is recorded already, as {sequence}")


def _keep(connection: Connection, table: Table, noted: str, content: bytes) -> None:
    if connection.scalar(select(table.c.digest).where(table.c.digest == noted)) is None:
        connection.execute(insert(table).values(digest=noted, content=content.decode()))
        stored = connection.scalar(select(table.c.content).where(table.c.digest == noted))
        if stored is None or digest(stored.encode()) != noted:
            raise unkept(connection)


def _insert(connection: Connection, record: RecordRows, key: StationKey | None) -> StoredRun:
    """Add a record after the last one, and see that what is stored verifies before it is committed."""
    last = last_record(connection)
    sequence = last.sequence + 1
    attempt = count_attempts(connection, record.run["model"], record.run["serial"]) + 1
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
    head = Head(sequence, record_hash(row, parts))
    connection.execute(insert(run), row | hash_columns(head, key))
    for name, (table, _) in PARTS.items():
        if parts[name]:
            connection.execute(insert(table), parts[name])
    refuse_unkept(connection, head)
    return StoredRun(sequence, attempt, head.record_hash, behind)


def _behind_seconds(connection: Connection, last: Head, now: datetime) -> float:
    """Return by how much the clock stands before the time of the last record; 0 where it does not."""
    with contextlib.suppress(ValueError):
        before = datetime.fromisoformat(column_at(connection, last.sequence, "recorded") or "")
        return max(0.0, round((before - now).total_seconds(), 3))
    return 0.0
