"""``linecheck station golden``: test a unit that is known to be good, and hold it against its own history."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING

import click

from linecheck.cli.station.known_unit import (
    known_unit_options,
    show_standing,
    show_stated,
    stated_status,
    tested_unit,
)
from linecheck.errors import UsageError

if TYPE_CHECKING:
    from linecheck.gates.known_units import Accepted, Stated
    from linecheck.line.session import Session
    from linecheck.station.config.station import Station

__all__ = ["golden_command"]

#: Of what has drifted so many are told.
MOST_DRIFTS = 5


@click.command("golden")
@known_unit_options
@click.option(
    "--accept", is_flag=True, help="Take this run as the unit's history, which later runs are held against."
)
@click.option("--add", is_flag=True, help="With --accept: beside the runs that were accepted before.")
@click.option("--by", metavar="NAME", help="With --accept: who accepts.")
@click.option("--reason", metavar="TEXT", help="With --accept: why.")
def golden_command(
    station_path: str,
    limits_path: str,
    serial: str,
    firmware: str | None,
    operator: str | None,
    faults: tuple[str, ...],
    accept: bool,
    add: bool,
    by: str | None,
    reason: str | None,
) -> None:
    """Test a unit that is known to be good: the station must find it as it always was.

    The unit is one of the station config's [golden]. Its run is recorded as any other and counts for no unit; then its
    readings are held against the runs that were accepted as its history (--accept), by the margins of [golden], the
    limit file's of regression, or defaults. Whether it is unmoved is stated in the log before it is shown. A slow drift
    since its first run is shown too, and refuses nothing.

    Exit status: 0 met, 1 not met, 2 a wrong command or file (nothing was run), 3 invalid or aborted, or nothing could
    be stated.
    """
    from linecheck.cli.unit_facts import said_facts
    from linecheck.station.config.station import load_station

    accepted = _accepted(accept, add, by, reason)
    facts = said_facts(firmware=firmware, operator=operator)
    station = load_station(station_path)
    _require_golden(station, serial)
    with ExitStack() as stack:
        session, tested = tested_unit(
            stack, station, limits_path, serial, "golden", facts, faults, _require_margins
        )
        from linecheck.gates.known_units import state_golden

        stated = state_golden(session.log, station, session.plan.limits, tested.outcome, accepted)
        _show(stated)
        show_standing(session)
        status = stated_status(stated, tested)
    click.get_current_context().exit(status)


def _accepted(accept: bool, add: bool, by: str | None, reason: str | None) -> Accepted | None:
    from linecheck.gates.known_units import Accepted
    from linecheck.log.signoff import LONGEST_NAME, LONGEST_REASON, checked_text

    if not accept:
        if add or by is not None or reason is not None:
            raise UsageError("--add, --by and --reason go with --accept")
        return None
    if by is None or reason is None:
        raise UsageError("--accept takes --by NAME and --reason TEXT: the record says who and why")
    return Accepted(
        checked_text("--by", by, LONGEST_NAME), checked_text("--reason", reason, LONGEST_REASON), add
    )


def _require_golden(station: Station, serial: str) -> None:
    golden = station.config.golden
    if golden is None:
        raise UsageError(f'{station.path}: has no golden unit; add [golden] with serials = ["…"]')
    if serial not in golden.serials:
        raise UsageError(f"{serial[:80]!a} is no golden unit of this station: {', '.join(golden.serials)}")


def _require_margins(session: Session) -> None:
    """Refuse a limit file of which nothing could be compared, before anything is run."""
    from linecheck.cli.telling import tell
    from linecheck.gates.margins import golden_margins, unused_margins

    golden = session.station.config.golden
    own = golden.margins if golden is not None else {}
    golden_margins(session.plan.limits, own)
    unused = unused_margins(session.plan.limits, own)
    if unused:
        tell(f"golden.margins: {', '.join(unused)}: {session.plan.limits.path} has no such check")


def _show(stated: Stated) -> None:
    from linecheck.cli.display.tables import one_line

    click.echo()
    golden = stated.golden
    told = 0 if golden is None else len(golden.those("moved")) + len(golden.those("unmoved"))
    what = stated.record.serial
    if stated.reference is not None:
        numbers = ", ".join(str(sequence) for sequence, _ in stated.reference.runs)
        many = len(stated.reference.runs) != 1
        what += f", {told} values held against its history (record{'s' * many} {numbers})"
    if stated.replaced:
        click.echo("  what the new history changes of the one before:")
        for change in stated.replaced[:MOST_DRIFTS]:
            click.echo(f"  - {one_line(change.text)}")
    show_stated(stated, what)
    unresolved = len(golden.those("unresolved")) if golden is not None else 0
    if unresolved:
        are = "value is" if unresolved == 1 else "values are"
        click.echo(
            f"  {unresolved} {are} known too little to be held against anything, and count for nothing"
        )
    for drift in stated.drifts[:MOST_DRIFTS]:
        click.echo(f"  drift: {one_line(drift.text)}")
    if len(stated.drifts) > MOST_DRIFTS:
        click.echo(f"  drift: and {len(stated.drifts) - MOST_DRIFTS} more")
