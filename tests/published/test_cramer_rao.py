"""The estimators' spread against the least that any unbiased estimator can have.

Cramér–Rao bounds of one real tone A cos(ωn + φ) in white noise of variance σ², N frames, the tone away from
0 and half the rate (Rife and Boorstyn 1974, Kay 1993; from memory): var A ≥ 2σ²/N; var ω ≥ 24σ²/(A² N (N² -
1)); var φ ≥ 2σ²/(A² N) in the record's middle. A band's noise power from B hertz and T seconds of Gaussian
noise has a relative spread of 1/√(BT) at least: 4.34/√(BT) dB.
"""

import numpy as np
import pytest
from repeats import assert_near

from linecheck.dsp.fits.tones import fit_scaled_tones
from linecheck.dsp.spectra.spectra import band_power, density

REPEATS = 250
FRAMES = 1999


def spread_over_bound(snr_db, frames, frequencies):
    """Spread of level, frequency and phase of the first tone over their bounds."""
    amplitude, sigma = 0.7, 0.7 / np.sqrt(2.0) * 10.0 ** (-snr_db / 20.0)
    time = np.arange(frames) - 0.5 * (frames - 1)
    cycles = 0.0613
    generator = np.random.default_rng((frames, snr_db))
    fitted = np.empty((REPEATS, 3))
    for repeat in range(REPEATS):
        phase = generator.uniform(-np.pi, np.pi)
        noise = sigma * generator.standard_normal(frames)
        values = amplitude * np.cos(2.0 * np.pi * cycles * time + phase) + noise
        start = cycles + generator.uniform(-0.2, 0.2) / frames
        fit, _ = fit_scaled_tones(values, start * frequencies)
        turned = fit.amplitudes[0] * np.exp(-1j * phase)
        fitted[repeat] = abs(turned), 2.0 * np.pi * fit.frequencies[0], np.angle(turned)
    bound = np.sqrt(
        [
            2.0 * sigma**2 / frames,
            24.0 * sigma**2 / (amplitude**2 * frames * (frames**2 - 1.0)),
            2.0 * sigma**2 / (amplitude**2 * frames),
        ]
    )
    centre = np.mean(fitted, axis=0) - np.array([amplitude, 2.0 * np.pi * cycles, 0.0])
    return np.std(fitted, axis=0) / bound, centre / bound


@pytest.mark.parametrize(
    ("frames", "snr_db"), [(FRAMES, 10), (FRAMES + 1, 40), (FRAMES, 80), (FRAMES + 1, 120)]
)
def test_level_frequency_and_phase_reach_the_bound(frames, snr_db):
    spread, bias = spread_over_bound(snr_db, frames, np.array([1.0]))
    for one in spread:
        assert_near(one, REPEATS)
    assert np.all(np.abs(bias) < 4.0 / np.sqrt(REPEATS)), bias


def test_fitting_harmonics_that_are_not_there_costs_nothing():
    spread, bias = spread_over_bound(60, FRAMES, np.arange(1.0, 8.0))
    for one in spread:
        assert_near(one, REPEATS)
    assert np.all(np.abs(bias) < 4.0 / np.sqrt(REPEATS)), bias


@pytest.mark.parametrize(("low", "high"), [(20.0, 20_000.0), (20.0, 2_000.0)])
def test_band_noise_comes_near_its_limit(low, high):
    rate, seconds = 48_000, 0.25
    generator = np.random.default_rng(5)
    powers = np.empty((REPEATS, 2))
    for repeat in range(REPEATS):
        values = generator.standard_normal(int(rate * seconds) - 1)
        powers[repeat] = band_power(density(values, rate), low, high)
    decibels = 10.0 * np.log10(powers[:, 0])
    limit = 10.0 / np.log(10.0) / np.sqrt((high - low) * seconds)
    assert_near(np.std(decibels) / limit, REPEATS)
    # White noise of variance 1 has a density of 2/rate; the stated uncertainty is the spread there is.
    expected = 2.0 / rate * (high - low)
    assert np.mean(powers[:, 0]) == pytest.approx(
        expected, rel=4.0 * np.std(powers[:, 0]) / expected / REPEATS**0.5
    )
    assert np.mean(powers[:, 1]) == pytest.approx(np.std(powers[:, 0]), rel=0.15)
