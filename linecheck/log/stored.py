"""What the log gives back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple


class Head(NamedTuple):
    """The last record of a log: its sequence number (0 for an empty log) and its hash."""

    sequence: int
    record_hash: str

    def __str__(self) -> str:
        """Return it as it is noted."""
        return f"{self.sequence}:{self.record_hash}"


@dataclass(frozen=True)
class StoredRun:
    """A run that is in the log: its sequence number, which attempt of its unit it is, and its hash.

    ``behind_seconds`` is by how much the clock stands before the time of the record before, 0 where it does not.
    """

    sequence: int
    attempt: int
    record_hash: str
    behind_seconds: float = 0.0

    @property
    def head(self) -> Head:
        """Its number and hash."""
        return Head(self.sequence, self.record_hash)


@dataclass(frozen=True)
class Statement:
    """What somebody, or the station, has said: its number, its kind, what it is about, and the rest as plain data."""

    sequence: int
    record_hash: str
    recorded: str
    kind: str
    subject: str
    content: Mapping[str, Any]


@dataclass(frozen=True)
class Verification:
    """What a verification found.

    ``records`` counts those that are as they were stored, ``head`` is the last of them. ``fault`` says in
    plain words what is wrong with the records, None where nothing is; ``sequence`` is the first bad record.
    ``other_faults`` are those of guards, indexes and the file, which are in no hash. ``signed`` counts the
    records that have a signature, whether it was verified or not.
    """

    records: int
    head: Head
    fault: str | None = None
    sequence: int | None = None
    other_faults: tuple[str, ...] = ()
    signed: int = 0

    @property
    def intact(self) -> bool:
        """Whether no fault was found."""
        return self.fault is None and not self.other_faults
