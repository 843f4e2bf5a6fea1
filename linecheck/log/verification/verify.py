"""Finding out whether a log is as it was written.

Records are read in small batches, each in a short transaction of its own, so that a log of any length takes
little memory and a station can go on writing to it meanwhile. What stands beside the records and is in no hash is
looked at too: the structure (:mod:`~.structure`), and where all records verify also what SQLite itself
finds in its file, and whether lists give what the records are (:mod:`~.listed`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Table, select

from linecheck.log.chain import BEGINNING, KNOWN_FORMATS, digest
from linecheck.log.curves import points_fault
from linecheck.log.fetch import Record, records_after, stray_part
from linecheck.log.schema import document, limits
from linecheck.log.station_key import SIGNATURE, SignedBy
from linecheck.log.stored import Head, Verification
from linecheck.log.thinning import Rule
from linecheck.log.verification.begun_runs import BegunRuns
from linecheck.log.verification.listed import RunLists
from linecheck.log.verification.structure import file_faults, structure_faults
from linecheck.run.facts import DOCUMENTS

if TYPE_CHECKING:
    from linecheck.log.reader import LogReader

_BATCH = 16
#: A record that was moved is looked for so far away.
_NEAR = 64


def verify_log(
    log: LogReader,
    expected: Head | None,
    signed_by: SignedBy | None,
    progress: Callable[[int], None] | None,
) -> Verification:
    """Recompute every hash from what is stored, and hold the log against what was noted elsewhere: a head, a key."""
    chain = Chain(log.content, expected, signed_by=signed_by, rules=log.rules)
    listed, begun = RunLists(), BegunRuns()
    found = _verified(log, chain, (listed, begun), progress)
    with log.reading() as connection:
        others = structure_faults(connection)
        if found.fault is None:
            others += file_faults(connection) + listed.faults(connection, found.head.sequence)
            others += begun.faults(connection)
    return replace(found, other_faults=others)


def _verified(
    log: LogReader,
    chain: Chain,
    hearing: Iterable[RunLists | BegunRuns],
    progress: Callable[[int], None] | None,
) -> Verification:
    for record in _records(log, progress):
        fault = chain.add(record)
        if fault is not None:
            return chain.found(fault, chain.head.sequence + 1)
        for each in hearing:
            each.add(record)
    with log.reading() as connection:
        return chain.end(stray_part(connection), _unreferred(connection, chain.referred))


class Chain:
    """What has been verified so far.

    Parameters
    ----------
    content : callable
        Gives what is stored in a table under a digest, None where nothing is.
    expected : Head or None
        A head that was noted elsewhere.
    head : Head
        The record before the first one that is added.
    signed_by : SignedBy or None
        Whose signatures the records must have; None where these are not verified.
    rules : callable
        Gives the rules by which records are thinned out; asked where points are missing, since another program may
        have stated one meanwhile.
    """

    def __init__(
        self,
        content: Callable[[Table, str], str | None],
        expected: Head | None = None,
        head: Head = BEGINNING,
        signed_by: SignedBy | None = None,
        rules: Callable[[], Sequence[Rule]] = tuple,
    ) -> None:
        self.head = head
        self.expected = expected
        self.signed = 0
        self._signed_by = signed_by
        self._content = content
        self._rules = rules
        self._known: set[str] = set()

    def add(self, record: Record) -> str | None:
        """Add the next record; return what is wrong with it."""
        fault = self._fault(record, self.head.sequence + 1)
        if fault is None:
            self.head = Head(self.head.sequence + 1, record.row["record_hash"])
            self.signed += record.row["station_signature"] is not None
        return fault

    def found(self, fault: str, sequence: int) -> Verification:
        """Return what a log with a fault comes to, given the number of the first bad record."""
        return Verification(self.head.sequence, self.head, fault, sequence)

    @property
    def referred(self) -> frozenset[str]:
        """The digests of all that the records refer to."""
        return frozenset(self._known)

    def end(self, stray: tuple[str, int] | None, unreferred: str | None = None) -> Verification:
        """Return what the whole log comes to, given what is in it that belongs to no record."""
        last, expected = self.head.sequence, self.expected
        if stray is not None:
            part, sequence = stray
            fault = f"record {sequence} is missing: some of its {part} are there, the run itself is not"
            return self.found(fault, sequence)
        if expected is not None and expected.sequence > last:
            fault = (
                f"the log ends with record {last}, but record {expected.sequence} was noted: "
                f"records were cut off at its end, {expected.sequence - last} of them at least"
            )
            return self.found(fault, last + 1)
        if self._signed_by is not None and self._signed_by.first > last:
            fault = (
                f"the log ends with record {last}, and signing is said to begin with {self._signed_by.first}"
            )
            return self.found(fault, last + 1)
        if unreferred is not None:
            fault = (
                f"{unreferred} are there that no record refers to: they were put in, or records were cut off"
            )
            return Verification(last, self.head, fault)
        return Verification(last, self.head, signed=self.signed)

    def _fault(self, record: Record, sequence: int) -> str | None:
        row, before = record.row, sequence - 1
        if row["sequence"] != sequence:
            return self._misplaced(row["sequence"], sequence)
        if row["record_format"] not in (KNOWN_FORMATS if record.is_run else KNOWN_FORMATS[1:]):
            return f"record {sequence} has been changed since it was stored: its format is unknown"
        if record.computed_hash() != row["record_hash"]:
            stored_as = _own_number(record)
            if stored_as is not None:
                return (
                    f"record {sequence} was stored as record {stored_as}: "
                    "records were removed, inserted or moved here"
                )
            return f"record {sequence} has been changed since it was stored: it does not match its hash"
        if row["previous_hash"] != self.head.record_hash:
            return (
                f"record {sequence} does not continue record {before}: "
                "a record was replaced, removed, inserted or moved here"
            )
        lacks = self._points_fault(record) if record.is_run else None
        if lacks is not None:
            return f"record {sequence} has been changed since it was stored: {lacks}"
        if not record.is_run and any(record.parts.values()):
            return (
                f"record {sequence} is no run, but readings or other parts of a run were put under its number"
            )
        if record.is_run and not self._matches(limits, row["limits_digest"]):
            return f"the limits that record {sequence} was judged by have been changed since they were stored"
        for fact in DOCUMENTS if record.is_run else ():
            referred = row[fact.column]
            if referred is not None and not self._matches(document, referred):
                return f"the {fact.name} that record {sequence} was made with have been changed since they were stored"
        own = Head(sequence, row["record_hash"])
        if self.expected is not None and self.expected.sequence == sequence and self.expected != own:
            return f"record {sequence} is not the one that was noted: the log was written anew"
        return self._signature_fault(own, row["station_signature"])

    def _points_fault(self, record: Record) -> str | None:
        fault = points_fault(record.parts, may_lack=False)
        if fault is None or not any(rule.covers(record.row) for rule in self._rules()):
            return fault
        return points_fault(record.parts, may_lack=True)

    def _signature_fault(self, own: Head, signature: Any) -> str | None:  # noqa: ANN401 - whatever the log says
        if signature is not None and not (isinstance(signature, str) and SIGNATURE.fullmatch(signature)):
            return (
                f"record {own.sequence} has a signature that is none: it has been changed since it was stored"
            )
        return None if self._signed_by is None else self._signed_by.fault(own, signature)

    def _misplaced(self, found: int, expected: int) -> str:
        if found == self.head.sequence:
            return f"record {found} is there twice: one of them was inserted"
        return f"record {expected} is missing: the next one there is record {found}"

    def _matches(self, table: Table, noted: str) -> bool:
        """Return whether what a record refers to is what it was."""
        if noted in self._known:
            return True
        content = self._content(table, noted)
        if content is None or digest(content.encode("utf-8", "surrogateescape")) != noted:
            return False
        self._known.add(noted)
        return True


def _own_number(record: Record) -> int | None:
    """Return the number under which a record matches its hash, near the one that it has; None where it is none."""
    for distance in range(1, _NEAR + 1):
        for number in (record.sequence + distance, record.sequence - distance):
            if number >= 1 and record.renumbered(number).computed_hash() == record.row["record_hash"]:
                return number
    return None


def _records(log: LogReader, progress: Callable[[int], None] | None) -> Iterator[Record]:
    after: int | None = None
    while True:
        with log.reading() as connection:
            batch = records_after(connection, after, _BATCH)
        if not batch:
            return
        yield from batch
        after = batch[-1].sequence
        if progress is not None:
            progress(after)


def _unreferred(connection: Connection, referred: frozenset[str]) -> str | None:
    """Return what is there that no record refers to."""
    for table, what in ((limits, "limits"), (document, "packages")):
        if not referred.issuperset(connection.scalars(select(table.c.digest))):
            return what
    return None
