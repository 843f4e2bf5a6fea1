"""What earlier units of a model measured: one value of each unit for each reading that is asked for.

Records are read newest first, a page at a time, and of each record only the readings that are asked for; how many are
read is bounded, so that a log of any length takes little memory and a known time.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

from sqlalchemy import Connection, select

from linecheck.files.text import encodable
from linecheck.log.queries import judges_a_unit
from linecheck.log.schema import limits, run

#: No more units than this, the newest, are looked at; and no more records of them.
MAX_UNITS = 20_000
MAX_RECORDS = 40_000
#: Readings asked for times units: fewer units are looked at where very many readings are asked for.
_MAX_VALUES = 4_000_000
_PAGE = 500

#: The casts let SQLite find what is wanted by an index that it makes for the query.
_READINGS = """
WITH wanted AS MATERIALIZED (
    SELECT key AS number, CAST(json_extract(value, '$[0]') AS TEXT) AS name,
        CAST(json_extract(value, '$[1]') AS TEXT) AS metric, CAST(json_extract(value, '$[2]') AS TEXT) AS channel,
        CAST(json_extract(value, '$[3]') AS TEXT) AS unit, CAST(json_extract(value, '$[4]') AS TEXT) AS stimulus
    FROM json_each(?)
)
SELECT reading.sequence, wanted.number, reading.value, reading.is_bound, coalesce(reading.verdict = 'invalid', 0),
    coalesce(run_check.stimulus_sha256 = wanted.stimulus, 0), reading.unit = wanted.unit
FROM run_check
CROSS JOIN reading ON reading.sequence = run_check.sequence AND reading.check_position = run_check.position
CROSS JOIN wanted ON wanted.name = run_check.name AND wanted.metric = reading.metric
    AND wanted.channel IS reading.channel
WHERE run_check.sequence IN (SELECT value FROM json_each(?))
"""


class LeftOut(IntEnum):
    """Why a unit has no value of a reading: what its newest record says."""

    ABSENT = 0
    NOT_MEASURED = 1
    OTHER_STIMULUS = 2
    OTHER_ANALYSIS = 3
    OTHER_UNIT = 4


#: What stands in place of a reason where a unit has a value.
_FOUND = 255


@dataclass(frozen=True)
class WantedReading:
    """A reading that is asked for: of which check (its whole name), of which stimulus, analysed how.

    ``stimulus_sha256`` None is a stimulus that nobody knows, which is no other unit's. Of ``analysis`` those parameters
    count that both records have.
    """

    check: str
    metric: str
    channel: str | None
    unit: str
    stimulus_sha256: str | None
    analysis: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class EarlierReading:
    """Values of a reading, one of each unit that has one, in no order; ``bounds`` are those of them that are bounds.

    ``left_out`` counts the units without a value, by why.
    """

    values: tuple[float, ...]
    bounds: tuple[float, ...]
    left_out: Mapping[LeftOut, int]


@dataclass(frozen=True)
class EarlierUnits:
    """What earlier units measured; ``readings`` are in the order in which they were asked for.

    ``units`` and ``records`` say how many were looked at, ``complete`` whether that is all there are, ``before`` the
    record before which they were stored (None: the whole log). ``tells_bounds`` is False where a value is of an old
    record, which does not say whether it is a bound.
    """

    units: int
    records: int
    complete: bool
    before: int | None
    tells_bounds: bool
    readings: tuple[EarlierReading, ...]


def earlier_units(
    connection: Connection, model: str, serial: str, wanted: Sequence[WantedReading], before: int | None
) -> EarlierUnits:
    """Return the values of all units of a model but one, of each unit its newest that was measured and is not void.

    Runs that judged the station by a unit that is known (golden, challenge) are left out.

    Parameters
    ----------
    connection : Connection
        In a transaction that reads.
    model, serial : str
        The model, and the unit that is left out.
    wanted : sequence of WantedReading
    before : int, optional
        Only records before this one.
    """
    gathered = _Gathered(connection, wanted)
    query = select(run.c.sequence, run.c.serial).where(run.c.model == model, judges_a_unit())
    query = query.order_by(run.c.sequence.desc()).limit(_PAGE)
    page = query if before is None else query.where(run.c.sequence < before)
    complete = True
    while complete and (rows := connection.execute(page).all()):
        complete = gathered.add([(row[0], row[1]) for row in rows if row[1] != serial])
        page = query.where(run.c.sequence < rows[-1][0])
    return EarlierUnits(
        gathered.units, gathered.records, complete, before, gathered.tells_bounds, gathered.readings()
    )


class _Gathered:
    """What has been gathered so far: of each reading a value of each unit, or why it has none."""

    def __init__(self, connection: Connection, wanted: Sequence[WantedReading]) -> None:
        self.connection = connection
        self.wanted = wanted
        self.records = 0
        self._most_units = max(1, min(MAX_UNITS, _MAX_VALUES // max(1, len(wanted))))
        self._numbers: dict[str, int] = {}
        self._lacking: list[int] = []
        self._states: list[bytearray] = [bytearray() for _ in wanted]
        self._values: list[list[float]] = [[] for _ in wanted]
        self._bounds: list[list[float]] = [[] for _ in wanted]
        self._other_analysis: dict[str, frozenset[int]] = {}
        self.tells_bounds = True
        self._asked = json.dumps([_texts(item) for item in wanted])

    @property
    def units(self) -> int:
        return len(self._numbers)

    def add(self, page: Iterable[tuple[int, str]]) -> bool:
        """Read a page of records; return False where there is more than is read."""
        units: dict[int, int] = {}
        whole = True
        for sequence, serial in page:
            is_new = serial not in self._numbers
            if is_new and self.units >= self._most_units:
                whole = False
                break
            number = self._new_unit(serial) if is_new else self._numbers[serial]
            if not self._lacking[number]:
                continue
            if self.records >= MAX_RECORDS:
                whole = False
                break
            self.records += 1
            units[sequence] = number
        self._read(units)
        return whole

    def _new_unit(self, serial: str) -> int:
        number = self._numbers[serial] = len(self._numbers)
        self._lacking.append(len(self.wanted))
        for states in self._states:
            states.append(LeftOut.ABSENT)
        return number

    def _read(self, units: Mapping[int, int]) -> None:
        """Take from records (number: unit) what their units lack yet, the newest record first."""
        if not units:
            return
        other = self._differently_analysed(units)
        rows = self.connection.exec_driver_sql(_READINGS, (self._asked, json.dumps(list(units)))).all()
        for sequence, wanted, value, is_bound, void, same_stimulus, same_unit in sorted(
            rows, key=lambda row: row[0], reverse=True
        ):
            unit, states = units[sequence], self._states[wanted]
            if states[unit] == _FOUND:
                continue
            left_out = {
                LeftOut.OTHER_UNIT: not same_unit,
                LeftOut.OTHER_STIMULUS: not same_stimulus,
                LeftOut.OTHER_ANALYSIS: wanted in other[sequence],
                LeftOut.NOT_MEASURED: value is None or void,
            }
            reason = next((reason for reason, holds in left_out.items() if holds), None)
            if reason is not None:
                states[unit] = states[unit] or reason
                continue
            states[unit] = _FOUND
            self._lacking[unit] -= 1
            self._values[wanted].append(float(value))
            self.tells_bounds = self.tells_bounds and is_bound is not None
            if is_bound:
                self._bounds[wanted].append(float(value))

    def _differently_analysed(self, sequences: Iterable[int]) -> dict[int, frozenset[int]]:
        """Return which of the readings each record has analysed otherwise than is asked for."""
        query = select(run.c.sequence, run.c.limits_digest).where(run.c.sequence.in_(list(sequences)))
        digests = {row[0]: row[1] for row in self.connection.execute(query)}
        for digest in set(digests.values()) - self._other_analysis.keys():
            content = self.connection.scalar(select(limits.c.content).where(limits.c.digest == digest))
            self._other_analysis[digest] = self._otherwise(json.loads(content or '{"checks": []}'))
        return {sequence: self._other_analysis[digest] for sequence, digest in digests.items()}

    def _otherwise(self, content: Mapping[str, Any]) -> frozenset[int]:
        analyses = {check["name"]: check.get("analysis", {}) for check in content["checks"]}
        return frozenset(
            number
            for number, item in enumerate(self.wanted)
            if _differ(item.analysis, analyses.get(item.check, {}))
        )

    def readings(self) -> tuple[EarlierReading, ...]:
        """Return what was gathered, in the order in which it was asked for."""
        return tuple(
            EarlierReading(
                tuple(values),
                tuple(bounds),
                {reason: states.count(reason) for reason in LeftOut if states.count(reason)},
            )
            for values, bounds, states in zip(self._values, self._bounds, self._states, strict=True)
        )


def _texts(item: WantedReading) -> list[str | None]:
    """Return what a reading is found by, as the log has it; a text with a NUL, where SQLite's JSON ends, finds none."""
    texts = (item.check, item.metric, item.channel, item.unit, item.stimulus_sha256)
    if any(text is not None and "\0" in text for text in texts):
        return [None] * len(texts)
    return [None if text is None else encodable(text) for text in texts]


def _differ(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    return any(one[name] != other[name] for name in one.keys() & other.keys())
