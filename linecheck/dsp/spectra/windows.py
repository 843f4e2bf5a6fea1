"""Cosine-sum windows in their periodic form, and what a window does to levels.

A window of N samples is ``sum(c[k] · cos(2πkn/N))``, n = 0 … N - 1. Periodic means that sample N would be
sample 0 again: the form for spectra, in which the coefficients alone fix every figure below.

===================================  =====================================================================
:func:`blackman_harris`              four terms, side lobes -92 dB: for looking and finding
:func:`flat_top`                     HFT144D, side lobes -144 dB, a bin reads a line true to 0.002 dB
:func:`coherent_gain`                what a line's amplitude is multiplied by
:func:`noise_bandwidth_bins`         how many bins of noise one bin takes in
===================================  =====================================================================

For coefficients c the coherent gain is c[0] and the noise bandwidth (c[0]² + Σ c[k]²/2) / c[0]² bins.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from linecheck.dsp.arrays import FloatArray

#: Harris 1978, minimum four-term: signs alternate.
BLACKMAN_HARRIS = (0.35875, -0.48829, 0.14128, -0.01168)

#: HFT144D of Heinzel, Rüdiger and Schilling 2002, appendix D.
FLAT_TOP = (1.0, -1.96760033, 1.57983607, -0.81123644, 0.22583558, -0.02773848, 0.00090360)


@lru_cache(maxsize=16)
def _cosine_sum(frames: int, coefficients: tuple[float, ...]) -> FloatArray:
    """Return the periodic window of some coefficients, shape (frames,)."""
    turns = np.cos(2.0 * np.pi * np.arange(frames) / frames)
    # Clenshaw's recurrence: cos(kz) from cos(z) alone.
    later, latest = np.zeros(frames), np.zeros(frames)
    for coefficient in reversed(coefficients[1:]):
        later, latest = coefficient + 2.0 * turns * later - latest, later
    window: FloatArray = coefficients[0] + turns * later - latest
    window.setflags(write=False)
    return window


def blackman_harris(frames: int) -> FloatArray:
    """Return the four-term Blackman–Harris window, shape (frames,), greatest value 1.

    Noise bandwidth 2.0044 bins, highest side lobe -92.0 dB, first null at bin 4, half a bin off a line
    -0.826 dB.
    """
    return _cosine_sum(frames, BLACKMAN_HARRIS)


def flat_top(frames: int) -> FloatArray:
    """Return the flat-top window HFT144D, shape (frames,), mean 1.

    Noise bandwidth 4.5386 bins, highest side lobe -144.1 dB, first null at bin 7; anywhere within half a
    bin of a line its bin reads true to 0.0021 dB.
    """
    return _cosine_sum(frames, FLAT_TOP)


def coherent_gain(window: FloatArray) -> float:
    """Return the window's mean: what a line's amplitude in a transform divided by N is multiplied by."""
    return float(np.mean(window))


def noise_bandwidth_bins(window: FloatArray) -> float:
    """Return the equivalent noise bandwidth N · Σw² / (Σw)² in bins: 1 for a rectangle, 1.5 for Hann."""
    return float(len(window) * np.sum(window**2) / np.sum(window) ** 2)
