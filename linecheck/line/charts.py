"""The station's control charts after a run: what signals is in the log before it is told."""

from __future__ import annotations

import logging
from typing import Any

from sqlalchemy import Connection

from linecheck.errors import LinecheckError
from linecheck.gates.chart_signals import CHART_SIGNAL
from linecheck.line.events import ChartSignalled, LineEvent, Note
from linecheck.log import Log
from linecheck.statistics.charts.follow import follow

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())


def followed(log: Log, station: str, *, locks: bool) -> list[LineEvent]:
    """Put what is new on the charts, state each signal, and return what is told of it.

    A chart that cannot be kept up stops no unit: it is told, and what is new stays new for the next time.
    """
    found: list[tuple[str, dict[str, Any]]] = []

    def find(connection: Connection) -> list[tuple[str, dict[str, Any]]]:
        found[:] = follow(connection, station, locks=locks)
        return found

    try:
        heads = log.state_found(CHART_SIGNAL, find)
    except LinecheckError as error:
        return [Note(f"control charts were not kept up: {error}")]
    except Exception as error:
        _log.exception("control charts were not kept up")
        return [Note(f"control charts were not kept up: {type(error).__name__}: {error}")]
    return [
        ChartSignalled(said["chart"], said["says"], head.sequence, locks)
        for (_, said), head in zip(found, heads, strict=True)
    ]
