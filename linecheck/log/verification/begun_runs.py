"""Whether every run that was begun is recorded, or still known as one that was begun."""

from __future__ import annotations

from typing import Final

from sqlalchemy import Connection, select

from linecheck.errors import RecordError
from linecheck.files.text import visible
from linecheck.log.begun import RUN_BEGUN, begun_runs
from linecheck.log.fetch import Record
from linecheck.log.schema import run

_MAX_TOLD: Final = 50


class BegunRuns:
    """The runs that records say were begun, and no record so far says how they ended."""

    def __init__(self) -> None:
        self._open: dict[str, int] = {}

    def add(self, record: Record) -> None:
        """Take the next record."""
        if record.is_run:
            self._open.pop(record.row["run_id"], None)
        elif record.row["kind"] == RUN_BEGUN:
            self._open[record.row["subject"]] = record.sequence

    def faults(self, connection: Connection) -> tuple[str, ...]:
        """Return what is missing: a run that is under way, or was cut off, is known until it is recorded."""
        try:
            known = {each.run_id for each in begun_runs(connection)}
        except RecordError as error:
            return (str(error),)
        lost = [
            f"record {sequence} says that the run {visible(run_id)} was begun, and what became of it was removed"
            for run_id, sequence in self._open.items()
            # Recorded since its statement was read, perhaps.
            if run_id not in known
            and connection.scalar(select(run.c.run_id).where(run.c.run_id == run_id)) is None
        ]
        more = [f"and {len(lost) - _MAX_TOLD} more such runs"] if len(lost) > _MAX_TOLD else []
        return (*lost[:_MAX_TOLD], *more)
