"""The windows' figures against those published.

G. Heinzel, A. Rüdiger, R. Schilling, "Spectrum and spectral density estimation by the Discrete Fourier
transform (DFT), including a comprehensive list of window functions and some new flat-top windows", 2002,
appendices C and D (read in texts that quote it), and F. J. Harris, "On the use of windows for harmonic
analysis with the discrete Fourier transform", 1978.
"""

import numpy as np
import pytest

from linecheck.dsp.spectra.windows import blackman_harris, coherent_gain, flat_top, noise_bandwidth_bins

FRAMES = 4096
PADDING = 64

WINDOWS = [
    # window, NENBW in bins, highest side lobe in dB, first null in bins, level half a bin off in dB
    pytest.param(blackman_harris, 2.0044, -92.0, 4, -0.8256, id="Blackman-Harris"),
    # Level half a bin off: computed.
    pytest.param(flat_top, 4.5386, -144.1, 7, 0.0021, id="HFT144D"),
]


def response(window, bins):
    """Level of a line some bins off, dB, by the plain Fourier sum."""
    values = window(FRAMES)
    frames = np.arange(FRAMES) - FRAMES / 2.0
    sums = np.exp(-2j * np.pi / FRAMES * np.outer(bins, frames)) @ values
    return 20.0 * np.log10(np.abs(sums) / np.sum(values))


def padded(window):
    """Levels at steps of 1/64 bin, from a transform of the padded window; its rounding lies below -290 dB."""
    values = window(FRAMES)
    levels = np.abs(np.fft.rfft(values, PADDING * FRAMES)) / np.sum(values)
    return 20.0 * np.log10(np.maximum(levels, 1e-30))


@pytest.mark.parametrize(("window", "bandwidth", "side_lobe", "null", "half_bin"), WINDOWS)
def test_published_figures(window, bandwidth, side_lobe, null, half_bin):
    assert noise_bandwidth_bins(window(FRAMES)) == pytest.approx(bandwidth, abs=5.1e-5)
    levels = padded(window)
    assert np.max(levels[null * PADDING :]) == pytest.approx(side_lobe, abs=0.06)
    assert levels[null * PADDING] < side_lobe - 40.0
    assert abs(response(window, [0.5])[0]) == pytest.approx(abs(half_bin), abs=1e-4)


def test_flat_top_width():
    # Published W_3dB 4.4697 bins (at -3.000 dB, not at half the power).
    assert response(flat_top, [4.4697 / 2.0])[0] == pytest.approx(-3.0, abs=3e-4)


def test_flat_top_is_flat_within_half_a_bin():
    # Computed: 0.0021 dB at most.
    assert np.max(np.abs(response(flat_top, np.linspace(-0.5, 0.5, 101)))) == pytest.approx(0.0021, abs=1e-4)


def test_blackman_harris_coherent_gain():
    # Harris 1978, Table I: 0.36 to two digits; the coefficient itself is 0.35875.
    assert coherent_gain(blackman_harris(FRAMES)) == pytest.approx(0.35875, abs=1e-12)
