"""What the shift asks: counted from the log each time, for the screen, as a page and as CSV."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from linecheck.errors import LinecheckError
from linecheck.history.shift import ShiftSummary, runs_of_shift, summed
from linecheck.log import LogReader
from linecheck.station.config.station import Station
from linecheck.web.render import rendered

#: No shift is longer: a name of it in the log before that is another day's.
MAX_SHIFT: Final = timedelta(hours=16)


def shift_since(shift: str) -> datetime:
    """Return since when the runs of a shift count: of one with a name some hours, else since midnight here."""
    now = datetime.now().astimezone()
    return now - MAX_SHIFT if shift else now.replace(hour=0, minute=0, second=0, microsecond=0)


def shift_summary(station: Station, shift: str) -> ShiftSummary:
    """Return what is counted of a shift at a station."""
    with LogReader(station.config.records.database) as log:
        return summed(runs_of_shift(log, shift_since(shift), station=station.config.station, shift=shift))


def shift_figures(station: Station, shift: str) -> dict[str, Any]:
    """Return what the screen shows of a shift, as plain data."""
    counted = shift_summary(station, shift)
    return {
        "units": counted.units,
        "first_judged": counted.first_judged,
        "first_passed": counted.first_passed,
        "yield": counted.first_pass_yield,
        "takt_last": counted.takt_last,
        "takt_median": counted.takt_median,
        "takt_target": station.config.screen.takt_seconds,
        "last": [{"serial": run.serial, "state": run.state, "cause": run.cause} for run in counted.last],
    }


def shift_routes(station: Station) -> list[Route]:
    """Return the addresses of the shift's page."""

    def page(request: Request) -> Response:
        shift = request.query_params.get("shift", "")[:60]
        try:
            counted = shift_summary(station, shift)
        except LinecheckError as error:
            return PlainTextResponse(f"{error}\n", 503)
        return rendered(
            "shift.html",
            counted=counted,
            shift=shift,
            station=station.config.station,
            since=shift_since(shift),
        )

    return [Route("/shift", page)]
