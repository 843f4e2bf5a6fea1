"""What problems tell alike: sizes in words, and whose fault a break may be."""

from __future__ import annotations

__all__ = ["UNREPORTED", "percent_off"]

UNREPORTED = "The interface did not report it. May be the unit's own fault."

#: A level that is off by more than this many times itself is another one: the figure says nothing more.
MAX_TIMES = 10.0


def percent_off(size: float) -> str:
    """Return by which share of itself a level is off, as ``12 % off``."""
    if not abs(size) <= MAX_TIMES:
        return f"more than {MAX_TIMES:g} times off"
    return f"{abs(100.0 * size):.0f} % off"
