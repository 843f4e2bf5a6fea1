"""Unit after unit, as labels are scanned: which scans count, and how a session ends."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from linecheck.errors import ExitStatus, LinecheckError, UsageError
from linecheck.line.events import ScanIgnored, UnitRefused, UnitScanned
from linecheck.line.known_unit import challenge_name, is_golden, judge_by_challenge, judge_by_golden
from linecheck.line.session import Session
from linecheck.line.unit_trace import UnitFacts
from linecheck.run.plan import check_serial

#: A scanner that reads a label twice does so within this time.
DOUBLE_SCAN_SECONDS: Final = 2.0


@dataclass(frozen=True)
class Scan:
    """A scanned line without surrounding blanks, when it came (monotonic clock, s), and as it came."""

    text: str
    arrived: float
    raw: str = ""


def scan_units(
    session: Session, facts: UnitFacts, next_scan: Callable[[], Scan | None], *, attended: bool = False
) -> ExitStatus:
    """Test unit after unit until there are no more scans.

    Parameters
    ----------
    session : Session
    facts : UnitFacts
        What is said of all units; the reason is that of repeats alone.
    next_scan : callable
        Waits for the next scan; None where there will be no more.
    attended : bool
        Whether somebody scans by hand: what is scanned during a test is a mistake then, and else waits for its turn.
    """
    statuses: list[ExitStatus] = []
    accepted: Scan | None = None
    ended = -math.inf
    while (scan := next_scan()) is not None:
        if not scan.text:
            continue
        if (
            accepted is not None
            and accepted.text == scan.text
            and scan.arrived - accepted.arrived < DOUBLE_SCAN_SECONDS
        ):
            session.listener(ScanIgnored(scan.text, "twice"))
            continue
        if attended and scan.arrived < ended:
            session.listener(ScanIgnored(scan.text, "during a test"))
            continue
        session.listener(UnitScanned(scan.text))
        try:
            serial = check_serial(scan.text, session.plan.limits)
        except UsageError as error:
            session.listener(UnitRefused(scan.text, str(error)))
            continue
        accepted = scan
        status = _tested(session, serial, facts, scan)
        statuses.append(ExitStatus.INVALID if status is None else status)
        if status is not None:
            ended = time.monotonic()
    return _session_status(statuses)


def _tested(session: Session, serial: str, facts: UnitFacts, scan: Scan) -> ExitStatus | None:
    """Test one unit; None if the run did not take place: the next unit may come."""
    try:
        known = _known_unit(session, serial, facts.with_reason(None))
        if known is not None:
            return known
        reason = _reason(session, serial, facts.reason)
        tested = session.test(serial, facts.with_reason(reason), scan.raw)
    except LinecheckError as error:
        session.listener(UnitRefused(serial, str(error)))
        return None
    return None if tested.run is None else tested.status


def _known_unit(session: Session, serial: str, facts: UnitFacts) -> ExitStatus | None:
    """Judge the station if a golden or challenge unit was scanned; None if it is neither.

    What such a unit shows of the station is no unit's fail.
    """
    challenge = challenge_name(session.station, serial)
    if is_golden(session.station, serial):
        status = judge_by_golden(session, serial, facts, None)
    elif challenge is not None:
        status = judge_by_challenge(session, challenge, facts)
    else:
        return None
    return ExitStatus.PASS if status is ExitStatus.PASS else ExitStatus.INVALID


def _reason(session: Session, serial: str, given: str | None) -> str | None:
    """Return the retest reason of a unit; a reason given for all units applies to retests only."""
    if not session.was_tested(serial):
        return None
    codes = session.plan.limits.retest.reasons if session.plan.limits.retest is not None else ()
    if given is None and codes and session.people is not None:
        return session.people.choose(f"{serial} was tested before. Retest reason", codes)
    return given


def _session_status(statuses: Sequence[ExitStatus]) -> ExitStatus:
    """Return the exit status of a session: any fail, else any invalid, else pass; invalid if nothing ran."""
    for status in (ExitStatus.FAIL, ExitStatus.INVALID, ExitStatus.PASS):
        if status in statuses:
            return status
    return ExitStatus.INVALID
