"""Sizes in words, as problems tell them."""

from __future__ import annotations

__all__ = ["percent_off"]

#: A level that is off by more than this many times itself is another one: the figure says nothing more.
MAX_TIMES = 10.0


def percent_off(size: float) -> str:
    """Return by which share of itself a level is off, as ``12 % off``."""
    if not abs(size) <= MAX_TIMES:
        return f"more than {MAX_TIMES:g} times off"
    return f"{abs(100.0 * size):.0f} % off"
