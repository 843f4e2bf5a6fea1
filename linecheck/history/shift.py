"""What a shift asks of the log: units tested, first-pass yield, the last units with their causes, takt.

=======================  =====================================================================
:class:`ShiftRun`        one run of a shift
:class:`ShiftSummary`    what is counted of them
:func:`runs_of_shift`    the runs since a time, of one shift where that is named
:func:`summed`           the counts of some runs
=======================  =====================================================================

Golden and challenge units are never counted. A unit counts once, by the first run that judged it: a unit that was
judged before the shift is a retest, and in no first-pass yield of it. Runs that judge nothing (invalid, aborted) are
counted apart.
"""

from __future__ import annotations

import json
import statistics
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any, Final

from sqlalchemy import func, literal_column, select

from linecheck.files.times import utc_text
from linecheck.limits.verdict import RELEASING, Verdict
from linecheck.log import LogReader
from linecheck.log.schema import run
from linecheck.run.causes import read_causes
from linecheck.run.model import HOLD

#: Longer pauses (a break, a new lot) are no takt.
MAX_TAKT_SECONDS: Final = 900.0
LAST_UNITS: Final = 10
#: No shift is longer: its name in the log before that is another day's.
MAX_SHIFT: Final = timedelta(hours=16)
_JUDGED: Final = frozenset({Verdict.PASS.value, Verdict.MARGINAL.value, Verdict.FAIL.value})
_RELEASING: Final = frozenset(verdict.value for verdict in RELEASING)


@dataclass(frozen=True)
class ShiftRun:
    """One run of a shift: its verdict, or ``hold``, and what may have caused that it does not pass."""

    sequence: int
    run_id: str
    serial: str
    model: str
    attempt: int
    state: str
    station: str
    operator: str
    shift: str
    finished: datetime
    cause: str
    is_first: bool

    @property
    def judges(self) -> bool:
        """Whether it judges its unit."""
        return self.state in _JUDGED or self.state == HOLD

    @property
    def passes(self) -> bool:
        """Whether its unit passes by it, released or not."""
        return self.state in _RELEASING or self.state == HOLD


@dataclass(frozen=True)
class ShiftSummary:
    """What is counted of some runs.

    Attributes
    ----------
    runs, units : int
        Runs, and the units in them.
    first_judged, first_passed : int
        Units judged for the first time, and those of them that passed.
    states : mapping of str to int
        Runs by what they came to.
    operators : mapping of str to int
        Units by who tested them.
    causes : tuple of (str, int)
        The causes of runs that do not pass, the most frequent first.
    takt_last, takt_median : float or None
        s from one verdict to the next.
    last : tuple of ShiftRun
        The last ones, the newest first.
    """

    runs: int
    units: int
    first_judged: int
    first_passed: int
    states: dict[str, int]
    operators: dict[str, int]
    causes: tuple[tuple[str, int], ...]
    takt_last: float | None
    takt_median: float | None
    last: tuple[ShiftRun, ...] = field(default=())

    @property
    def first_pass_yield(self) -> float | None:
        """Share of the units judged for the first time that passed; None where none was."""
        return self.first_passed / self.first_judged if self.first_judged else None


def shift_since(shift: str) -> datetime:
    """Return since when the runs of a shift count: of one with a name some hours, else since midnight here."""
    now = datetime.now().astimezone()
    return now - MAX_SHIFT if shift else now.replace(hour=0, minute=0, second=0, microsecond=0)


def runs_of_shift(
    log: LogReader,
    since: datetime,
    *,
    until: datetime | None = None,
    stations: Collection[str] = (),
    shift: str = "",
) -> tuple[ShiftRun, ...]:
    """Return the runs of units recorded since a time, in the order of the log.

    Parameters
    ----------
    log : LogReader
    since, until : datetime
        With a zone; ``until`` is left out of it.
    stations : collection of str
        Only theirs; of all, if empty.
    shift : str
        Only those of this shift; of all, if empty.
    """
    earlier = run.alias("earlier")
    first = (
        select(func.min(earlier.c.sequence))
        .where(
            earlier.c.serial == run.c.serial,
            # With a plus SQLite looks for the serial number, and not for the model, which all runs share.
            literal_column("+earlier.model") == run.c.model,
            literal_column("+earlier.verdict").in_(sorted(_JUDGED)),
            func.coalesce(earlier.c.purpose, "unit") == "unit",
        )
        .scalar_subquery()
    )
    query = select(run, first.label("first_judged")).where(
        run.c.recorded >= utc_text(since), func.coalesce(run.c.purpose, "unit") == "unit"
    )
    if until is not None:
        query = query.where(run.c.recorded < utc_text(until))
    if stations:
        query = query.where(run.c.station.in_(sorted(stations)))
    if shift:
        query = query.where(run.c.shift == shift)
    with log.reading() as connection:
        # Sorted here: asked for an order, SQLite goes through the whole log by number.
        rows = sorted(connection.execute(query), key=lambda row: row.sequence)
        return tuple(_read(row._asdict()) for row in rows)


def _read(row: dict[str, Any]) -> ShiftRun:
    verdict = str(row["verdict"])
    held = row["released"] == "false" and verdict in _RELEASING
    return ShiftRun(
        sequence=row["sequence"],
        run_id=row["run_id"],
        serial=row["serial"],
        model=row["model"],
        attempt=row["attempt"],
        state=HOLD if held else verdict,
        station=row["station"] or "",
        operator=row["operator"] or "",
        shift=row["shift"] or "",
        finished=datetime.fromisoformat(row["finished"]),
        # A run that was stopped shows nothing of its unit.
        cause="" if verdict == Verdict.ABORTED else _cause(row["causes"]),
        is_first=row["sequence"] == row["first_judged"],
    )


def _cause(text: str | None) -> str:
    causes = read_causes(json.loads(text)) if text else None
    return "" if causes is None or not causes.stands_out else causes.first.text


def summed(runs: Sequence[ShiftRun]) -> ShiftSummary:
    """Return what is counted of some runs, which are in the order of the log."""
    firsts = [each for each in runs if each.is_first]
    takts = list(_takts(runs))
    tested_by = {(each.model, each.serial): each.operator for each in runs}
    return ShiftSummary(
        runs=len(runs),
        units=len(tested_by),
        first_judged=len(firsts),
        first_passed=sum(each.passes for each in firsts),
        states=dict(Counter(each.state for each in runs)),
        operators=dict(Counter(tested_by.values()).most_common()),
        causes=tuple(Counter(each.cause for each in runs if each.cause and not each.passes).most_common()),
        takt_last=takts[-1] if takts else None,
        takt_median=statistics.median(takts) if takts else None,
        last=tuple(reversed(runs[-LAST_UNITS:])),
    )


def _takts(runs: Sequence[ShiftRun]) -> Iterator[float]:
    """Yield how long after the run before each run ended; pauses are left out."""
    for before, each in pairwise(runs):
        seconds = (each.finished - before.finished).total_seconds()
        if 0.0 < seconds <= MAX_TAKT_SECONDS:
            yield seconds
