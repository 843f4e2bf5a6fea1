"""``linecheck station challenge``: test a unit that is known to be bad, which the station must find out."""

from __future__ import annotations

import click

from linecheck.cli.station.known_unit import known_facts, known_unit_options

__all__ = ["challenge_command"]


@click.command("challenge")
@known_unit_options
def challenge_command(
    station_path: str,
    limits_path: str,
    serial: str,
    firmware: str | None,
    operator: str | None,
    faults: tuple[str, ...],
) -> None:
    """Test a unit that is known to be bad: the station must find it out, for the reason that is known.

    The unit is one of the station config's [challenge.units]. Its run is recorded as any other and counts for no unit.
    It must fail in all that its must_fail names, and in nothing else where nothing_else says so; a pass, a run that
    judges nothing and another reason count for nothing. What came of it is stated in the log before it is shown.

    Exit status: 0 met (the unit failed as it must), 1 not met, 2 a wrong command or file (nothing was run), 3 invalid
    or aborted, or nothing could be stated.
    """
    from linecheck.cli.asking.prompt import Prompt
    from linecheck.cli.display.console import Console
    from linecheck.line.known_unit import challenge_unit, judge_by_challenge
    from linecheck.line.session import opened_session
    from linecheck.station.config.load import load_station

    facts = known_facts(firmware, operator)
    station = load_station(station_path)
    name = challenge_unit(station, serial)
    console = Console()
    with opened_session(
        station,
        limits_path,
        serial,
        faults=faults,
        people=Prompt(console.paused),
        listener=console,
    ) as session:
        status = judge_by_challenge(session, name, facts)
    click.get_current_context().exit(status)
