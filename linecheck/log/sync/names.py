"""Two logs that name the same station: noticed where both are, and settled by whoever states which one is right.

A station's name is in its config, and configs are copied. Two logs of one name are two chains, and both are kept. Where
the times of their runs overlap, two benches have called themselves by that name: each sending and each check says so,
until somebody states which log is that station's. That is a statement in this log's own chain, of kind
``station_log``: its subject is the station, its content names the others and how far they had come. What another of
them records under the name after that is said again.
"""

from __future__ import annotations

import json
import shlex
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import Connection, text

from linecheck.errors import UsageError
from linecheck.files.text import visible
from linecheck.log.fetch import Record
from linecheck.log.sync.layout import SCHEMA, original_text, stored_text

#: The kind of statement by which a log is said to be a station's.
STATION_LOG = "station_log"


class Namesake(NamedTuple):
    """One of the logs that name a station: whose it is, and what it recorded under that name."""

    chain: str
    host: str
    first_sequence: int
    first_recorded: str
    last_sequence: int
    last_recorded: str

    def __str__(self) -> str:
        """Return what tells it from the other."""
        return visible(
            f"log {self.chain[:12]} sent from {self.host} (records {self.first_sequence} to {self.last_sequence}, "
            f"{self.first_recorded[:19]}Z to {self.last_recorded[:19]}Z)"
        )


@dataclass(frozen=True)
class NameConflict:
    """Two logs that name the same station at the same time, and whether both were stated to be right."""

    station: str
    one: Namesake
    other: Namesake
    both_claimed: bool

    def __str__(self) -> str:
        """Return a warning that says what to do."""
        claimed = " Both were stated to be that station's." if self.both_claimed else ""
        return (
            f"two logs name the station {visible(self.station)}: {self.one}, and {self.other}.{claimed} Both are kept. "
            "Give one of them another name in its station config, and state on the right one: "
            f"linecheck sync --this-is {shlex.quote(visible(self.station))} --by NAME --reason TEXT"
        )


def name_conflicts(connection: Connection, chain: str | None = None) -> tuple[NameConflict, ...]:
    """Return which logs name the same station at the same time; only those of one chain, where it is given."""
    query = text(
        "SELECT a.station, "
        "a.chain, ca.last_host, a.first_sequence, a.first_recorded, a.last_sequence, a.last_recorded, "
        "b.chain, cb.last_host, b.first_sequence, b.first_recorded, b.last_sequence, b.last_recorded "
        f"FROM {SCHEMA}.chain_station a JOIN {SCHEMA}.chain_station b ON a.station = b.station AND a.chain < b.chain "
        "AND a.first_recorded <= b.last_recorded AND b.first_recorded <= a.last_recorded "
        f"JOIN {SCHEMA}.chain ca ON ca.chain = a.chain JOIN {SCHEMA}.chain cb ON cb.chain = b.chain "
        "WHERE cast(:chain AS text) IS NULL OR :chain IN (a.chain, b.chain) ORDER BY a.station, a.chain, b.chain"
    )
    found = []
    for station, *rest in connection.execute(query, {"chain": chain}):
        one, other = _namesake(rest[:6]), _namesake(rest[6:])
        claims = _claims(connection, station)
        mine, theirs = _covers(claims, one.chain, other), _covers(claims, other.chain, one)
        if mine == theirs:
            found.append(NameConflict(original_text(station), one, other, mine))
    return tuple(found)


def claim_content(
    connection: Connection, chain: str, station: str, by: str, reason: str
) -> Mapping[str, Any]:
    """Return what is stated where a log is said to be a station's.

    Raises
    ------
    UsageError
        No other log names that station at the same time.
    """
    others = [
        other
        for conflict in name_conflicts(connection, chain)
        if conflict.station == station
        for other in (conflict.one, conflict.other)
        if other.chain != chain
    ]
    if not others:
        raise UsageError(
            f"--this-is {visible(station)}: no other log names this station while this one does, "
            "so nothing is to be stated"
        )
    return {
        "station": station,
        "over": [{"chain": other.chain, "up_to": other.last_sequence} for other in others],
        "by": by,
        "reason": reason,
    }


def _namesake(values: Iterable[Any]) -> Namesake:
    restored: list[Any] = [original_text(value) if isinstance(value, str) else value for value in values]
    return Namesake(*restored)


def _claims(connection: Connection, station: str) -> dict[str, dict[str, int]]:
    """Return what was stated of a station: chain -> other chains and how far these had come."""
    query = text(
        f"SELECT chain, content FROM {SCHEMA}.statement WHERE kind = :kind AND subject = :station ORDER BY sequence"
    )
    found: dict[str, dict[str, int]] = {}
    for chain, content in connection.execute(query, {"kind": STATION_LOG, "station": station}):
        found.setdefault(chain, {}).update(_claimed(content))
    return found


def _claimed(content: str) -> dict[str, int]:
    """Return what one statement says of other chains; one that cannot be understood says nothing."""
    try:
        return {str(entry["chain"]): int(entry["up_to"]) for entry in json.loads(content)["over"]}
    except (ValueError, TypeError, KeyError, RecursionError, OverflowError):
        return {}


def _covers(claims: Mapping[str, Mapping[str, int]], chain: str, other: Namesake) -> bool:
    return claims.get(chain, {}).get(other.chain, 0) >= other.last_sequence


class Period(NamedTuple):
    """From which record to which a log names a station; times are UTC texts."""

    first_sequence: int
    first_recorded: str
    last_sequence: int
    last_recorded: str

    def with_next(self, later: Period) -> Period:
        """Return what two come to, of which the other begins later in the log; clocks may step back."""
        return Period(
            self.first_sequence,
            min(self.first_recorded, later.first_recorded),
            later.last_sequence,
            max(self.last_recorded, later.last_recorded),
        )


def station_periods(
    records: Iterable[Record], before: Mapping[str, Period] | None = None
) -> dict[str, Period]:
    """Return what records name, by station as the server stores it, after what those before them named."""
    named = dict(before or {})
    for record in records:
        if record.is_run and record.row["station"] is not None:
            station, recorded = stored_text(record.row["station"]), stored_text(record.row["recorded"])
            own = Period(record.sequence, recorded, record.sequence, recorded)
            named[station] = named.get(station, own).with_next(own)
    return named


def period_faults(connection: Connection, chain: str, expected: Mapping[str, Period]) -> Iterator[str]:
    """Yield where the server's notes are not what the records of a chain come to."""
    query = text(
        f"SELECT station, {', '.join(Period._fields)} FROM {SCHEMA}.chain_station WHERE chain = :chain"
    )
    noted = {row[0]: Period(*row[1:]) for row in connection.execute(query, {"chain": chain})}
    for station in sorted(expected.keys() | noted.keys()):
        name, is_noted = visible(original_text(station)), station in noted
        if station not in expected:
            yield f"chain_station names the station {name}, which no record of this log names"
        elif noted.get(station) != expected[station]:
            said = "is not what the records say" if is_noted else "is missing"
            yield (
                f"the row of the station {name} in chain_station {said}: it was changed or removed at the server, and "
                "another log of that name would go unnoticed"
            )
