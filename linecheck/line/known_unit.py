"""Golden and challenge units judge the station: a golden one must read as it always did, a bad one must be caught.

Their runs are recorded like any other and count for no unit; what they show about the station is stated in the log
before it is shown.
"""

from __future__ import annotations

from linecheck.errors import ExitStatus, UsageError
from linecheck.gates.challenge import unknown_reasons
from linecheck.gates.known_units import Accepted, Stated, state_challenge, state_golden
from linecheck.gates.margins import golden_margins, unused_margins
from linecheck.limits.verdict import Verdict
from linecheck.line.events import GateStated, Note
from linecheck.line.session import Session, Tested
from linecheck.line.unit_trace import UnitFacts
from linecheck.station.config.station import Station


def require_golden(station: Station, serial: str) -> None:
    """Refuse a unit that is not a golden unit of the station.

    Raises
    ------
    UsageError
        It is none.
    """
    golden = station.config.golden
    if golden is None:
        raise UsageError(f'{station.path}: has no golden unit; add [golden] with serials = ["…"]')
    if not is_golden(station, serial):
        raise UsageError(
            f"{serial[:80]!a} is not a golden unit of this station, which has {', '.join(golden.serials)}"
        )


def is_golden(station: Station, serial: str) -> bool:
    """Return whether a serial number belongs to a golden unit of the station."""
    return station.config.golden is not None and serial in station.config.golden.serials


def challenge_name(station: Station, serial: str) -> str | None:
    """Return the name of the challenge unit with a serial number; None if there is none."""
    units = station.config.challenge.units if station.config.challenge is not None else {}
    return next((name for name, unit in units.items() if unit.serial == serial), None)


def challenge_unit(station: Station, serial: str) -> str:
    """Return the name of a challenge unit of the station.

    Raises
    ------
    UsageError
        It is none.
    """
    challenge = station.config.challenge
    if challenge is None:
        raise UsageError(
            f"{station.path}: has no known-bad unit; add [challenge.units.NAME] with serial and must_fail"
        )
    name = challenge_name(station, serial)
    if name is not None:
        return name
    known = ", ".join(f"{unit.serial} ({name})" for name, unit in challenge.units.items())
    raise UsageError(f"{serial[:80]!a} is not a challenge unit of this station, which has {known}")


def judge_by_golden(session: Session, serial: str, facts: UnitFacts, accepted: Accepted | None) -> ExitStatus:
    """Test a golden unit and state whether it agrees with its history; with ``accepted``, the run becomes its history.

    Raises
    ------
    FileError
        Nothing of the limit file could be compared; nothing was run.
    RecordError, BaselineError
        Nothing could be stated, or the run cannot be accepted.
    """
    limits, golden = session.plan.limits, session.station.config.golden
    margins = golden.margins if golden is not None else {}
    golden_margins(limits, margins)
    unused = unused_margins(limits, margins)
    if unused:
        session.listener(
            Note(f"golden.margins: {', '.join(unused)}: {limits.path} has no such check", serial)
        )
    tested = session.test(serial, facts, serial, "golden")
    if tested.run is None:
        return tested.status
    return _told(session, tested, state_golden(session.log, session.station, limits, tested.run, accepted))


def judge_by_challenge(session: Session, name: str, facts: UnitFacts) -> ExitStatus:
    """Test a challenge unit and state whether it was caught, for the right reason.

    Raises
    ------
    UsageError
        It could never fail as it must; nothing was run.
    RecordError
        Nothing could be stated.
    """
    station, limits = session.station, session.plan.limits
    assert station.config.challenge is not None
    unit = station.config.challenge.units[name]
    unknown = unknown_reasons(unit, limits)
    if unknown:
        raise UsageError(
            f"{station.path}: challenge.units.{name}.must_fail: {', '.join(unknown)}: no mask of {limits.path} "
            "judges that, so it can never fail"
        )
    tested = session.test(unit.serial, facts, unit.serial, "challenge")
    if tested.run is None:
        return tested.status
    stated = state_challenge(session.log, station, limits, tested.run, name, unit)
    return _told(session, tested, stated, tuple(unit.must_fail))


def _told(session: Session, tested: Tested, stated: Stated, must_fail: tuple[str, ...] = ()) -> ExitStatus:
    """Tell what was stated and the station's standing; return the exit status."""
    serial = stated.record.serial
    session.listener(GateStated(serial, stated, session.gatekeeper.standing(), must_fail))
    if tested.run is not None and tested.run.verdict in (Verdict.INVALID, Verdict.ABORTED):
        return ExitStatus.INVALID
    return ExitStatus.PASS if stated.met else ExitStatus.FAIL
