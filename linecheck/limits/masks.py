"""Limits along an axis: their value at a place, and whether masks make sense.

A flat limit holds everywhere. The corners of a curve's limit are joined by straight lines, over the
logarithm of x on a logarithmic axis and over x otherwise; outside the first and last corner there is no
limit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from linecheck.dsp.arrays import FloatArray
from linecheck.limits.model import Bounds, Limit, Mask, Side

#: Where two limits contradict each other: x (None where both are flat) and both values there.
Clash = tuple[float | None, float, float]


def extent(limit: Limit) -> tuple[float, float]:
    """Return the first and last x at which there is a limit; infinite for a flat limit."""
    return (limit[0][0], limit[-1][0]) if isinstance(limit, tuple) else (-np.inf, np.inf)


def tightest(limit: Limit, side: Side) -> float:
    """Return a limit, or a curve's limit where it lets the least through."""
    if not isinstance(limit, tuple):
        return limit
    values = [value for _, value in limit]
    return min(values) if side == "max" else max(values)


def limit_at(limit: Limit | None, x: FloatArray, log_x: bool) -> FloatArray:
    """Return a limit's value at every x.

    Parameters
    ----------
    limit : float, corners, or None
        None is no limit anywhere.
    x : float64 array, shape (points,)
        In the axis' unit; positive where ``log_x``.
    log_x : bool
        Whether the axis is logarithmic.

    Returns
    -------
    float64 array, shape (points,)
        NaN where there is no limit.
    """
    if limit is None:
        return np.full(np.shape(x), np.nan)
    if not isinstance(limit, tuple):
        return np.full(np.shape(x), float(limit))
    corners = np.asarray(limit, dtype=np.float64)
    if log_x:
        inside = np.where(x > 0.0, x, np.nan)
        values = np.interp(np.log(inside), np.log(corners[:, 0]), corners[:, 1])
    else:
        values = np.interp(x, corners[:, 0], corners[:, 1])
    return np.where((x >= corners[0, 0]) & (x <= corners[-1, 0]), values, np.nan)


def bounds_clash(bounds: Bounds, log_x: bool) -> Clash | None:
    """Return where the lower limit is not below the upper one; None where it is below everywhere."""
    if bounds.min is None or bounds.max is None:
        return None
    x = _corners(bounds.min, bounds.max)
    lower, upper = limit_at(bounds.min, x, log_x), limit_at(bounds.max, x, log_x)
    return _first(lower >= upper, x, lower, upper, bounds.min, bounds.max)


def mask_clash(mask: Mask, side: Side, log_x: bool) -> Clash | None:
    """Return where the fail mask is tighter than the pass mask on one side, as (x, pass limit, fail limit).

    A pass limit of NaN says that the fail mask has a limit where the pass mask has none; x is then infinite
    for a flat fail limit. Between corners both are straight lines, so that looking at the corners of both is
    looking everywhere.
    """
    fail = getattr(mask.fail, side) if mask.fail is not None else None
    inner = getattr(mask.pass_, side)
    if fail is None:
        return None
    if inner is None:
        return extent(fail)[0], np.nan, _ends(fail)[0]
    x = _corners(inner, fail)
    limit, fail_limit = limit_at(inner, x, log_x), limit_at(fail, x, log_x)
    tighter = fail_limit < limit if side == "max" else fail_limit > limit
    return _first(tighter, x, limit, fail_limit, inner, fail) or _uncovered(inner, fail)


def _uncovered(inner: Limit, fail: Limit) -> Clash | None:
    """Return an end of the fail limit beyond the pass limit's ends."""
    for end, (inner_end, fail_end) in enumerate(zip(extent(inner), extent(fail), strict=True)):
        if (fail_end < inner_end) if end == 0 else (fail_end > inner_end):
            return fail_end, np.nan, _ends(fail)[end]
    return None


def _ends(limit: Limit) -> tuple[float, float]:
    return (limit[0][1], limit[-1][1]) if isinstance(limit, tuple) else (limit, limit)


def _corners(*limits: Limit) -> FloatArray:
    """Return every corner's x, ascending; a single 1.0 where all limits are flat."""
    x = [point[0] for limit in limits if isinstance(limit, tuple) for point in limit]
    return np.unique(np.asarray(x or [1.0], dtype=np.float64))


def _first(
    wrong: NDArray[np.bool_], x: FloatArray, first: FloatArray, second: FloatArray, *limits: Limit
) -> Clash | None:
    if not np.any(wrong):
        return None
    index = int(np.argmax(wrong))
    flat = not any(isinstance(limit, tuple) for limit in limits)
    return (None if flat else float(x[index])), float(first[index]), float(second[index])
