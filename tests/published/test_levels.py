"""Levels: volts, dB re full scale, and what they are elsewhere called.

A full-scale sine is 0 dBFS; a full-scale square wave is +3.01 dBFS (AES17-2015, 3.12.1, as a second text
quotes it). 0 dBu is √0.6 V (1 mW in 600 Ω), 0 dBV is 1 V.
"""

import numpy as np
import pytest
from known_truth import measured, readings

from linecheck.checks.base import Capture


def sine(amplitude, rate=48_000, full_scale_volts=None, frequency=997.0, dtype=np.float64):
    values = amplitude * np.cos(2.0 * np.pi * frequency / rate * np.arange(int(0.5 * rate)) + 0.4)
    if dtype is np.int32:
        values = np.rint(values * (2**31 - 1))
    volts = None if full_scale_volts is None else (full_scale_volts,)
    return Capture(values.astype(dtype)[:, None], rate, volts, bits=32 if dtype is np.int32 else None)


def value(capture, metric):
    return readings(measured("tone", capture, rate_hz=48_000, seconds=0.4)[1])[metric].value


@pytest.mark.parametrize("dtype", [np.int32, np.float32, np.float64])
def test_full_scale_sine_is_0_dbfs(dtype):
    assert value(sine(1.0, dtype=dtype), "level_dbfs") == pytest.approx(0.0, abs=1e-6)


def test_full_scale_square_is_3_dbfs():
    # The tone's share is that of a square's fundamental, 4/π; with all that comes besides it the square has
    # twice the power of a full-scale sine.
    square = Capture(np.sign(sine(1.0).samples), 48_000)
    _, result = measured("tone", square, {"band_hz": [0, 24_000]}, rate_hz=48_000, seconds=0.4)
    got = {name: reading.value for name, reading in readings(result).items()}
    assert got["level_dbfs"] == pytest.approx(20.0 * np.log10(4.0 / np.pi), abs=0.001)
    total = got["level_dbfs"] + 10.0 * np.log10(1.0 + 10.0 ** (got["thd_n"] / 10.0))
    assert total == pytest.approx(3.0103, abs=0.02)


# V rms, dBV, dBu, peak volts. 2 V is an unbalanced player's full scale, 0.5 V what it puts out for -12 dBFS
# (IEC 61938's reference level); 4 V a balanced output's (common practice, no source); 1.2277 V is +4 dBu.
@pytest.mark.parametrize(
    ("volts", "dbv", "dbu", "peak"),
    [
        (0.316228, -10.0, -7.7815, 0.4472),
        (0.5, -6.0206, -3.8021, 0.7071),
        (0.774597, -2.2185, 0.0, 1.0954),
        (1.2277, 1.7818, 4.0003, 1.7362),
        (2.0, 6.0206, 8.2391, 2.8284),
        (4.0, 12.0412, 14.2597, 5.6569),
    ],
)
def test_volts_from_the_capture_s_full_scale(volts, dbv, dbu, peak):
    # The capture's full scale is 6.3 V peak.
    read = value(sine(peak / 6.3, full_scale_volts=6.3), "level")
    assert read == pytest.approx(volts, rel=6e-5)
    assert 20.0 * np.log10(read) == pytest.approx(dbv, abs=6e-4)
    assert 20.0 * np.log10(read / np.sqrt(0.6)) == pytest.approx(dbu, abs=6e-4)


def test_minus_12_dbfs_of_a_2_volt_player_is_half_a_volt():
    full_scale = 2.0 * np.sqrt(2.0)
    read = value(sine(10.0 ** (-12.0412 / 20.0), full_scale_volts=full_scale), "level")
    assert read == pytest.approx(0.5, rel=1e-5)


def test_level_does_not_depend_on_the_capture_s_rate():
    for rate in (44_100, 96_000, 192_000):
        assert value(sine(0.25, rate=rate), "level_dbfs") == pytest.approx(-12.0412, abs=1e-4)


def test_noise_of_a_source_resistance_re_2_volts():
    # 4 k T R B at 20 °C over 20 kHz, re 2 V: 1 kΩ -130.92 dB. White noise of that density reads so,
    # A-weighted or not by its own factor; through the quiet check with its level as the 2 V tone check gave
    # it.
    from linecheck.checks.base import Reference

    density = 4.0 * 1.380649e-23 * 293.15 * 1000.0
    rate, full_scale = 48_000, 2.0 * np.sqrt(2.0)
    noise = np.random.default_rng(8).standard_normal(5 * rate) * np.sqrt(density * rate / 2.0) / full_scale
    capture = Capture(noise[:, None].copy(), rate, (full_scale,))
    reference = Reference("tone", (0.0,), (0.0,))
    _, result = measured("quiet", capture, {"band_hz": [0, 20_000]}, reference, rate_hz=rate, seconds=4.8)
    assert readings(result)["snr"].value == pytest.approx(130.92, abs=0.06)
