"""``linecheck serve``: the station with a screen in the browser."""

from __future__ import annotations

import click

from linecheck.cli.options import fault_option, limits_option, study_option
from linecheck.cli.result_options import strict_option
from linecheck.errors import ExitStatus, UsageError
from linecheck.line.process import StationOrder
from linecheck.statistics.gauge.plan import read_plan
from linecheck.web.serve import kiosk_command, require_libraries, serve


@click.command(name="serve")
@click.option(
    "--station",
    "station_paths",
    metavar="FILE",
    multiple=True,
    required=True,
    help="Station config (TOML); repeat it for several nests.",
)
@limits_option
@click.option(
    "--host", default="127.0.0.1", metavar="ADDRESS", help="Address to serve; another one needs --token-file."
)
@click.option("--port", default=8460, type=click.IntRange(1, 65535), help="Port to serve.")
@click.option("--token-file", metavar="FILE", help="A file with a secret that every browser must give once.")
@click.option("--out", metavar="DIR", help="Folder for the files of every run [default: the station's].")
@strict_option
@fault_option
@click.option("--keep-captures", is_flag=True, help="Keep the captures, whatever the verdict.")
@study_option
@click.option("--kiosk", is_flag=True, help="Print the command that starts Chromium full screen, and end.")
def command(
    station_paths: tuple[str, ...],
    limits_path: str,
    host: str,
    port: int,
    token_file: str | None,
    out: str | None,
    strict: bool,
    faults: tuple[str, ...],
    keep_captures: bool,
    study_path: str | None,
    kiosk: bool,
) -> ExitStatus:
    """Test unit after unit on a station with a screen in the browser, operated by the scanner alone.

    The first page that is opened operates the station, further ones watch. /codes has the control codes to print,
    /shift what the shift has done, /runs the log. Ending the server ends the run under way: it is recorded as aborted.

    Exit status: 0 it was ended, 2 a wrong command or file (nothing was served), 3 the address is taken.
    """
    require_libraries()
    if kiosk:
        click.echo(kiosk_command(host, port))
        return ExitStatus.PASS
    if study_path is not None and len(station_paths) > 1 and not read_plan(study_path).is_by_place:
        raise UsageError(
            "--study: this plan is for one nest at a time; several are compared by one of nests or stations"
        )
    orders = [
        StationOrder(path, limits_path, out, strict, keep_captures, faults, study=study_path)
        for path in station_paths
    ]
    serve(orders, host, port, token_file, _tell)
    return ExitStatus.PASS


def _tell(address: str) -> None:
    click.echo(f"the station's screen is at {address} (Ctrl-C ends it)")
