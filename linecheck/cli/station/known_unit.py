"""A run of a unit that is known, by which the station is judged: what both kinds of it have in common."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import click

from linecheck.errors import ExitStatus

if TYPE_CHECKING:
    from linecheck.cli.unit_facts import UnitFacts
    from linecheck.gates.known_units import Stated
    from linecheck.line.session import Session, Tested
    from linecheck.run.model import Purpose
    from linecheck.station.config.station import Station

__all__ = ["known_unit_options", "show_standing", "show_stated", "stated_status", "tested_unit"]

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")


def known_unit_options(function: Callable[Parameters, Result]) -> Callable[Parameters, Result]:
    """Add the options of a run of a unit that is known."""
    for option in (
        click.option(
            "--fault", "faults", multiple=True, metavar="NAME", help="Give the simulated unit a fault."
        ),
        click.option("--operator", metavar="O", help="Who runs the test, for the record."),
        click.option("--firmware", metavar="F", help="Firmware of the unit, for the record."),
        click.option("--serial", required=True, metavar="S", help="Serial number of the unit."),
        click.option(
            "--limits", "limits_path", required=True, metavar="FILE", help="Limit file of the model (YAML)."
        ),
        click.option(
            "--station", "station_path", required=True, metavar="FILE", help="Station config (TOML)."
        ),
    ):
        function = option(function)
    return function


def tested_unit(
    stack: ExitStack,
    station: Station,
    limits_path: str,
    serial: str,
    purpose: Purpose,
    facts: UnitFacts,
    faults: tuple[str, ...],
    check: Callable[[Session], None],
) -> tuple[Session, Tested]:
    """Test a unit that is known; ``check`` may refuse before anything is run."""
    from linecheck.cli.run import check_faults, opened_session
    from linecheck.results.files import ResultFiles

    check_faults(station.config, faults)
    session = opened_session(
        stack,
        station,
        limits_path,
        serial,
        files=ResultFiles(),
        out=None,
        faults=faults,
        strict=False,
        keep_captures=False,
        prepared=None,
    )
    check(session)
    return session, session.tested(serial, facts, serial, purpose)


def show_stated(stated: Stated, what: str) -> None:
    """Say what was stated of a gate, which is on the disk by now."""
    from linecheck.cli.display.tables import one_line

    sign, word = ("●", "met") if stated.met else ("✖", "NOT MET")
    run = stated.record.run
    click.echo(f"{sign} {stated.gate} {word}: {what}")
    for reason in stated.reasons:
        click.echo(f"  - {one_line(reason)}")
    if stated.met and stated.valid_until is not None:
        until = stated.valid_until[:16].replace("T", " ")
        click.echo(
            f"  holds until {until} UTC, unless the station config, the limit file or linecheck changes before"
        )
    click.echo(f"  run in record {run.sequence}, stated in record {stated.head.sequence}; head {stated.head}")


def show_standing(session: Session) -> None:
    """Say whether units may be judged now, and what else is missing."""
    from linecheck.cli.display.tables import one_line

    standing = session.gatekeeper.standing()
    if standing.may_judge:
        click.echo("● units may be judged")
    else:
        click.echo(f"✖ units may not be judged: {one_line(standing.why)}")


def stated_status(stated: Stated, tested: Tested) -> ExitStatus:
    """Return what a command ends with: met, not met, or not to be told."""
    from linecheck.limits.verdict import Verdict

    if tested.outcome.verdict in (Verdict.INVALID, Verdict.ABORTED):
        return ExitStatus.INVALID
    return ExitStatus.PASS if stated.met else ExitStatus.FAIL
