"""Average run lengths: how many values a chart takes until it signals, where they are normal and independent.

========================  =====================================================================
:func:`cusum`             of cumulative sums, by the integral equation of Page (1954)
:func:`ewma`              of a moving average, by that of Crowder (1987)
:func:`shewhart`          of limits with runs rules, by the Markov chain of Champ and Woodall (1987)
:func:`ewma_width`        the width of a moving average's limits that gives a run length
:func:`cusum_threshold`   the same of cumulative sums
:func:`shewhart_width`    the same of single values
========================  =====================================================================

``shift`` is how far the mean lies from the centre, in standard deviations. Equations are solved on Gauss-Legendre nodes
(Nyström), to better than 1e-6 of the result.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import cache
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from linecheck.statistics.charts.ewma import limit as ewma_limit
from linecheck.statistics.charts.rules import RULES

_NODES: Final = 120
_LARGEST: Final = 1e9
#: No normal value lies further out.
_FURTHEST: Final = 12.0
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def cusum(threshold: float, allowance: float, shift: float = 0.0, *, head_start: float = 0.0) -> float:
    """Return the average run length of two-sided cumulative sums that both begin at ``head_start``.

    Both sides together as Kemp (1961) has it.
    """
    up, up_zero = cusum_one_sided(threshold, allowance, shift, head_start=head_start)
    down, down_zero = cusum_one_sided(threshold, allowance, -shift, head_start=head_start)
    return (up * down_zero + down * up_zero - up_zero * down_zero) / (up_zero + down_zero)


def cusum_one_sided(
    threshold: float, allowance: float, shift: float = 0.0, *, head_start: float = 0.0
) -> tuple[float, float]:
    """Return the average run lengths of a one-sided sum that begins at ``head_start``, and of one that begins at 0."""
    x, weights = _nodes(0.0, threshold)
    starts = np.concatenate([x, [0.0]])
    kernel = _density(x - starts[:, None] + allowance - shift) * weights
    back_to_zero = ndtr(allowance - shift - starts)
    matrix = np.eye(len(starts)) - np.column_stack([kernel, back_to_zero])
    lengths = np.linalg.solve(matrix, np.ones(len(starts)))
    begun = 1.0 + ndtr(allowance - shift - head_start) * lengths[-1]
    begun += float(_density(x - head_start + allowance - shift) * weights @ lengths[:-1])
    return float(begun), float(lengths[-1])


def ewma(width: float, weight: float, shift: float = 0.0) -> float:
    """Return the average run length of a moving average that begins at the centre, with limits that do not move."""
    limit = ewma_limit(width, weight)
    x, weights = _nodes(-limit, limit)
    kernel = _density((x - (1.0 - weight) * x[:, None]) / weight - shift) * weights / weight
    lengths = np.linalg.solve(np.eye(len(x)) - kernel, np.ones(len(x)))
    return 1.0 + float(_density(x / weight - shift) * weights / weight @ lengths)


def ewma_width(weight: float, length: float) -> float:
    """Return the width of the limits of a moving average whose run length without a shift is ``length``."""
    return _solved(lambda width: ewma(width, weight), length)


def cusum_threshold(allowance: float, length: float) -> float:
    """Return the threshold of two-sided cumulative sums whose run length without a shift is ``length``."""
    return _solved(lambda threshold: cusum(threshold, allowance), length)


def shewhart_width(names: Sequence[str], length: float) -> float:
    """Return the width of limits on single values, with runs rules, whose run length without a shift is ``length``.

    Raises
    ------
    ValueError
        The rules alone give more false alarms than that.
    """
    if shewhart(_FURTHEST, names) < length:
        raise ValueError(f"the runs rules alone signal more often than every {length:g} values")
    return _solved(lambda width: shewhart(width, names), length)


def shewhart(width: float = 3.0, names: Sequence[str] = (), shift: float = 0.0, scale: float = 1.0) -> float:
    """Return the average run length of limits on single values, with runs rules.

    ``scale`` is what the chart takes for a standard deviation, where it is not 1.
    """
    zones, start, end, zone = _chain(width, tuple(names))
    chances = ndtr(scale * zones[:, 1] - shift) - ndtr(scale * zones[:, 0] - shift)
    states = int(start.max()) + 1
    matrix = np.eye(states)
    np.subtract.at(matrix, (start, end), chances[zone])
    return float(np.linalg.solve(matrix, np.ones(states))[0])


@cache
def _chain(width: float, names: tuple[str, ...]) -> tuple[FloatArray, IntArray, IntArray, IntArray]:
    """Return the zones within the limits, shape (zones, 2), and the moves: from which state to which, by which zone.

    A state is what of the past each rule can still count, on each side; state 0 has none.
    """
    rules = [RULES[name] for name in names]
    edges = sorted({-width, width, *(side * rule.beyond for rule in rules for side in (-1.0, 1.0))})
    zones = [(low, high) for low, high in pairwise(edges) if -width <= low and high <= width]
    counts = [
        [low >= rule.beyond if side > 0 else high <= -rule.beyond for rule in rules for side in (1, -1)]
        for low, high in zones
    ]
    spans = [(rule.least, rule.among) for rule in rules for _ in (1, -1)]
    first: tuple[tuple[bool, ...], ...] = ((),) * len(spans)
    known = {first: 0}
    moves: list[tuple[int, int, int]] = []
    waiting = [first]
    while waiting:
        state = waiting.pop()
        for zone, counted in enumerate(counts):
            after = [(*past, new) for past, new in zip(state, counted, strict=True)]
            if any(now[-1] and sum(now) >= least for now, (least, _) in zip(after, spans, strict=True)):
                continue
            kept = tuple(_needed(now, *span) for now, span in zip(after, spans, strict=True))
            if kept not in known:
                known[kept] = len(known)
                waiting.append(kept)
            moves.append((known[state], known[kept], zone))
    start, end, zone_of = np.array(moves).T
    return np.array(zones), start, end, zone_of


def _needed(past: tuple[bool, ...], least: int, among: int) -> tuple[bool, ...]:
    """Return what of the past a rule can still count: nothing before a value that can be the first of those it asks."""
    recent = past[max(0, len(past) - among + 1) :]
    while recent and (not recent[0] or recent.count(False) > among - least):
        recent = recent[1:]
    return recent


@cache
def _legendre() -> tuple[FloatArray, FloatArray]:
    return np.polynomial.legendre.leggauss(_NODES)


def _nodes(low: float, high: float) -> tuple[FloatArray, FloatArray]:
    nodes, weights = _legendre()
    return low + 0.5 * (high - low) * (nodes + 1.0), 0.5 * (high - low) * weights


def _density(x: FloatArray | float) -> FloatArray:
    return np.exp(-0.5 * np.square(x)) / math.sqrt(2.0 * math.pi)


def _solved(length_at: Callable[[float], float], length: float) -> float:
    """Return where a run length that only grows is as long as asked for."""
    from scipy.optimize import brentq

    if not 2.0 <= length <= _LARGEST:
        raise ValueError(f"a run length of {length:g}: expected 2 to {_LARGEST:g}")
    high = 1.0
    while length_at(high) < length:
        high *= 1.5
    return float(brentq(lambda at: math.log(length_at(at) / length), 1e-3, high, xtol=1e-9))
