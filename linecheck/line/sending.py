"""Sending the log while units are tested, if the station config names a server."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime

from linecheck.errors import LinecheckError
from linecheck.line.events import Listener, SyncMessage
from linecheck.station.config.station import StationConfig


@contextmanager
def sending(config: StationConfig, listener: Listener, *, one_unit: bool) -> Iterator[Callable[[], None]]:
    """Send the log while units are tested inside, or, for a single unit, once it is tested.

    Gives a function that tells what there is to say of it; called where that disturbs nobody. Nothing of this waits for
    the network, or changes what a command ends with.
    """
    to, location = config.sync.to, config.records.database
    if to is None:
        yield _nothing
        return
    from linecheck.log.sync.background import BackgroundSync
    from linecheck.log.sync.target import Target

    exposed = Target.parsed(to, "[sync] to").exposed(os.environ)
    _tell([exposed] if exposed is not None else [], listener)
    beside = BackgroundSync(location, to, config.sync.every_seconds)
    if not one_unit:
        with beside:
            yield lambda: _tell(beside.said(), listener)
        _tell(beside.said(), listener)
        return
    try:
        yield _nothing
    finally:
        beside.send_once()
        _tell(beside.said(), listener)
        _tell(_unsent(location, to), listener)


def _nothing() -> None:
    """Say nothing."""


def _tell(lines: Iterable[str], listener: Listener) -> None:
    for line in lines:
        listener(SyncMessage(line))


def _unsent(location: str, to: str) -> Iterator[str]:
    """Yield a note if records have waited for long: after a single unit nobody hears what comes of sending."""
    from linecheck.log.sync.local import unsent_for_long

    with suppress(LinecheckError):
        waiting = unsent_for_long(location, to, datetime.now(UTC))
        if waiting is not None:
            yield waiting
