"""Intermodulation products of two tones: their amplitudes, the noise on them known apart, and where it hides them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.fits.tones import fit_tapered
from linecheck.dsp.spectra.spectra import band_power, density, find_lines

#: A value this many times what noise alone would give has come out of it.
OUT_OF_NOISE = 10.0
#: So many of the lowest values that are out of the noise say how they go on.
POINTS = 3
#: How straight a curve of values may be taken to be: scatter in dB, and half of what the slope may change by, dB/dB².
STRAIGHT_DB, BEND = 0.1, 0.009


@dataclass(frozen=True)
class Products:
    """What two tones became.

    Attributes
    ----------
    tones : float64 array, shape (2,)
        Their peak amplitudes.
    powers : float64 array, shape (products,)
        Mean square of each product, the noise's share taken off: on average zero where there is no product.
    shares : float64 array, shape (products,)
        The noise's share: mean square that noise alone puts on a product's frequency, on average.
    share_freedom : float64 array, shape (products,)
        From how many independent figures each share was estimated.
    """

    tones: FloatArray
    powers: FloatArray
    shares: FloatArray
    share_freedom: FloatArray

    def variance(self) -> FloatArray:
        """Return each power's variance: of noise beside a line, of noise alone, and of the share's own estimate."""
        lines = np.maximum(self.powers, 0.0)
        result: FloatArray = 2.0 * lines * self.shares + self.shares**2 * (1.0 + 1.0 / self.share_freedom)
        return result


def fit_products(
    values: FloatArray, tones: FloatArray, products: FloatArray, others: Sequence[float], around: float
) -> Products:
    """Fit two tones, their products and other tones all at once; hum and drift do not leak into them.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    tones : float64 array, shape (2,)
        Cycles per frame, known.
    products : float64 array, shape (products,)
        Cycles per frame.
    others : sequence of float
        What else is there for certain (harmonics of either tone) and would leak into the products.
    around : float
        Noise is taken from within this distance of each product (cycles per frame); no other product lies nearer than
        twice that.
    """
    frames = len(values)
    known = np.concatenate((tones, products, np.asarray(others, dtype=np.float64)))
    amplitudes, rest, share = fit_tapered(values, known)
    beside = _lines_beside(rest, known, products, around)
    if len(beside):
        amplitudes, rest, share = fit_tapered(values, np.concatenate((known, beside)))
    noise = density(rest, 1.0)
    count = len(products)
    # Each fitted tone takes the share of one line out of what is left.
    bandwidth = np.array(
        [min(place + around, 0.5) - max(place - around, 0.0) for place in products], dtype=np.float64
    )
    fitted = np.array([np.count_nonzero(np.abs(known - place) < around) for place in products])
    freedom = np.maximum(bandwidth * frames - fitted, 1.0)
    left = np.array(
        [band_power(noise, max(place - around, 0.0), min(place + around, 0.5))[0] for place in products]
    )
    shares = left / freedom * (share * frames)
    square = 0.5 * np.abs(amplitudes) ** 2
    return Products(np.abs(amplitudes[:2]), square[2 : 2 + count] - shares, shares, freedom)


def _lines_beside(rest: FloatArray, known: FloatArray, products: FloatArray, around: float) -> FloatArray:
    """Return lines in a rest that stand where noise is taken from: they are no products."""
    lowest, highest = float(np.min(products)), float(np.max(products))
    low, high = max(lowest - around, 2.0 / len(rest)), min(highest + around, 0.4999)
    found = find_lines(rest, 1.0, low, high, most=20)
    apart = np.min(np.abs(np.subtract.outer(found, known)), axis=1, initial=1.0) * len(rest)
    return np.asarray(found[apart > 1.5], dtype=np.float64)


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
