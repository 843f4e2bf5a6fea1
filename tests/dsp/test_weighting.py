"""What holds of every weighting at any frequency."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.dsp.spectra.weighting import (
    a_weighting_db,
    a_weighting_power,
    c_weighting_db,
    c_weighting_power,
    weighting_468_db,
    weighting_468_power,
)

PAIRS = [
    pytest.param(a_weighting_power, a_weighting_db, id="A"),
    pytest.param(c_weighting_power, c_weighting_db, id="C"),
    pytest.param(weighting_468_power, weighting_468_db, id="468"),
    pytest.param(
        lambda f: weighting_468_power(f, reference_hz=2000),
        lambda f: weighting_468_db(f, reference_hz=2000),
        id="468 re 2 kHz",
    ),
]


@pytest.mark.parametrize(("power", "level"), PAIRS)
def test_nothing_passes_at_0_hz(power, level):
    # Warnings are errors here: none comes of the logarithm of zero.
    assert power(np.array([0.0, 1000.0]))[0] == 0.0
    assert level(np.array([0.0, 1000.0]))[0] == -np.inf
    assert level(0.0) == -np.inf


@pytest.mark.parametrize(("power", "level"), PAIRS)
def test_power_and_decibels_agree_up_to_400_khz(power, level):
    frequencies = np.geomspace(1e-3, 400_000.0, 5000).reshape(50, 100)
    assert level(frequencies).shape == (50, 100)
    assert np.allclose(10.0 ** (level(frequencies) / 10.0), power(frequencies), rtol=1e-12, atol=0.0)
    assert np.array_equal(power(-frequencies), power(frequencies))


@pytest.mark.parametrize(("power", "reference"), [(PAIRS[0].values[0], 1e3), (PAIRS[3].values[0], 2e3)])
def test_unity_at_the_reference(power, reference):
    assert power(reference) == pytest.approx(1.0, abs=1e-15)


# Slopes far from all corners: of zeros at 0 and of the excess of poles, 20 dB per decade each.
@pytest.mark.parametrize(
    ("level", "rise", "fall"),
    [(a_weighting_db, 80.0, -40.0), (c_weighting_db, 40.0, -40.0), (weighting_468_db, 20.0, -100.0)],
)
def test_slopes_far_from_the_corners(level, rise, fall):
    low = level(np.array([1e-3, 1e-2]))
    high = level(np.array([1e7, 1e8]))
    assert low[1] - low[0] == pytest.approx(rise, abs=1e-4)
    assert high[1] - high[0] == pytest.approx(fall, abs=1e-3)


def exact_468(frequency):
    """The published polynomial in rational arithmetic: no rounding anywhere."""
    f = Fraction(frequency)
    h1 = [Fraction(c) for c in (1.0, -1.363894795463638e-7, 2.0438283336061252e-15, -4.7373389813783836e-24)]
    h2 = [Fraction(c) for c in (5.559488023498643e-4, -2.1181508875186556e-11, 1.3066122574128241e-19)]
    even = sum(c * f ** (2 * k) for k, c in enumerate(h1))
    odd = sum(c * f ** (2 * k + 1) for k, c in enumerate(h2))
    return f**2 / (even**2 + odd**2)


@given(st.floats(1e-3, 400_000.0))
def test_468_loses_no_digits_anywhere(frequency):
    exact = float(exact_468(frequency) / exact_468(1000.0))
    assert weighting_468_power(frequency) == pytest.approx(exact, rel=1e-13)


@given(st.floats(1e-3, 400_000.0))
def test_a_loses_no_digits_anywhere(frequency):
    # The other grouping of the same formula, in logarithms, with its poles to 14 digits.
    corners = np.array([20.598997057618, 107.652648643046, 737.862230736290, 12194.217147998012])
    f1, f2, f3, f4 = np.log1p((frequency / corners) ** 2)
    one1, one2, one3, one4 = np.log1p((1000.0 / corners) ** 2)
    exponent = (
        8.0 * np.log(frequency / 1000.0) - 2.0 * (f1 - one1) - (f2 - one2) - (f3 - one3) - 2.0 * (f4 - one4)
    )
    assert np.log(a_weighting_power(frequency)) == pytest.approx(exponent, abs=1e-10)
