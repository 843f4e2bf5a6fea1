"""Which runs of a log are meant: found in one pass, kept as arrays."""

from __future__ import annotations

import contextlib
import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from linecheck.errors import RecordError
from linecheck.files.text import visible
from linecheck.limits.bulk import UNJUDGED, level_of
from linecheck.limits.verdict import Verdict
from linecheck.log.connect import open_reader, plain_errors
from linecheck.log.queries import RunFilter, matching
from linecheck.log.reader import BUSY_SECONDS

_MAX_RUNS = 10**9
_PAGE = 20_000

#: Levels of verdicts by the code of their first letter, 0 for none; the log compares numbers faster than texts.
LEVEL_OF_INITIAL: Final = {0: UNJUDGED, **{ord(verdict.value[0]): level_of(verdict) for verdict in Verdict}}

#: The columns of :class:`Chosen`.
_COLUMNS: Final = {
    "sequence": np.int64,
    "unit": np.uint64,
    "before": np.int8,
    "station_failed": np.bool_,
    "digest": np.int32,
    "model": np.int32,
}


@dataclass(frozen=True)
class Reader:
    """A log, read by plain SQL; its texts come as bytes, which :meth:`text` decodes."""

    path: Path
    _connection: Connection
    _raw: sqlite3.Connection
    _texts: type

    def numbers(self, wanted: RunFilter) -> list[int]:
        """Return the numbers of the runs that are meant, ascending."""
        self._raw.text_factory = self._texts
        try:
            return matching(self._connection, wanted, limit=_MAX_RUNS, oldest_first=True)
        finally:
            self._raw.text_factory = bytes

    def rows(self, query: str, parameters: Sequence[object] | Mapping[str, object] = ()) -> sqlite3.Cursor:
        """Ask for rows."""
        return self._raw.execute(query, parameters)

    def has(self, table: str, column: str) -> bool:
        """Return whether a table of this log has a column yet."""
        found = self.rows("SELECT 1 FROM pragma_table_info(?) WHERE name = ?", (table, column))
        return found.fetchone() is not None

    @contextlib.contextmanager
    def understood(self) -> Iterator[None]:
        """Turn what goes wrong with the database, or with what someone has changed in it, into plain words."""
        with plain_errors(self.path):
            try:
                yield
            except (ValueError, TypeError, KeyError, IndexError, AttributeError) as error:
                raise RecordError(
                    f"{visible(str(self.path))}: a record cannot be understood, it has been changed since it was "
                    "stored: run `linecheck log verify` to find it"
                ) from error

    @staticmethod
    def text(value: bytes) -> str:
        """Decode a text, which need not be UTF-8 in a log that someone has changed."""
        return value.decode("utf-8", "surrogateescape")


@contextlib.contextmanager
def opened(path: Path) -> Iterator[Reader]:
    """Open a log to be read by plain SQL.

    Raises
    ------
    FileError, RecordError
        As for :class:`~linecheck.log.LogReader`.
    """
    engine = open_reader(path, BUSY_SECONDS)
    try:
        with plain_errors(path), engine.connect() as connection, connection.begin():
            raw: Any = connection.connection.driver_connection
            texts, raw.text_factory = raw.text_factory, bytes
            yield Reader(path, connection, raw, texts)
    finally:
        engine.dispose()


@dataclass(frozen=True)
class Chosen:
    """The runs that are meant, in the order of their numbers; arrays of shape (runs,).

    ``unit`` tells units apart (a hash of model and serial number), ``before`` is the level of the verdict that is
    stored, ``digest`` and ``model`` are indices into ``digests`` and ``models``.
    """

    sequence: NDArray[np.int64]
    unit: NDArray[np.uint64]
    before: NDArray[np.int8]
    station_failed: NDArray[np.bool_]
    digest: NDArray[np.int32]
    model: NDArray[np.int32]
    digests: tuple[str, ...]
    models: tuple[str, ...]

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self.sequence)

    def at(self, places: NDArray[np.intp]) -> Chosen:
        """Return some of them."""
        return replace(self, **{name: getattr(self, name)[places] for name in _COLUMNS})

    def newest(self) -> NDArray[np.bool_]:
        """Return which run is the newest of its unit."""
        reverse = self.unit[::-1]
        _, first = np.unique(reverse, return_index=True)
        found = np.zeros(len(self), dtype=bool)
        found[len(self) - 1 - first] = True
        return found


def choose(reader: Reader, wanted: RunFilter) -> Chosen:
    """Find the runs that are meant."""
    query = (
        "SELECT sequence, serial, model, coalesce(unicode(verdict), 0), station_failed, limits_digest "
        "FROM run WHERE sequence IN (SELECT value FROM json_each(?)) ORDER BY sequence"
    )
    digests: dict[bytes, int] = {}
    models: dict[bytes, int] = {}
    kind = np.dtype(list(_COLUMNS.items()))
    pages = [np.empty(0, kind)]
    with reader.understood():
        numbers = reader.numbers(wanted)
        for first in range(0, len(numbers), _PAGE):
            rows = [
                (
                    sequence,
                    _unit(model, serial),
                    LEVEL_OF_INITIAL[initial],
                    failed,
                    digests.setdefault(digest, len(digests)),
                    models.setdefault(model, len(models)),
                )
                for sequence, serial, model, initial, failed, digest in reader.rows(
                    query, (json.dumps(numbers[first : first + _PAGE]),)
                )
            ]
            pages.append(np.array(rows, kind))
        found = np.concatenate(pages)
        return Chosen(
            **{name: found[name] for name in _COLUMNS},
            digests=tuple(map(reader.text, digests)),
            models=tuple(map(reader.text, models)),
        )


@dataclass(frozen=True)
class RunFacts:
    """Which run it is."""

    sequence: int
    run_id: str
    serial: str
    model: str
    attempt: int
    recorded: str


def run_facts(reader: Reader, sequences: NDArray[np.int64]) -> Iterator[RunFacts]:
    """Yield which runs they are, by their numbers, ascending."""
    query = (
        "SELECT sequence, run_id, serial, model, attempt, recorded FROM run "
        "WHERE sequence IN (SELECT value FROM json_each(?)) ORDER BY sequence"
    )
    text = reader.text
    rows = reader.rows(query, (json.dumps(sequences.tolist()),)).fetchall()
    for sequence, run_id, serial, model, attempt, recorded in rows:
        yield RunFacts(sequence, text(run_id), text(serial), text(model), attempt, text(recorded))


def newest_limit_files(reader: Reader, chosen: Chosen) -> dict[str, str]:
    """Return by which limit file the newest of the runs of each model was judged: where it lay, by model."""
    found = {}
    with reader.understood():
        for at, model in enumerate(chosen.models):
            newest = int(chosen.sequence[chosen.model == at][-1])
            row = reader.rows("SELECT limit_path FROM run WHERE sequence = ?", (newest,)).fetchone()
            found[model] = reader.text(row[0])
    return found


def _unit(model: bytes, serial: bytes) -> int:
    """Return what tells units apart; two of a million units are taken for one with a chance of 3e-8."""
    digest = hashlib.blake2b(model + b"\0" + serial, digest_size=8).digest()
    return int.from_bytes(digest, "little")
