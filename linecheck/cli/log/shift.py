"""``linecheck log shift``: what a shift has done, on the screen, as a page, on paper and as a table."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from linecheck.cli.display.messages import one_line, print_table
from linecheck.cli.log.filters import parsed_span, short_name
from linecheck.cli.options import LogPlace, log_options
from linecheck.files.text import visible
from linecheck.files.write import check_can_write, write_atomically
from linecheck.history.shift import ShiftSummary, runs_of_shift, shift_since, summed
from linecheck.report.pdf import browser, write_pdf
from linecheck.report.render import shift_page
from linecheck.report.shift_page import count_texts, shift_csv


@click.command("shift")
@log_options
@click.option("--shift", default="", metavar="NAME", help="Only this shift.")
@click.option("--at-station", callback=short_name, help="Only this station.")
@click.option(
    "--since", metavar="TIME", help="Recorded at this date or time (UTC) or later [default: midnight here]."
)
@click.option("--until", metavar="TIME", help="Recorded before this time, or by the end of this date (UTC).")
@click.option("--out", metavar="FILE", help="Also write it as an HTML page.")
@click.option("--pdf", metavar="FILE", help="Also print that page to PDF, with this machine's Chromium.")
@click.option("--csv", "csv_path", metavar="FILE", help="Also write its runs as CSV.")
@click.option("--json", "as_json", is_flag=True, help="Print the counts as JSON.")
def shift_command(
    place: LogPlace,
    shift: str,
    at_station: str | None,
    since: str | None,
    until: str | None,
    out: str | None,
    pdf: str | None,
    csv_path: str | None,
    as_json: bool,
) -> None:
    """Count what a shift has done: units, first-pass yield, causes, takt.

    Without --since it is today's shift: since midnight by this computer's clock, or the last 16 hours where --shift
    names one. Golden and challenge units are not counted; a unit counts once for the first-pass yield, by the first run
    that judged it.
    """
    begin_text, end_text = parsed_span(since, until, ("--since", "--until"))
    begin = datetime.fromisoformat(begin_text) if begin_text is not None else shift_since(shift)
    end = datetime.fromisoformat(end_text) if end_text is not None else None
    for path in filter(None, (out, pdf, csv_path)):
        check_can_write(Path(path))
    program = browser() if pdf else ""
    with place.reader() as opened:
        runs = runs_of_shift(
            opened, begin, until=end, stations=(at_station,) if at_station else (), shift=shift
        )
    counted = summed(runs)
    station = at_station or ", ".join(sorted({run.station for run in runs if run.station})) or "no station"
    if out or pdf:
        page = shift_page(counted, station, shift, begin, end or datetime.now(UTC))
        _write(out, page.encode())
        if pdf:
            write_pdf(page, pdf, program=program)
    _write(csv_path, shift_csv(runs).encode())
    if as_json:
        click.echo(json.dumps(_plain(counted), allow_nan=False))
    else:
        _print(counted, station)
    for path in filter(None, (out, pdf, csv_path)):
        click.echo(visible(path))


def _write(path: str | None, content: bytes) -> None:
    if path:
        write_atomically(Path(path), content)


def _plain(counted: ShiftSummary) -> dict[str, Any]:
    names = ("runs", "units", "first_judged", "first_passed", "first_pass_yield", "takt_last", "takt_median")
    told: dict[str, Any] = {name: getattr(counted, name) for name in names}
    return told | {"states": counted.states, "operators": counted.operators, "causes": dict(counted.causes)}


def _print(counted: ShiftSummary, station: str) -> None:
    click.echo(one_line(f"shift at {station}"))
    for name, text in count_texts(counted):
        click.echo(f"  {name}: {text}")
    if counted.causes:
        print_table(
            ("cause", "runs"), [(one_line(text), str(runs)) for text, runs in counted.causes], right=(1,)
        )
