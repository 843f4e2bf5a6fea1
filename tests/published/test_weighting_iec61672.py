"""A- and C-weighting against IEC 61672-1:2013, Table 3 and Annex E."""

import numpy as np
import pytest

from linecheck.dsp.spectra.weighting import a_weighting_db, a_weighting_power, c_weighting_db

# Table 3: n, nominal frequency in Hz, A in dB, C in dB. The values belong to the exact frequency 1000 ·
# 10**(n/10).
TABLE_3 = """
-20 10    -70.4 -14.3
-19 12.5  -63.4 -11.2
-18 16    -56.7  -8.5
-17 20    -50.5  -6.2
-16 25    -44.7  -4.4
-15 31.5  -39.4  -3.0
-14 40    -34.6  -2.0
-13 50    -30.2  -1.3
-12 63    -26.2  -0.8
-11 80    -22.5  -0.5
-10 100   -19.1  -0.3
-9  125   -16.1  -0.2
-8  160   -13.4  -0.1
-7  200   -10.9   0.0
-6  250    -8.6   0.0
-5  315    -6.6   0.0
-4  400    -4.8   0.0
-3  500    -3.2   0.0
-2  630    -1.9   0.0
-1  800    -0.8   0.0
0   1000    0.0   0.0
1   1250    0.6   0.0
2   1600    1.0  -0.1
3   2000    1.2  -0.2
4   2500    1.3  -0.3
5   3150    1.2  -0.5
6   4000    1.0  -0.8
7   5000    0.5  -1.3
8   6300   -0.1  -2.0
9   8000   -1.1  -3.0
10  10000  -2.5  -4.4
11  12500  -4.3  -6.2
12  16000  -6.6  -8.5
13  20000  -9.3 -11.2
"""
ROWS = [tuple(float(cell) for cell in line.split()) for line in TABLE_3.strip().splitlines()]

# The table is rounded to 0.1 dB: the formula lies within half of that, and is off by more at the nominal
# frequencies.
ROUNDING_DB = 0.05


def test_the_table_is_whole():
    assert len(ROWS) == 34
    assert [row[0] for row in ROWS] == list(range(-20, 14))


@pytest.mark.parametrize(("order", "nominal", "a", "c"), ROWS)
def test_every_row_of_table_3(order, nominal, a, c):
    exact = 1000.0 * 10.0 ** (order / 10.0)
    assert exact == pytest.approx(nominal, rel=0.015)
    assert a_weighting_db(exact) == pytest.approx(a, abs=ROUNDING_DB)
    assert c_weighting_db(exact) == pytest.approx(c, abs=ROUNDING_DB)


# The analytic form of Annex E with unrounded poles, evaluated by other software at exact frequencies.
@pytest.mark.parametrize(
    ("order", "a", "c"),
    [(-20, -70.4304, -14.3300), (-10, -19.1428, -0.2996), (3, 1.1999, -0.1685), (13, -9.3169, -11.2486)],
)
def test_the_unrounded_formula(order, a, c):
    exact = 1000.0 * 10.0 ** (order / 10.0)
    assert a_weighting_db(exact) == pytest.approx(a, abs=6e-5)
    assert c_weighting_db(exact) == pytest.approx(c, abs=6e-5)


@pytest.mark.parametrize(("frequency", "a"), [(20_000.0, -9.3469), (16_000.0, -6.7063), (12_500.0, -4.2542)])
def test_single_points_at_nominal_frequencies(frequency, a):
    assert a_weighting_db(frequency) == pytest.approx(a, abs=6e-5)


def test_rounded_constants_of_annex_e_give_the_same_to_their_rounding():
    # E.4.1, E.4.2: f1 = 20.60, f2 = 107.7, f3 = 737.9, f4 = 12194 Hz, A1000 = -2.000 dB, C1000 = -0.062 dB.
    f1, f2, f3, f4 = 20.60, 107.7, 737.9, 12194.0
    f = np.geomspace(10.0, 20_000.0, 500)
    c = 20.0 * np.log10(f4**2 * f**2 / ((f**2 + f1**2) * (f**2 + f4**2)))
    a = c + 20.0 * np.log10(f**2 / np.sqrt((f**2 + f2**2) * (f**2 + f3**2)))
    assert np.max(np.abs(a + 2.000 - a_weighting_db(f))) < 0.005
    assert np.max(np.abs(c + 0.062 - c_weighting_db(f))) < 0.002


def test_c_is_exactly_half_the_power_at_its_defining_corners():
    # Annex E: 10**1.5 Hz and 10**3.9 Hz (from memory).
    corners = c_weighting_db(np.array([10.0**1.5, 10.0**3.9]))
    assert corners == pytest.approx([-10.0 * np.log10(2.0)] * 2, abs=1e-9)


# Weighted over unweighted power of flat noise, by integrating Annex E with other software.
@pytest.mark.parametrize(
    ("low", "high", "factor"),
    [(0.0, 20_000.0, -2.0526), (20.0, 20_000.0, -2.0483), (0.0, 22_050.0, -2.4051), (0.0, 24_000.0, -2.7225)],
)
def test_factor_of_white_noise(low, high, factor):
    frequencies = np.linspace(low, high, 200_001)
    mean = np.trapezoid(a_weighting_power(frequencies), frequencies) / (high - low)
    assert 10.0 * np.log10(mean) == pytest.approx(factor, abs=1e-4)
