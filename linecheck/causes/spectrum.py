"""Floors and lines of recorded spectra, whose points are the highest of the bins that they stand for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linecheck.causes.evidence import points
from linecheck.checks.base import Curve
from linecheck.dsp.arrays import FloatArray

#: The audio band in parts within which a floor is nearly even.
FLOOR_BANDS_HZ = ((20.0, 80.0), (80.0, 300.0), (300.0, 1500.0), (1500.0, 6000.0), (6000.0, 20_000.0))

#: Of so many lines more say nothing.
MAX_LINES = 60
#: Points on either side that a line has to stand out of.
REACH = 12


@dataclass(frozen=True)
class Line:
    """A line of a spectrum: its frequency in Hz, its level and that of the floor beside it, dB."""

    frequency_hz: float
    level_db: float
    floor_db: float


def floor_db(curve: Curve, low_hz: float, high_hz: float) -> float | None:
    """Return the level of the noise floor in a band, dB in the curve's resolution; None where it has too few points.

    Each point is the highest of n bins of noise, whose powers are exponential: its median is the mean power times
    -ln(1 - 2^(-1/n)), which is taken off. The median of the points is not moved by lines that are fewer than half.
    """
    x, y = points(curve, low_hz, high_hz)
    if len(x) < 5:
        return None
    resolution = curve.resolution_hz or 5.0
    spacing = np.gradient(x)
    bins = np.maximum(spacing / resolution, 1.0)
    bias = 10.0 * np.log10(-np.log1p(-(2.0 ** (-1.0 / bins))))
    return float(np.median(y - bias))


def floor_power(curve: Curve) -> float:
    """Return the power of the noise floor from 20 Hz to 20 kHz, in the curve's own scale; 0 where it has none."""
    power = 0.0
    for low, high in FLOOR_BANDS_HZ:
        level = floor_db(curve, low, high)
        if level is not None:
            power += 10.0 ** (level / 10.0) * (high - low) / (curve.resolution_hz or 5.0)
    return power


def level_at(curve: Curve, frequency_hz: float, reach_hz: float | None = None) -> float | None:
    """Return the highest level within the resolution of a frequency, dB; None where the curve has no point there."""
    reach = (curve.resolution_hz or 5.0) if reach_hz is None else reach_hz
    x, y = points(curve, frequency_hz - reach, frequency_hz + reach)
    return float(np.max(y)) if len(x) else None


def lines(curve: Curve, above_db: float = 10.0, low_hz: float = 0.0, high_hz: float = np.inf) -> list[Line]:
    """Return what stands out of the points beside it by so much, the strongest first."""
    x, y = np.asarray(curve.x), np.asarray(curve.y)
    if len(x) < 2 * REACH:
        return []
    beside = _beside(y)
    # The window spreads a line over three times the resolution; those are points of the same one.
    near = np.maximum(3.0 * (curve.resolution_hz or 5.0), 2e-3 * x)
    standing = np.flatnonzero((y >= beside + above_db) & (x >= low_hz) & (x <= high_hz))
    left = standing[np.argsort(-y[standing])]
    found: list[Line] = []
    while len(left) and len(found) < MAX_LINES:
        top = left[0]
        found.append(Line(float(x[top]), float(y[top]), float(beside[top])))
        left = left[np.abs(x[left] - x[top]) > near[left]]
    return found


def _beside(y: FloatArray) -> FloatArray:
    """Return the median of the points around each, shape of ``y``."""
    from scipy.ndimage import median_filter

    # A running median: scipy's keeps the window sorted, numpy's sorts each anew and takes fifteen times as long.
    return np.asarray(median_filter(y, 2 * REACH + 1, mode="mirror"))
