"""Many values along a line: each for itself while they are few, counted piece by piece where they are more."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

__all__ = ["BINS", "MAX_DOTS", "binned", "usual_range"]

#: More values than this are drawn as a density, in so many pieces.
MAX_DOTS, BINS = 200, 60
#: A line reaches to where these shares of the values lie; the few beyond are drawn at its ends.
_USUAL = (0.005, 0.995)


def binned(values: Iterable[float], low: float, high: float, bins: int = BINS) -> tuple[int, ...]:
    """Return how many values lie in each of equal parts of a line; those outside it count at its ends."""
    counts = [0] * bins
    width = high - low
    for value in values:
        at = int((value - low) / width * bins) if width > 0.0 else 0
        counts[min(max(at, 0), bins - 1)] += 1
    return tuple(counts)


def usual_range(values: Sequence[float]) -> tuple[float, ...]:
    """Return from where to where nearly all of ascending values lie; nothing where there are none."""
    last = len(values) - 1
    return tuple(values[round(share * last)] for share in _USUAL) if values else ()
