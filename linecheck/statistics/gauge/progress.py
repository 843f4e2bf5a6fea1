"""How far a study is in a log: which runs of its plan are there, and which is next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy import select

from linecheck.log import LogReader
from linecheck.log.schema import run
from linecheck.statistics.gauge.plan import Entry, Plan, StudyRun, assigned

#: The statement that holds a plan: its subject is the plan's id.
PLANNED: Final = "study_planned"


@dataclass(frozen=True)
class Done:
    """The runs of a plan at one place that are there; ``following`` is the next, None where all are."""

    runs: Mapping[Entry, StudyRun]
    following: Entry | None
    last: Entry | None = None
    last_started: datetime | None = None


def done(log: LogReader, plan: Plan, place: Mapping[str, str | None]) -> Done:
    """Return how far a plan is at a nest and station.

    Raises
    ------
    UsageError
        A run is not what the plan had next.
    """
    columns = (
        run.c.sequence,
        run.c.serial,
        run.c.verdict,
        run.c.nest,
        run.c.station,
        run.c.operator,
        run.c.started,
    )
    query = select(*columns).where(run.c.study == plan.id).order_by(run.c.sequence)
    with log.reading() as connection:
        rows = connection.execute(query).all()
    started = {row.sequence: row.started for row in rows}
    found = assigned(
        plan,
        (
            StudyRun(
                row.sequence,
                row.serial,
                row.verdict,
                {"nest": row.nest, "station": row.station},
                row.operator,
            )
            for row in rows
        ),
    )
    here = plan.at(place)
    following = next((entry for entry in here if entry not in found), None)
    there = [entry for entry in here if entry in found]
    last = there[-1] if there else None
    when = None if last is None else datetime.fromisoformat(started[found[last].record])
    return Done(found, following, last, when)
