"""Distortion of known polynomials, in closed form, through the tone check.

For y = x + a2·x² + a3·x³ and x = A cos φ (from cos² and cos³ as sums of cosines): the fundamental is A + ¾
a3 A³, the second harmonic a2 A²/2, the third a3 A³/4 and the constant a2 A²/2. With A = 0.5 and a2 = a3 =
1e-3: 0.50009375, 1.25e-4, 3.125e-5, 1.25e-4, and a THD of 2.576458e-4 (-71.7795 dB). IEC 60268-3 has both
forms, harmonics re the fundamental and re the total; they agree here to six digits.
"""

import numpy as np
import pytest
from known_truth import measured, readings

from linecheck.checks.base import Capture

A2 = A3 = 1e-3


def bent(rate, frequency, amplitude, seconds=0.5, a2=A2, a3=A3):
    cycles = np.arange(int(rate * seconds)) * (frequency / rate)
    x = amplitude * np.cos(2.0 * np.pi * (cycles - np.rint(cycles)) + 0.2)
    return Capture((x + a2 * x**2 + a3 * x**3)[:, None].copy(), rate, (4.0,))


@pytest.mark.parametrize("rate", [44_100, 48_000, 192_000])
@pytest.mark.parametrize("frequency", [997.0, 997.2, 6001.3])
def test_single_tone(rate, frequency):
    capture = bent(rate, frequency, 0.5)
    _, result = measured("tone", capture, rate_hz=44_100, frequency_hz=frequency, seconds=0.4)
    got = {name: reading.value for name, reading in readings(result).items()}
    assert got["level_dbfs"] == pytest.approx(20.0 * np.log10(0.50009375), abs=1e-6)
    assert got["level"] == pytest.approx(4.0 * 0.50009375 / np.sqrt(2.0), rel=1e-7)
    assert got["harmonic_2"] == pytest.approx(20.0 * np.log10(1.25e-4 / 0.50009375), abs=1e-4)
    assert got["harmonic_3"] == pytest.approx(20.0 * np.log10(3.125e-5 / 0.50009375), abs=1e-4)
    assert got["thd"] == pytest.approx(-71.7795, abs=1e-4)
    assert got["thd_n"] == pytest.approx(-71.7795, abs=1e-4)
    assert got["sinad"] == pytest.approx(71.7795, abs=1e-4)
    assert got["dc_offset"] == pytest.approx(1e3 * 4.0 * 1.25e-4, rel=1e-6)


@pytest.mark.parametrize("rate", [44_100, 192_000])
@pytest.mark.parametrize("amplitude", [0.05, 0.9])
def test_harmonics_follow_the_law_of_their_order(rate, amplitude):
    # a2 A²/2 and a3 A³/4: 2 and 3 dB per dB of level, re the fundamental 1 and 2.
    fundamental = amplitude + 0.75 * A3 * amplitude**3
    _, result = measured("tone", bent(rate, 997.0, amplitude), rate_hz=44_100, seconds=0.4)
    got = {name: reading.value for name, reading in readings(result).items()}
    second, third = 0.5 * A2 * amplitude**2 / fundamental, 0.25 * A3 * amplitude**3 / fundamental
    assert got["harmonic_2"] == pytest.approx(20.0 * np.log10(second), abs=1e-3)
    assert got["harmonic_3"] == pytest.approx(20.0 * np.log10(third), abs=1e-3)
    assert got["thd"] == pytest.approx(20.0 * np.log10(np.hypot(second, third)), abs=1e-3)


def test_a_harmonic_beyond_the_band_counts_on_its_own_but_not_in_the_sums():
    # 9001 Hz: the second harmonic at 18002 Hz is in the band, the third at 27003 Hz is not.
    _, result = measured("tone", bent(96_000, 9001.0, 0.5), rate_hz=44_100, frequency_hz=9001.0, seconds=0.4)
    got = {name: reading.value for name, reading in readings(result).items()}
    assert got["harmonic_3"] == pytest.approx(20.0 * np.log10(3.125e-5 / 0.50009375), abs=1e-4)
    assert got["thd"] == pytest.approx(20.0 * np.log10(1.25e-4 / 0.50009375), abs=1e-4)


def test_nothing_but_a_tone_reads_below_minus_170_db():
    # The measurement's own floor: a clean float64 tone in, its residual out.
    for rate in (44_100, 192_000):
        _, result = measured("tone", bent(rate, 997.0, 0.9, a2=0.0, a3=0.0), rate_hz=44_100, seconds=0.4)
        assert readings(result)["thd_n"].value < -170.0
