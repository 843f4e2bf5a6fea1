"""Quantising: dither's statistics, the codes' bounds, and bytes that never change."""

import hashlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.dsp.quantise import full_scale_amplitude, quantise, triangular_dither


def test_dither_is_triangular():
    dither = triangular_dither(200_000, (1, 0))
    assert np.max(np.abs(dither)) <= 1.0
    assert np.mean(dither) == pytest.approx(0.0, abs=0.004)
    assert np.var(dither) == pytest.approx(1 / 6, rel=0.01)
    assert np.mean(np.abs(dither) < 0.5) == pytest.approx(0.75, abs=0.005)


def test_total_error_is_a_quarter_of_a_squared_step():
    """Lipshitz, Wannamaker and Vanderkooy 1992 (from memory)."""
    values = 0.7 * np.sin(0.1234 * np.arange(200_000))[:, None]
    error = quantise(values, 16, 5)[:, 0] / 2.0**31 - values[:, 0]
    assert np.var(error * 2**15) == pytest.approx(0.25, rel=0.02)
    assert np.mean(error * 2**15) == pytest.approx(0.0, abs=0.006)


def test_bytes_never_change():
    values = np.stack([0.5 * np.sin(0.05 * np.arange(1000)), np.zeros(1000)], axis=1)
    digest = hashlib.sha256(quantise(values, 24, 1).tobytes()).hexdigest()
    assert digest == "74e44e652b9e3c605ca2341108004f680d76035730c22c6987f8165d9d323f1b"


def test_channels_have_dither_of_their_own():
    codes = quantise(np.zeros((1000, 2)), 16, 1)
    assert not np.array_equal(codes[:, 0], codes[:, 1])


@given(bits=st.integers(8, 32), level=st.floats(-1, 1), dither=st.booleans())
def test_codes_are_left_justified_and_near(bits, level, dither):
    codes = quantise(np.full((50, 1), level), bits, 3, dither=dither).astype(np.int64)
    assert np.all(codes % 2 ** (32 - bits) == 0)
    step = 2.0 ** (1 - bits)
    assert np.all(np.abs(codes / 2.0**31 - level) <= (1.5 if dither else 1.0) * step + 1e-15)


@pytest.mark.parametrize("bad", [np.nan, np.inf, 1.0001])
def test_what_would_clip_is_refused(bad):
    with pytest.raises(ValueError, match="within full scale"):
        quantise(np.array([[bad]]), 16, 1)


@pytest.mark.parametrize("bits", [16, 24])
def test_full_scale_never_reaches_the_rail_with_dither(bits):
    peak = np.full((10_000, 1), full_scale_amplitude(0.0, bits))
    assert np.max(quantise(peak, bits, 2)) >> (32 - bits) <= 2 ** (bits - 1) - 1
    assert 20 * np.log10(peak[0, 0]) > -0.0007
    assert full_scale_amplitude(-20.0, bits) == pytest.approx(0.1, rel=1e-4)
