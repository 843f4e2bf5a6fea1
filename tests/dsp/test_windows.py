"""Closed forms of the cosine-sum window, at any length."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal.windows import blackmanharris

from linecheck.dsp.spectra.windows import BLACKMAN_HARRIS, blackman_harris


@given(frames=st.integers(15, 5000))
def test_gain_and_bandwidth_follow_from_the_coefficients(frames):
    # Exact from 15 frames on: fewer, and the highest cosine's square folds back onto the mean.
    values = blackman_harris(frames)
    first, *others = BLACKMAN_HARRIS
    assert np.mean(values) == pytest.approx(first, rel=1e-12)
    closed = (first**2 + 0.5 * sum(c**2 for c in others)) / first**2
    assert np.mean(values**2) / np.mean(values) ** 2 == pytest.approx(closed, rel=1e-12)


@given(frames=st.integers(15, 5000))
def test_periodic_and_even(frames):
    values = blackman_harris(frames)
    assert np.allclose(values[1:], values[:0:-1], rtol=0.0, atol=1e-12)
    assert values[0] == pytest.approx(sum(BLACKMAN_HARRIS), abs=1e-12)
    assert np.argmax(values) in (frames // 2, (frames + 1) // 2)


def test_same_as_scipy():
    assert np.allclose(blackman_harris(4096), blackmanharris(4096, sym=False), rtol=0.0, atol=1e-13)
