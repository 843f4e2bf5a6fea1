"""``linecheck run``: test one unit, or unit after unit, on a station."""

from __future__ import annotations

from pathlib import Path

import click

from linecheck.cli.set_options import result_options
from linecheck.cli.unit_facts import said_facts, unit_options
from linecheck.errors import UsageError
from linecheck.results.files import ResultFiles
from linecheck.results.formats import result_formats

__all__ = ["command"]


@click.command(name="run")
@click.option("--station", "station_path", required=True, metavar="FILE", help="Station config (TOML).")
@click.option(
    "--limits", "limits_path", required=True, metavar="FILE", help="Limit file of the model (YAML)."
)
@click.option("--serial", metavar="S", help="Serial number of the unit.")
@click.option("--scan", is_flag=True, help="Wait for serial numbers on standard input, unit after unit.")
@unit_options
@click.option("--out", metavar="DIR", help="Folder for the files of every run [default: the station's].")
@result_options(as_well=True)
@click.option("--fault", "faults", multiple=True, metavar="NAME", help="Give the simulated unit a fault.")
@click.option("--keep-captures", is_flag=True, help="Keep the captures, whatever the verdict.")
def command(
    station_path: str,
    limits_path: str,
    serial: str | None,
    scan: bool,
    out: str | None,
    files: ResultFiles,
    strict: bool,
    faults: tuple[str, ...],
    keep_captures: bool,
    **said: str | None,
) -> None:
    """Test one unit (--serial), or unit after unit (--scan), on a station.

    Every run is recorded in the station's log before its verdict is shown. Its result (JSON, JUnit XML) and
    the captures that are kept go to DIR/SERIAL/TIME-RUN; captures go to the archive where the station has one.
    Paths, also those in the station config, are relative to the folder that the command is started in.

    Exit status: 0 pass or marginal, 1 fail, 2 a wrong command or file (nothing was run), 3 invalid or
    aborted. With --scan: 1 where any unit failed, else 3 where any run was invalid or aborted or nothing was
    run, else 0.
    """
    if (serial is None) == (not scan):
        raise UsageError("give either --serial S or --scan")
    if scan and files.paths:
        *others, last = (f"--{name}" for name in result_formats())
        raise UsageError(
            f"{', '.join(others)} and {last} name one file each; with --scan every run's files go to --out"
        )
    facts = said_facts(**said)
    if scan and facts.override is not None:
        raise UsageError("--override lets one run of one unit take place: give it with --serial")

    from linecheck.cli.asking.prompt import Prompt
    from linecheck.cli.asking.scan import scan_on_input
    from linecheck.cli.display.console import Console
    from linecheck.cli.display.line_screen import LineScreen
    from linecheck.cli.display.result import Screen
    from linecheck.line.sending import sending
    from linecheck.line.session import opened_session
    from linecheck.station.config.load import load_station

    station = load_station(station_path)
    console = LineScreen() if scan and Screen.of_stdout().large else Console()
    prompt = Prompt(console.paused)
    with (
        opened_session(
            station,
            limits_path,
            serial,
            files=files,
            out=_path(out),
            faults=faults,
            strict=strict,
            keep_captures=keep_captures,
            people=prompt,
            listener=console,
        ) as session,
        sending(station.config, console, one_unit=serial is not None) as tell_of_sending,
    ):
        if serial is not None:
            status = session.test(serial, facts, serial).status
        else:
            status = scan_on_input(session, facts, prompt, tell_of_sending)
    click.get_current_context().exit(status)


def _path(text: str | None) -> Path | None:
    return Path(text) if text is not None else None
