"""``linecheck station golden``: test a unit that is known to be good, and hold it against its own history."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from linecheck.cli.station.known_unit import known_facts, known_unit_options
from linecheck.errors import UsageError

if TYPE_CHECKING:
    from linecheck.gates.known_units import Accepted

__all__ = ["golden_command"]


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
    from linecheck.cli.asking.prompt import Prompt
    from linecheck.cli.display.console import Console
    from linecheck.line.known_unit import judge_by_golden, require_golden
    from linecheck.line.session import opened_session
    from linecheck.station.config.load import load_station

    accepted = _accepted(accept, add, by, reason)
    facts = known_facts(firmware, operator)
    station = load_station(station_path)
    require_golden(station, serial)
    console = Console()
    with opened_session(
        station,
        limits_path,
        serial,
        faults=faults,
        people=Prompt(console.paused),
        listener=console,
    ) as session:
        status = judge_by_golden(session, serial, facts, accepted)
    click.get_current_context().exit(status)


def _accepted(accept: bool, add: bool, by: str | None, reason: str | None) -> Accepted | None:
    from linecheck.gates.known_units import Accepted
    from linecheck.log.signoff import MAX_NAME_LENGTH, MAX_REASON_LENGTH, checked_text

    if not accept:
        if add or by is not None or reason is not None:
            raise UsageError("--add, --by and --reason go with --accept")
        return None
    if by is None or reason is None:
        raise UsageError("--accept takes --by NAME and --reason TEXT: the record says who and why")
    return Accepted(
        checked_text("--by", by, MAX_NAME_LENGTH), checked_text("--reason", reason, MAX_REASON_LENGTH), add
    )
