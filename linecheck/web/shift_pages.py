"""What the shift asks: counted from the log each time, for the screen, as a page and as CSV."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from linecheck.errors import LinecheckError
from linecheck.history.shift import ShiftRun, runs_of_shift, shift_since, summed
from linecheck.log import LogReader
from linecheck.report.render import shift_page
from linecheck.report.shift_page import shift_csv
from linecheck.station.config.station import Station
from linecheck.web.guard import PAPER_POLICY


def _names(stations: Sequence[Station]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(station.config.station for station in stations))


def _runs(stations: Sequence[Station], shift: str) -> tuple[ShiftRun, ...]:
    with LogReader(stations[0].config.records.database) as log:
        return runs_of_shift(log, shift_since(shift), stations=_names(stations), shift=shift)


def shift_figures(stations: Sequence[Station], shift: str) -> dict[str, Any]:
    """Return what the screen shows of a shift, as plain data."""
    counted = summed(_runs(stations, shift))
    return {
        "span": f"shift {shift}" if shift else "today",
        "units": counted.units,
        "first_judged": counted.first_judged,
        "first_passed": counted.first_passed,
        "yield": counted.first_pass_yield,
        "takt_last": counted.takt_last,
        "takt_median": counted.takt_median,
        "takt_target": stations[0].config.screen.takt_seconds,
        "last": [{"serial": run.serial, "state": run.state, "cause": run.cause} for run in counted.last],
    }


def shift_routes(stations: Sequence[Station]) -> list[Route]:
    """Return the addresses of the shift's page, and of its runs as CSV; ``?shift=NAME`` names one."""

    def answer(request: Request) -> Response:
        shift = request.query_params.get("shift", "")[:60]
        try:
            runs = _runs(stations, shift)
        except LinecheckError as error:
            return PlainTextResponse(f"{error}\n", 503)
        if request.url.path.endswith(".csv"):
            attached = {"Content-Disposition": 'attachment; filename="shift.csv"'}
            return Response(shift_csv(runs), media_type="text/csv", headers=attached)
        page = shift_page(
            summed(runs), ", ".join(_names(stations)), shift, shift_since(shift), datetime.now(UTC)
        )
        return Response(page, media_type="text/html", headers={"Content-Security-Policy": PAPER_POLICY})

    return [Route("/shift", answer), Route("/shift.csv", answer)]
