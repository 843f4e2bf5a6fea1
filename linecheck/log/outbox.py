"""What a station has still to hand over: its recorded runs, in order, until the factory's own program has taken them.

A row of the table ``outbox`` is added in the transaction that records its run, and goes in the one that states that it
was handed over (``handed_over``), which a trigger sees to: whenever the power fails, a run waits or is stated, and is
handed over at least once. A try is counted before the program is given anything, so that what it may have taken already
is known, and a full disk does not give it the same again and again. Each row is one station's: several may share a log.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, delete, func, insert, select, update

from linecheck.errors import RecordError
from linecheck.files.durable import lock_file, make_folder
from linecheck.files.text import visible
from linecheck.log.schema import outbox, run

#: The kind of the statement that a run was handed over; its subject is the run's id.
HANDED_OVER: Final = "handed_over"


class Waiting(NamedTuple):
    """A run that waits to be handed over.

    ``tries`` counts how often it was given to a program, ``tried`` is when last, and ``answer`` what came of that.
    """

    sequence: int
    run_id: str
    serial: str
    verdict: str
    recorded: str
    station: str
    tries: int
    tried: str | None
    answer: str


def put(connection: Connection, sequence: int, station: str) -> None:
    """Note that a run is to be handed over, in the transaction that records it."""
    connection.execute(insert(outbox).values(sequence=sequence, station=station, tries=0, answer=""))


def waiting(
    connection: Connection, station: str | None = None, limit: int | None = None
) -> tuple[Waiting, ...]:
    """Return the runs that wait, the oldest first; those of one station, where it is given."""
    columns = (run if name in run.c else outbox for name in Waiting._fields)
    query = select(*(table.c[name] for table, name in zip(columns, Waiting._fields, strict=True)))
    query = query.join_from(outbox, run, outbox.c.sequence == run.c.sequence).order_by(outbox.c.sequence)
    return tuple(Waiting(*row) for row in connection.execute(_of(query, station).limit(limit)))


def count(connection: Connection, station: str) -> int:
    """Return how many runs of a station wait."""
    return int(connection.scalar(_of(select(func.count()).select_from(outbox), station)) or 0)


def _of(query: Any, station: str | None) -> Any:  # noqa: ANN401 - a query of any columns
    return query if station is None else query.where(outbox.c.station == station)


def note(connection: Connection, sequence: int, **said: str | int) -> None:
    """Note what is known of a run that waits."""
    connection.execute(update(outbox).where(outbox.c.sequence == sequence).values(**said))


def is_waiting(connection: Connection, sequence: int) -> bool:
    """Return whether a run still waits."""
    return connection.scalar(select(outbox.c.sequence).where(outbox.c.sequence == sequence)) is not None


def remove(connection: Connection, sequence: int) -> None:
    """Remove a run that is stated to be handed over."""
    connection.execute(delete(outbox).where(outbox.c.sequence == sequence))


def handed_over_content(entry: Waiting, tries: int, accepted: Mapping[str, str]) -> dict[str, Any]:
    """Return what is stated of a run that was handed over."""
    return {"run": entry.run_id, "record": entry.sequence, **accepted, "tries": tries}


@contextmanager
def delivering(log: Path, station: str) -> Iterator[bool]:
    """Hold the lock of the one program that hands over what a station has; False where another holds it.

    Parameters
    ----------
    log : Path
        The log's file.
    station : str
        Its name, which is one of a file.

    Raises
    ------
    RecordError
        It cannot be made: the disk is full, or knows no locks.
    """
    path = log.with_name(f"{log.name}.outbox") / station
    with ExitStack() as stack:
        try:
            make_folder(path.parent)
            stream = stack.enter_context(open(os.open(path, os.O_RDWR | os.O_CREAT, 0o666), "r+b"))
            mine = lock_file(stream, wait=False)
        except OSError as error:
            raise RecordError(
                f"{visible(str(path))}: cannot be locked ({error.strerror or error}), so that two programs might hand "
                "over the same run: free some space, or use a disk of this machine"
            ) from error
        yield mine
