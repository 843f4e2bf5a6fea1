"""``linecheck station challenge``: test a unit that is known to be bad, which the station must find out."""

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
    from linecheck.line.session import Session
    from linecheck.station.config.gates import ChallengeUnit
    from linecheck.station.config.station import Station

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
    from linecheck.cli.unit_facts import said_facts
    from linecheck.station.config.station import load_station

    facts = said_facts(firmware=firmware, operator=operator)
    station = load_station(station_path)
    name, unit = _named_unit(station, serial)

    def require_reasons(session: Session) -> None:
        from linecheck.gates.challenge import unknown_reasons

        unknown = unknown_reasons(unit, session.plan.limits)
        if unknown:
            raise UsageError(
                f"{station.path}: challenge.units.{name}.must_fail: {', '.join(unknown)}: no mask of {limits_path} "
                "judges that, so that it could never fail"
            )

    with ExitStack() as stack:
        session, tested = tested_unit(
            stack, station, limits_path, serial, "challenge", facts, faults, require_reasons
        )
        from linecheck.gates.known_units import state_challenge

        stated = state_challenge(session.log, station, session.plan.limits, tested.outcome, name, unit)
        click.echo()
        failed = ", ".join(unit.must_fail)
        show_stated(
            stated,
            f"{serial} failed as it must ({failed})" if stated.met else f"{serial} must fail ({failed})",
        )
        show_standing(session)
        status = stated_status(stated, tested)
    click.get_current_context().exit(status)


def _named_unit(station: Station, serial: str) -> tuple[str, ChallengeUnit]:
    challenge = station.config.challenge
    if challenge is None:
        raise UsageError(
            f"{station.path}: has no unit that is known to be bad; add [challenge.units.NAME] with serial and must_fail"
        )
    for name, unit in challenge.units.items():
        if unit.serial == serial:
            return name, unit
    known = ", ".join(f"{unit.serial} ({name})" for name, unit in challenge.units.items())
    raise UsageError(f"{serial[:80]!a} is no challenge unit of this station: {known}")
