"""Which stations the runs of a log name, and from when to when: what the server notes in ``chain_station``."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from sqlalchemy import Connection, text

from linecheck.files.text import visible
from linecheck.log.fetch import Record
from linecheck.log.sync.layout import SCHEMA, original_text, stored_text

__all__ = ["Period", "period_faults", "station_periods"]


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
            named[station] = named[station].with_next(own) if station in named else own
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
