"""``linecheck run``: test one unit, or unit after unit, on a station."""

from __future__ import annotations

from pathlib import Path

import click

from linecheck.cli.display.console import Console
from linecheck.cli.display.line_screen import LineScreen
from linecheck.cli.display.result import Screen
from linecheck.cli.options import everything_option, fault_option, limits_option, station_option, study_option
from linecheck.cli.prompts import Prompt, scan_on_input
from linecheck.cli.result_options import result_options, strict_option
from linecheck.cli.unit_facts import unit_facts
from linecheck.errors import ExitStatus, UsageError
from linecheck.line.hand_over import handing_over
from linecheck.line.sending import sending
from linecheck.line.session import opened_session
from linecheck.line.unit_trace import UnitFacts
from linecheck.results.files import ResultFiles
from linecheck.results.formats import result_formats
from linecheck.station.config.load import load_station


@click.command(name="run")
@station_option
@limits_option
@click.option("--serial", metavar="S", help="Serial number of the unit.")
@click.option(
    "--scan", is_flag=True, help="Read serial numbers from standard input and test unit after unit."
)
@unit_facts
@click.option("--out", metavar="DIR", help="Folder for the files of every run [default: the station's].")
@result_options(as_well=True)
@strict_option
@fault_option
@everything_option
@click.option("--keep-captures", is_flag=True, help="Keep the captures, whatever the verdict.")
@study_option
def command(
    station_path: str,
    limits_path: str,
    serial: str | None,
    scan: bool,
    facts: UnitFacts,
    out: str | None,
    files: ResultFiles,
    strict: bool,
    faults: tuple[str, ...],
    keep_captures: bool,
    study_path: str | None,
) -> ExitStatus:
    """Test one unit (--serial), or unit after unit (--scan), on a station.

    Every run is recorded in the station's log before its verdict is shown. Its result (JSON, JUnit XML) and
    the captures that are kept go to DIR/SERIAL/TIME-RUN; captures go to the archive where the station has one.
    Paths, including those in the station config, are relative to the current folder.

    Exit status: 0 pass or marginal, 1 fail, 2 a wrong command or file (nothing was run), 3 invalid or
    aborted. With --scan: 1 where any unit failed, else 3 where any run was invalid or aborted or nothing was
    run, else 0. With --study a fail is no fault: 0 where all were measured.
    """
    if (serial is None) == (not scan):
        raise UsageError("give either --serial S or --scan")
    if scan and files.paths:
        *others, last = (f"--{name}" for name in result_formats())
        raise UsageError(
            f"{', '.join(others)} and {last} name one file each; with --scan every run's files go to --out"
        )
    if scan and facts.override is not None:
        raise UsageError("--override allows one run of one unit: give it with --serial")
    if study_path is not None and (facts.override is not None or facts.reason is not None):
        raise UsageError("a gauge study has no retests: leave out --reason and --override")

    station = load_station(station_path)
    console = LineScreen(strict=strict) if scan and Screen.of_stdout().large else Console()
    prompt = Prompt(console.paused)
    with (
        opened_session(
            station,
            limits_path,
            serial,
            files=files,
            out=None if out is None else Path(out),
            faults=faults,
            strict=strict,
            keep_captures=keep_captures,
            people=prompt,
            listener=console,
            study=study_path,
        ) as session,
        sending(station.config, console, one_unit=serial is not None) as tell_of_sending,
        handing_over(session.log, station.config, console, one_unit=serial is not None) as beside,
    ):
        if serial is not None:
            test = session.test if study_path is None else session.measure
            return test(serial, facts, serial).status
        return scan_on_input(session, facts, prompt, tell_of_sending, beside)
