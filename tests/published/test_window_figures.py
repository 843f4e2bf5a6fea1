"""The window's figures against those published.

G. Heinzel, A. Rüdiger, R. Schilling, "Spectrum and spectral density estimation by the Discrete Fourier
transform (DFT), including a comprehensive list of window functions and some new flat-top windows", 2002,
appendix C (read in texts that quote it), and F. J. Harris, "On the use of windows for harmonic analysis with the
discrete Fourier transform", 1978.
"""

import numpy as np
import pytest

from linecheck.dsp.spectra.spectra import NOISE_BANDWIDTH_BINS
from linecheck.dsp.spectra.windows import blackman_harris

FRAMES = 4096
PADDING = 64
#: The first null, in bins, and the highest side lobe, dB.
NULL, SIDE_LOBE = 4, -92.0


def test_published_figures():
    values = blackman_harris(FRAMES)
    bandwidth = FRAMES * np.sum(values**2) / np.sum(values) ** 2
    assert bandwidth == pytest.approx(2.0044, abs=5.1e-5)
    assert bandwidth == pytest.approx(NOISE_BANDWIDTH_BINS, abs=2e-7)
    # Levels at steps of 1/64 bin, from a transform of the padded window; its rounding lies below -290 dB.
    levels = np.abs(np.fft.rfft(values, PADDING * FRAMES)) / np.sum(values)
    levels = 20.0 * np.log10(np.maximum(levels, 1e-30))
    assert np.max(levels[NULL * PADDING :]) == pytest.approx(SIDE_LOBE, abs=0.06)
    assert levels[NULL * PADDING] < SIDE_LOBE - 40.0
    assert levels[PADDING // 2] == pytest.approx(-0.8256, abs=1e-4)


def test_blackman_harris_coherent_gain():
    # Harris 1978, Table I: 0.36 to two digits; the coefficient itself is 0.35875.
    assert np.mean(blackman_harris(FRAMES)) == pytest.approx(0.35875, abs=1e-12)
