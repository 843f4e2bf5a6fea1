"""``linecheck station golden`` and ``challenge``: units known to be good or bad, by which a station is judged."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import click

from linecheck.cli.display.console import Console
from linecheck.cli.options import collected, fault_option, limits_option, station_option
from linecheck.cli.prompts import Prompt
from linecheck.cli.unit_facts import known_unit_facts
from linecheck.errors import ExitStatus, UsageError
from linecheck.gates.known_units import Accepted
from linecheck.line.hand_over import handing_over
from linecheck.line.known_unit import challenge_unit, judge_by_challenge, judge_by_golden, require_golden
from linecheck.line.session import Session, opened_session
from linecheck.line.unit_trace import UnitFacts
from linecheck.log.signoff import MAX_NAME_LENGTH, MAX_REASON_LENGTH, checked_text
from linecheck.station.config.load import load_station
from linecheck.station.config.station import Station

_serial_option = click.option("--serial", required=True, metavar="S", help="Serial number of the unit.")


@contextmanager
def _session(station: Station, limits_path: str, serial: str, faults: tuple[str, ...]) -> Iterator[Session]:
    """Open a session for one unit on a terminal."""
    console = Console()
    people = Prompt(console.paused)
    opened = opened_session(station, limits_path, serial, faults=faults, people=people, listener=console)
    with opened as session, handing_over(session.log, station.config, console, one_unit=True):
        yield session


def _accepted(accept: bool, add: bool, by: str | None, reason: str | None) -> Accepted | None:

    if not accept:
        if add or by is not None or reason is not None:
            raise UsageError("--add, --by and --reason go with --accept")
        return None
    if by is None or reason is None:
        raise UsageError("--accept takes --by NAME and --reason TEXT: the record says who and why")
    return Accepted(
        checked_text("--by", by, MAX_NAME_LENGTH), checked_text("--reason", reason, MAX_REASON_LENGTH), add
    )


_accept_options = collected(
    (
        click.option(
            "--accept",
            is_flag=True,
            help="Accept this run as the unit's history, to compare later runs with.",
        ),
        click.option("--add", is_flag=True, help="With --accept: add it to the accepted runs."),
        click.option("--by", metavar="NAME", help="With --accept: who accepts."),
        click.option("--reason", metavar="TEXT", help="With --accept: why."),
    ),
    "accepted",
    _accepted,
)


@click.command("golden")
@station_option
@limits_option
@_serial_option
@known_unit_facts
@fault_option
@_accept_options
def golden_command(
    station_path: str,
    limits_path: str,
    serial: str,
    facts: UnitFacts,
    faults: tuple[str, ...],
    accepted: Accepted | None,
) -> ExitStatus:
    """Test a known good unit: it must read as before.

    The unit is one of the station config's [golden]. Its run is recorded as any other and counts for no unit; then its
    readings are compared with the runs that were accepted as its history (--accept), by the margins of [golden], the
    limit file's of regression, or defaults. Whether it has moved is stated in the log before it is shown. A slow drift
    since its first run is shown too, and refuses nothing.

    Exit status: 0 met, 1 not met, 2 a wrong command or file (nothing was run), 3 invalid or aborted, or nothing could
    be stated.
    """
    station = load_station(station_path)
    require_golden(station, serial)
    with _session(station, limits_path, serial, faults) as session:
        return judge_by_golden(session, serial, facts, accepted)


@click.command("challenge")
@station_option
@limits_option
@_serial_option
@known_unit_facts
@fault_option
def challenge_command(
    station_path: str, limits_path: str, serial: str, facts: UnitFacts, faults: tuple[str, ...]
) -> ExitStatus:
    """Test a known bad unit: the station must fail it, for the known reason.

    The unit is one of the station config's [challenge.units]. Its run is recorded as any other and counts for no unit.
    It must fail in all that its must_fail names, and in nothing else where nothing_else says so; a pass, a run that
    judges nothing and another reason count for nothing. The result is stated in the log before it is shown.

    Exit status: 0 met (the unit failed as it must), 1 not met, 2 a wrong command or file (nothing was run), 3 invalid
    or aborted, or nothing could be stated.
    """
    station = load_station(station_path)
    name = challenge_unit(station, serial)
    with _session(station, limits_path, serial, faults) as session:
        return judge_by_challenge(session, name, facts)
