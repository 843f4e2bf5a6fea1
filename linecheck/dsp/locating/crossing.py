"""Where something that noise hides at low levels comes out of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from linecheck.dsp.arrays import FloatArray

__all__ = ["Crossing", "noise_crossing"]

#: A value this many times what noise alone would give has come out of it.
OUT_OF_NOISE = 10.0
#: So many of the lowest values that are out of the noise say how they go on.
POINTS = 3
#: How straight a curve of values may be taken to be: scatter in dB, and half of what the slope may change by, dB/dB².
STRAIGHT_DB, BEND = 0.1, 0.009


@dataclass(frozen=True)
class Crossing:
    """A level and its standard uncertainty; ``side`` says where the true one may lie: there, or further up or down."""

    level: float
    uncertainty: float
    side: Literal["here", "above", "below"] = "here"


def noise_crossing(
    levels: FloatArray, values: FloatArray, spreads: FloatArray, floors: FloatArray
) -> Crossing:
    """Return the level at which values fall below the noise's floor.

    Re a signal that grows by 1 dB per dB, noise falls by as much. What the signal itself gives rise to follows some
    other line. Both are straight over a few steps in dB, and meet where ``values`` equal ``floors``.

    Parameters
    ----------
    levels : float64 array, shape (levels,)
        Descending, dB.
    values, spreads, floors : float64 arrays, shape (levels,)
        Power ratios, their standard uncertainties, and those that noise alone would give them.
    """
    out = np.flatnonzero(values > OUT_OF_NOISE * floors)
    step = abs(float(levels[0] - levels[1]))
    if not len(out):
        return Crossing(float(levels[0]), step / np.sqrt(12.0), "above")
    last = int(out[-1])
    if last == len(levels) - 1:
        return Crossing(float(levels[-1]), step / np.sqrt(12.0), "below")
    used = np.array([index for index in range(max(0, last - POINTS + 1), last + 1) if index in out])
    line = 10.0 * np.log10(values[used])
    weights = 1.0 / ((10.0 / np.log(10.0) * spreads[used] / values[used]) ** 2 + STRAIGHT_DB**2)
    middle = float(levels[last])
    # One point alone goes on as a product of second order would, give or take an order.
    slope, slope_variance, covariance = 1.0, 1.0, 0.0
    place = line[-1]
    variance = 1.0 / float(weights[-1])
    if len(used) > 1:
        design = np.column_stack((np.ones(len(used)), levels[used] - middle))
        inverse = np.linalg.inv(design.T @ (weights[:, None] * design))
        place, slope = inverse @ (design.T @ (weights * line))
        variance, slope_variance, covariance = inverse[0, 0], inverse[1, 1], inverse[0, 1]
    noise = float(np.mean(10.0 * np.log10(floors[last : last + 2]) + levels[last : last + 2]))
    steepness = max(1.0 + float(slope), 0.25)
    below = float(np.clip((noise - middle - float(place)) / steepness, -3.0 * step, 0.0))
    bend = BEND * below * (below - step)
    spread = np.sqrt(variance + 2.0 * below * covariance + below**2 * slope_variance + bend**2) / steepness
    return Crossing(middle + below, float(min(spread, step)))
