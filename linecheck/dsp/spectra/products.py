"""Intermodulation products of two tones: their amplitudes, with the noise that falls on them known apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.spectra.spectra import band_power, density, find_lines
from linecheck.dsp.spectra.tapered import fit_tapered

__all__ = ["Products", "fit_products"]


@dataclass(frozen=True)
class Products:
    """What two tones became.

    Attributes
    ----------
    tones : float64 array, shape (2,)
        Their peak amplitudes.
    tones_uncertainty : float64 array, shape (2,)
    powers : float64 array, shape (products,)
        Mean square of each product, the noise's share taken off: on average zero where there is no product.
    shares : float64 array, shape (products,)
        The noise's share: mean square that noise alone puts on a product's frequency, on average.
    share_freedom : float64 array, shape (products,)
        From how many independent figures each share was estimated.
    """

    tones: FloatArray
    tones_uncertainty: FloatArray
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
    near = [float(np.sqrt(shares[np.argmin(np.abs(products - tone))])) for tone in tones]
    return Products(np.abs(amplitudes[:2]), np.array(near), square[2 : 2 + count] - shares, shares, freedom)


def _lines_beside(rest: FloatArray, known: FloatArray, products: FloatArray, around: float) -> FloatArray:
    """Return lines in a rest that stand where noise is taken from: they are no products."""
    lowest, highest = float(np.min(products)), float(np.max(products))
    low, high = max(lowest - around, 2.0 / len(rest)), min(highest + around, 0.4999)
    found = find_lines(rest, 1.0, low, high, most=20)
    apart = np.min(np.abs(np.subtract.outer(found, known)), axis=1, initial=1.0) * len(rest)
    return np.asarray(found[apart > 1.5], dtype=np.float64)
