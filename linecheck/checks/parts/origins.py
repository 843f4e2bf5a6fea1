"""What usually runs at a frequency: the mains, frames of USB, two sample rates that are converted into each other.

How exactly a frequency is known differs: a fitted sideband to a tenth of a hertz, a recorded line to some hertz.
``within_hz`` says it, besides what grids and quartz wander by.
"""

from __future__ import annotations

from itertools import combinations

#: The grid wanders by this much, quartz by this much.
MAINS_SPREAD, QUARTZ_SPREAD = 0.002, 3e-4
#: Multiples of the mains beyond this are anything.
MAX_MAINS = 20
#: Microframes and frames of USB (Universal Serial Bus specification 2.0, 8.4.3).
FRAMES_HZ = (8000, 1000)
#: Rates that audio is converted between, Hz.
RATES_HZ = (32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


def mains_at(frequency_hz: float, mains_hz: float, within_hz: float) -> int:
    """Return which multiple of the mains a frequency is; 0 where it is none of the first."""
    order = round(frequency_hz / mains_hz)
    nominal = order * mains_hz
    is_it = 1 <= order <= MAX_MAINS and abs(frequency_hz - nominal) <= MAINS_SPREAD * nominal + within_hz
    return order if is_it else 0


def frames_at(frequency_hz: float, within_hz: float) -> tuple[int, int] | None:
    """Return which multiple of which rate of USB's frames a frequency is, the rate in Hz; None where it is none."""
    for step in FRAMES_HZ:
        order = round(frequency_hz / step)
        if order >= 1 and abs(frequency_hz - order * step) <= QUARTZ_SPREAD * order * step + within_hz:
            return order, step
    return None


def rates_at(offset_hz: float, within_hz: float) -> tuple[int, int] | None:
    """Return the two sample rates whose difference an offset is, the lower first; None where it is none."""
    for lower, upper in combinations(RATES_HZ, 2):
        if abs(offset_hz - (upper - lower)) <= within_hz + QUARTZ_SPREAD * (upper - lower):
            return lower, upper
    return None
