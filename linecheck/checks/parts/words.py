"""What problems tell alike: sizes in words, and whose fault a break may be, or what else."""

from __future__ import annotations

from linecheck.checks.base import OVERLOAD, Problem

UNREPORTED = "The interface did not report it. May be the unit's own fault."

#: No filter of a unit rings longer ahead of what it is given.
MAX_RING_SECONDS = 0.06

#: A level that is off by more than this many times itself is another one: the figure says nothing more.
MAX_TIMES = 10.0


def dropout(name: str, what: str) -> Problem:
    """Return the problem of a channel in which a stimulus is not whole; ``what`` is wrong, and where."""
    return Problem("dropout", f"{what}. {UNREPORTED}", name)


def overdriven(name: str, samples: int, level: float) -> Problem:
    """Return the problem of a channel in which samples are cut off at a level re the capture's full scale."""
    message = (
        f"{samples} samples are at {level:.4f} of full scale: the capture input is overdriven; lower its gain"
    )
    return Problem(OVERLOAD, message, name)


def percent_off(size: float) -> str:
    """Return by which share of itself a level is off, as ``12 % off``."""
    if not abs(size) <= MAX_TIMES:
        return f"more than {MAX_TIMES:g} times off"
    return f"{abs(100.0 * size):.0f} % off"


def rings_ahead(seconds: float) -> str:
    """Return what else a break may be, so many seconds before its stimulus changes or ends; nothing where that is far.

    A long linear-phase filter sounds of what comes half its length before it does: nothing is lost then.
    """
    if not 0.0 <= seconds <= MAX_RING_SECONDS:
        return ""
    return f", or a filter rings: what is played changes {1e3 * seconds:.0f} ms later"
