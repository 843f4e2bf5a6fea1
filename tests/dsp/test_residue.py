"""What is left beside a tone in bands, and what settles after a change, against what was put in."""

import numpy as np
import pytest

from linecheck.dsp.fits.residue import residue, settling
from linecheck.dsp.fits.tones import fit_tones, synthesise

RATE = 96_000
FRAMES = 16_000
BANDS = [(20.0, 20_000.0), (20.0, 40_000.0)]


def tone(frequency, amplitude=0.5, phase=0.3):
    return amplitude * np.cos(2.0 * np.pi * frequency * np.arange(FRAMES) / RATE + phase)


@pytest.mark.parametrize("frequency", [97.3, 997.0, 6100.0, 15_000.0])
def test_harmonics_are_in_a_band_or_out_of_it(frequency):
    values = tone(frequency) + tone(2.0 * frequency, 1e-3) + tone(3.0 * frequency, 5e-4)
    left = residue(values, RATE, frequency * (1.0 + 1e-7), frequency, BANDS)
    assert left.amplitude == pytest.approx(0.5, rel=1e-6)
    for (_, high), (power, _) in zip(BANDS, left.powers, strict=True):
        expected = 0.5e-6 * (2.0 * frequency <= high) + 0.125e-6 * (3.0 * frequency <= high)
        assert power == pytest.approx(expected, rel=1e-3, abs=1e-13)


def test_the_noise_of_a_band_is_whole():
    ratios = []
    for seed in range(100):
        noise = 1e-3 * np.random.default_rng(seed).standard_normal(FRAMES)
        left = residue(tone(997.0) + noise, RATE, 997.0, 997.0, BANDS)
        expected = [1e-6 * (high - low) / 48_000 for low, high in BANDS]
        ratios.append([power / truth for (power, _), truth in zip(left.powers, expected, strict=True)])
        for (power, spread), (low, high) in zip(left.powers, BANDS, strict=True):
            assert spread / power == pytest.approx(1.0 / np.sqrt((high - low) * FRAMES / RATE), rel=0.15)
    assert np.mean(ratios, axis=0) == pytest.approx([1.0, 1.0], abs=0.01)


def test_an_image_counts_or_does_not_and_adds_no_uncertainty():
    values = tone(17_000.0) + tone(27_100.0, 1e-2)
    values += 1e-5 * np.random.default_rng(1).standard_normal(FRAMES)
    counted = residue(values, RATE, 17_000.0, 17_000.0, BANDS, (27_100.0, 61_100.0))
    ignored = residue(values, RATE, 17_000.0, 17_000.0, BANDS, (27_100.0, 61_100.0), count_images=False)
    assert counted.powers[1][0] == pytest.approx(0.5e-4, rel=1e-3)
    assert counted.powers[1][1] < 1e-3 * counted.powers[1][0]
    assert ignored.powers[1][0] < 1e-9
    assert ignored.powers[0] == counted.powers[0]


@pytest.mark.parametrize("corner_hz", [1.0, 7.2, 20.0, 40.0])
@pytest.mark.parametrize("frequency", [34.0, 167.0, 2400.0])
def test_an_exponential_is_taken_out_whole(corner_hz, frequency):
    values = 0.02 * np.exp(-2.0 * np.pi * corner_hz * np.arange(FRAMES) / RATE)
    values += tone(frequency) + 1e-6 * np.random.default_rng(2).standard_normal(FRAMES)
    left = residue(values, RATE, frequency, frequency, BANDS[:1])
    # 2 % of full scale at first; the noise alone has 4e-13 in the band.
    assert left.powers[0][0] < 3e-12
    assert left.amplitude == pytest.approx(0.5, rel=1e-4)


def test_where_nothing_settles_nothing_is_taken():
    noise = np.random.default_rng(3).standard_normal(FRAMES)
    tones = np.array([997.0]) / RATE
    fit = fit_tones(noise, tones)
    rest = noise - synthesise(FRAMES, tones, fit.amplitudes, fit.constant)
    found = settling(rest, RATE, tones)
    assert np.mean(found**2) < 2e-3
    assert not np.any(settling(rest[:100], RATE, tones))


def test_a_clean_tone_leaves_nothing():
    left = residue(tone(997.0), RATE, 997.0, 997.0, BANDS)
    assert 10.0 * np.log10(left.powers[0][0] / 0.125) < -170.0
