"""Verifying at the server what is stored there: every hash is computed anew from the rows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

from sqlalchemy import Connection, text

from linecheck.log.station_key import SignedBy
from linecheck.log.stored import Head, Verification
from linecheck.log.sync import stored
from linecheck.log.sync.layout import SCHEMA
from linecheck.log.sync.names import Period, period_faults, station_periods
from linecheck.log.verification.verify import Chain

__all__ = ["check_chain"]

_AT_ONCE = 64


def check_chain(
    connection: Connection,
    chain: str,
    progress: Callable[[int], None] | None = None,
    signed_by: SignedBy | None = None,
) -> Verification:
    """Find out whether a chain is stored as it was sent.

    Shows records that were edited, removed, inserted or moved at the server, records that were cut off at the end
    since the server noted its head, contents (limits, packages) that were changed, and notes of stations
    (``chain_station``) that are not what the records say.

    Parameters
    ----------
    connection : Connection
    chain : str
        The hash of its first record.
    progress : callable, optional
        Called now and then with the number of the last record that was verified.
    signed_by : SignedBy, optional
        Whose signatures the records must have.
    """
    with connection.begin():
        noted = _noted_head(connection, chain)
    verified = Chain(
        lambda table, digest: stored.content(connection, table, digest), noted, signed_by=signed_by
    )
    named: dict[str, Period] = {}
    after: int | None = None
    while True:
        with connection.begin():
            # A station may be sending: its records and what is noted of them are looked at as of one moment.
            connection.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ"))
            found = stored.records_after(connection, chain, after, _AT_ONCE)
            for record in found:
                fault = verified.add(record) or _foreign(chain, verified.head)
                if fault is not None:
                    return verified.found(fault, verified.head.sequence + 1)
            if not found:
                stray = stored.stray_part(connection, chain, stored.head(connection, chain).sequence)
                return replace(verified.end(stray), other_faults=tuple(_notes(connection, chain, named)))
        named = station_periods(found, named)
        after = found[-1].sequence
        if progress is not None:
            progress(after)


def _notes(connection: Connection, chain: str, named: Mapping[str, Period]) -> Iterator[str]:
    """Yield what is wrong with what the server notes of a chain beside its records."""
    if _noted_head(connection, chain) is None:
        yield f"the row of this log in {SCHEMA}.chain is missing: it was removed at the server"
    yield from period_faults(connection, chain, named)


def _foreign(chain: str, head: Head) -> str | None:
    if head.sequence == 1 and head.record_hash != chain:
        return "record 1 is the first one of another log than the one that it is stored under"
    return None


def _noted_head(connection: Connection, chain: str) -> Head | None:
    query = text(f"SELECT head_sequence, head_hash FROM {SCHEMA}.chain WHERE chain = :chain")
    row = connection.execute(query, {"chain": chain}).one_or_none()
    return None if row is None or not row[0] else Head(row[0], row[1])
