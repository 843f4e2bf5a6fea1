"""The log in the browser, read only: runs found by what is asked for, a run, a unit's attempts, captures, the gates.

A run's page is made of its record in a moment; the page with its figures takes a second and is made by a process of its
own, which gives way to everything else.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property, wraps
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from linecheck.errors import LinecheckError, UsageError
from linecheck.files.text import visible
from linecheck.files.times import parsed_time, utc_text
from linecheck.gates.gatekeeper import Gatekeeper
from linecheck.gates.statements import GATE, SELF_CHECK
from linecheck.history.rejudge.remeasure import captures_archived, captures_kept
from linecheck.limits.model import LimitFile
from linecheck.limits.verdict import Verdict
from linecheck.line.cures import cures
from linecheck.log import LogReader, RunFilter
from linecheck.log.archive import Archive
from linecheck.log.statements import find_statements
from linecheck.report.values import judged_values, unmeasured
from linecheck.results.rows import RANKS, rows_of
from linecheck.results.wording import findings
from linecheck.run.causes import causes_of
from linecheck.run.facts import FACTS, fact_texts
from linecheck.run.model import Run
from linecheck.run.settle import listed_problems
from linecheck.station.config.station import Station
from linecheck.web.guard import PAPER_POLICY
from linecheck.web.render import rendered

ON_A_PAGE: Final = 50
#: Attempts that stand side by side, the newest.
MAX_BESIDE: Final = 6
MAX_STATEMENTS: Final = 50
MAX_NAME: Final = 128
#: Days that the page of the line shows.
LINE_DAYS: Final = 7
#: Files that hold a capture.
AUDIO: Final = frozenset({".wav", ".flac"})
#: What runs are found by, in the order of the form.
FOUND_BY: Final = ("serial", "lot", "cause", "failed", "verdict", "since", "until")
VERDICTS: Final = ("pass", "hold", "marginal", "fail", "invalid", "aborted")


def log_routes(station: Station, limits: LimitFile) -> list[Route]:
    """Return the addresses of the log's pages."""
    pages = _LogPages(station, limits)
    return [
        Route("/runs", _answered(pages.runs)),
        Route("/runs/{run}", _answered(pages.run)),
        Route("/runs/{run}/report", pages.report),
        Route("/runs/{run}/captures/{file}", _answered(pages.capture)),
        Route("/units/{serial}", _answered(pages.unit)),
        Route("/standing", _answered(pages.standing)),
        Route("/line", pages.line),
    ]


def _answered(page: Callable[[Request], Response]) -> Callable[[Request], Response]:
    """Return a page that says what is wrong with what was asked, or with the log, in words."""

    @wraps(page)
    def answered(request: Request) -> Response:
        try:
            return page(request)
        except UsageError as error:
            return _said(str(error), 404)
        except LinecheckError as error:
            return _said(str(error), 503)

    return answered


def _said(why: str, status: int) -> Response:
    page = rendered("said.html", why=why)
    page.status_code = status
    return page


@dataclass
class _LogPages:
    """Pages of the log of a station."""

    station: Station
    limits: LimitFile
    _report: ProcessPoolExecutor | None = field(default=None)

    def _log(self) -> LogReader:
        return LogReader(self.station.config.records.database)

    def runs(self, request: Request) -> Response:
        """Return the runs that are asked for, a page of them, the newest first."""
        asked = {name: request.query_params.get(name, "").strip()[:MAX_NAME] for name in FOUND_BY}
        before = request.query_params.get("before", "")
        last = int(before) if before.isascii() and before.isdigit() and len(before) < 18 else None
        wrong, found = "", []
        try:
            wanted = _filter(asked)
        except UsageError as error:
            wrong = str(error)
        else:
            with self._log() as log:
                found = list(log.runs(wanted, limit=ON_A_PAGE + 1, before=last))
        rows = [_listed(run) for run in found[:ON_A_PAGE]]
        more = found[ON_A_PAGE - 1].logged.sequence if len(found) > ON_A_PAGE else None
        page = rendered("runs.html", asked=asked, runs=rows, more=more, wrong=wrong, verdicts=VERDICTS)
        page.status_code = 400 if wrong else 200
        return page

    def run(self, request: Request) -> Response:
        """Return a run: its verdict, the causes, all judged values, what stands in its record."""
        with self._log() as log:
            run = log.record(log.find(request.path_params["run"][:MAX_NAME]))
            statements = log.statements_about(run.run_id)
        rows = rows_of(run)
        facts = {
            name: text
            for fact in FACTS
            for name, text in fact_texts(fact, run).items()
            if fact.name != "causes"
        }
        return rendered(
            "run.html",
            run=run,
            causes=causes_of(run),
            findings=findings(run.checks, run.missing, run.problems, once=True)[:20],
            values=judged_values(rows),
            unmeasured=unmeasured(rows),
            problems=[
                (check or "", problem.message)
                for check, problem in listed_problems(run.checks, run.missing, run.problems)
            ][:50],
            facts=facts,
            statements=statements[:MAX_STATEMENTS],
            captures=self._captures(run),
        )

    def _captures(self, run: Run) -> dict[str, Path]:
        """Return the files of the run's captures that are here, by name."""
        config = self.station.config
        finders = [captures_kept(Path(config.records.folder))]
        finders += [] if config.archive is None else [captures_archived(Archive(config.archive.folder))]
        for find in finders:
            folder = find(run)
            if folder is not None and folder.is_dir():
                return {path.name: path for path in sorted(folder.iterdir()) if path.suffix in AUDIO}
        return {}

    def capture(self, request: Request) -> Response:
        """Return a kept capture as the file that it is."""
        with self._log() as log:
            run = log.record(log.find(request.path_params["run"][:MAX_NAME]))
        name = request.path_params["file"]
        path = self._captures(run).get(name)
        if path is None:
            raise UsageError(f"no capture {visible(name[:80])} is kept of this run")
        return FileResponse(path, filename=f"{run.serial}-{name}")

    async def report(self, request: Request) -> Response:
        """Return a run's page with its figures."""
        return await self._made(_report_page, request.path_params["run"][:MAX_NAME])

    async def line(self, request: Request) -> Response:
        """Return the line at a glance, of the last days: ``?days=7``."""
        days = request.query_params.get("days", "")
        is_number = days.isascii() and days.isdigit() and len(days) < 5
        return await self._made(_line_page, int(days) if is_number else LINE_DAYS)

    async def _made(self, make: Callable[[str, Any], str], what: str | int) -> Response:
        """Return a page that takes a second or more, made by a process of its own."""
        loop, database = asyncio.get_running_loop(), self.station.config.records.database
        try:
            text = await loop.run_in_executor(self._reporter, make, database, what)
        except LinecheckError as error:
            return _said(str(error), 404 if isinstance(error, UsageError) else 503)
        return Response(text, media_type="text/html", headers={"Content-Security-Policy": PAPER_POLICY})

    @cached_property
    def _reporter(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(1, get_context("spawn"), initializer=_give_way)

    def unit(self, request: Request) -> Response:
        """Return the attempts of a unit side by side."""
        serial = request.path_params["serial"][:MAX_NAME]
        with self._log() as log:
            numbers = log.attempts_of(serial, self.limits.model, limit=MAX_BESIDE + 1)
            if not numbers:
                raise UsageError(f"no run of {visible(serial)} is in the log")
            runs = [log.record(number) for number in reversed(numbers[:MAX_BESIDE])]
        return rendered(
            "unit.html",
            serial=serial,
            runs=runs,
            causes=[causes_of(run) for run in runs],
            rows=_side_by_side(runs),
            more=len(numbers) > MAX_BESIDE,
        )

    def standing(self, request: Request) -> Response:
        """Return where the station stands, and what led to it."""
        config = self.station.config
        with self._log() as log:
            standing = Gatekeeper(log, self.station, self.limits).standing()
            with log.reading() as connection:
                led = find_statements(connection, (GATE, SELF_CHECK), limit=MAX_STATEMENTS)
        mine = [each for each in led if each.subject.split("/")[0] == config.station]
        return rendered(
            "standing.html",
            station=config.station,
            standing=standing,
            cures=cures(standing, config),
            statements=mine,
            moment=datetime.fromisoformat,
        )


def _filter(asked: dict[str, str]) -> RunFilter:
    """Return what runs are found by.

    Raises
    ------
    UsageError
        A time is none.
    """
    verdict = asked["verdict"]
    if verdict and verdict not in VERDICTS:
        raise UsageError(f"{verdict!a} is no verdict: {', '.join(VERDICTS)}")
    return RunFilter(
        serial=asked["serial"] or None,
        facts={"lot": asked["lot"]} if asked["lot"] else {},
        cause=asked["cause"] or None,
        failed=(asked["failed"],) if asked["failed"] else (),
        verdicts=(verdict,) if verdict else (),
        since=parsed_time(asked["since"], "since") if asked["since"] else None,
        until=parsed_time(asked["until"], "until", end=True) if asked["until"] else None,
    )


def _listed(run: Any) -> dict[str, Any]:  # noqa: ANN401 - a run's header
    causes = causes_of(run) if run.verdict is not Verdict.ABORTED else None
    return {
        "sequence": run.logged.sequence,
        "run_id": run.run_id,
        "serial": run.serial,
        "attempt": run.logged.attempt,
        "state": run.state,
        "cause": "" if causes is None or not causes.stands_out else causes.first.text,
        "lot": run.lot or "",
        "purpose": run.purpose,
        "finished": run.finished,
    }


def _side_by_side(runs: list[Run]) -> list[dict[str, Any]]:
    """Return each judged metric with what each attempt has of it; those that ever did not pass first."""
    found: dict[tuple[str, str], list[dict[str, Any] | None]] = {}
    for at, run in enumerate(runs):
        for value in judged_values(rows_of(run)):
            beside = found.setdefault((value["check"], value["name"]), [None] * len(runs))
            beside[at] = value
    rows = [{"check": check, "name": name, "values": values} for (check, name), values in found.items()]
    return sorted(rows, key=lambda row: min(_rank(value) for value in row["values"]))


def _rank(value: dict[str, Any] | None) -> int:
    word = None if value is None else value["badge"]
    known = next((verdict for verdict in Verdict if verdict == word), None)
    return RANKS.index(known) if known in RANKS else len(RANKS)


def _give_way() -> None:
    """Let everything else on this computer go first: a test may be under way."""
    os.nice(10)


def _line_page(database: str, days: int) -> str:
    """Return the page of a line; called in a process of its own."""
    from linecheck.report.render import line_page
    from linecheck.statistics.columns import Place, open_columns
    from linecheck.statistics.line import COLUMNS, line_of

    since = utc_text(datetime.now(UTC) - timedelta(days=days))
    wanted = RunFilter(purpose="unit", since=since)
    with open_columns(Place(logs=(database,)), wanted, columns=COLUMNS) as columns:
        return line_page(line_of(columns))


def _report_page(database: str, name: str) -> str:
    """Return a run's page with figures; called in a process of its own."""
    from linecheck.report.render import run_page

    with LogReader(database) as log:
        return run_page(log.record(log.find(name)))
