"""Closed forms of cosine-sum windows, at any length."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal.windows import blackmanharris, general_cosine

from linecheck.dsp.spectra.windows import (
    BLACKMAN_HARRIS,
    FLAT_TOP,
    blackman_harris,
    coherent_gain,
    flat_top,
    noise_bandwidth_bins,
)

WINDOWS = [
    pytest.param(blackman_harris, BLACKMAN_HARRIS, id="Blackman-Harris"),
    pytest.param(flat_top, FLAT_TOP, id="flat top"),
]


@pytest.mark.parametrize(("window", "coefficients"), WINDOWS)
@given(frames=st.integers(15, 5000))
def test_gain_and_bandwidth_follow_from_the_coefficients(window, coefficients, frames):
    # Exact from 15 frames on: fewer, and the highest cosine's square folds back onto the mean.
    values = window(frames)
    first, *others = coefficients
    assert coherent_gain(values) == pytest.approx(first, rel=1e-12)
    closed = (first**2 + 0.5 * sum(c**2 for c in others)) / first**2
    assert noise_bandwidth_bins(values) == pytest.approx(closed, rel=1e-12)


@pytest.mark.parametrize(("window", "coefficients"), WINDOWS)
@given(frames=st.integers(15, 5000))
def test_periodic_and_even(window, coefficients, frames):
    values = window(frames)
    assert np.allclose(values[1:], values[:0:-1], rtol=0.0, atol=1e-12)
    assert values[0] == pytest.approx(sum(coefficients), abs=1e-12)
    assert np.argmax(values) in (frames // 2, (frames + 1) // 2)


def test_same_as_scipy():
    assert np.allclose(blackman_harris(4096), blackmanharris(4096, sym=False), rtol=0.0, atol=1e-13)
    # SciPy wants the coefficients without their signs.
    reference = general_cosine(4096, np.abs(FLAT_TOP), sym=False)
    assert np.allclose(flat_top(4096), reference, rtol=0.0, atol=1e-12)


def test_rectangle_and_hann():
    assert noise_bandwidth_bins(np.ones(100)) == pytest.approx(1.0)
    hann = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(100) / 100)
    assert noise_bandwidth_bins(hann) == pytest.approx(1.5)
    assert coherent_gain(hann) == pytest.approx(0.5)
