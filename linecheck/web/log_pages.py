"""The log in the browser, read only: runs found by what is asked for, a run's page, a unit's attempts, captures."""

from __future__ import annotations

from starlette.routing import Route

from linecheck.limits.model import LimitFile
from linecheck.station.config.station import Station


def log_routes(station: Station, limits: LimitFile) -> list[Route]:
    """Return the addresses of the log's pages."""
    return []
