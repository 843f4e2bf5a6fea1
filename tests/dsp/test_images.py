"""Images whose power is known: a held (zero-order hold) signal, and mirrored signals made line by line."""

import numpy as np
import pytest

from linecheck.dsp.responses.images import find_images
from linecheck.dsp.spectra.octaves import third_octaves

RATE_HZ, UNIT_HZ = 192_000, 44_100
BANDS = third_octaves(20.0, 0.5 * RATE_HZ)


def decibels(ratio):
    return 10.0 * np.log10(ratio)


def mirrored(gain, *, ppm=0.0, noise=1e-6, seed=0, seconds=1.0, lines=None):
    """Audio from 100 Hz to 19 kHz, its images about the unit's rate with an amplitude of ``gain``, and white noise.

    x (1 + 2 gain cos(2πFt)) is x with a copy of amplitude ``gain`` on either side of F. Returns the samples, and the
    images' true power in each band.
    """
    generator = np.random.default_rng(seed)
    sampling, frames = UNIT_HZ * (1.0 + 1e-6 * ppm), int(seconds * RATE_HZ)
    spacing = RATE_HZ / frames
    chosen = np.unique(generator.integers(100.0 / spacing, 19_000.0 / spacing, 3_000))
    places = chosen if lines is None else np.rint(np.array(lines) / spacing).astype(int)
    level = 0.1 / np.sqrt(len(places))
    spectrum = np.zeros(frames // 2 + 1, dtype=complex)
    spectrum[places] = 0.5 * frames * level * np.exp(2j * np.pi * generator.random(len(places)))
    carrier = np.cos(2.0 * np.pi * sampling / RATE_HZ * np.arange(frames) + 0.9)
    values = np.fft.irfft(spectrum, frames) * (1.0 + 2.0 * gain * carrier)
    power = np.zeros(len(BANDS))
    for copy in (sampling - places * spacing, sampling + places * spacing):
        index = np.searchsorted(BANDS.lower_hz, copy, side="right") - 1
        np.add.at(power, index, (gain * level) ** 2 / 2.0)
    return values + noise * generator.standard_normal(frames), power


def found(values):
    return find_images(values, RATE_HZ, UNIT_HZ, 1.1e-3, BANDS)


@pytest.mark.parametrize("ppm", [-1000.0, -300.0, 0.0, 12.0, 300.0, 1000.0])
@pytest.mark.parametrize("gain_db", [-20.0, -60.0, -90.0])
def test_images_have_their_power_and_give_the_rate(ppm, gain_db):
    values, true = mirrored(10.0 ** (gain_db / 20.0), ppm=ppm, noise=1e-6)
    images = found(values)
    assert images.sampling_hz == pytest.approx(UNIT_HZ * (1.0 + 1e-6 * ppm), abs=0.1)
    strong = true > 30.0 * images.uncertainty
    assert np.all(np.abs(images.power - true) <= 5.0 * images.uncertainty + 0.05 * true)
    if gain_db > -90.0:
        assert np.sum(strong) >= 5
        assert decibels(images.power[strong] / true[strong]) == pytest.approx(0.0, abs=0.35)


@pytest.mark.parametrize("frequency_hz", [997.0, 5_000.0, 17_640.0])
def test_a_single_tone_has_images_too(frequency_hz):
    values, true = mirrored(1e-4, ppm=123.0, lines=[frequency_hz], noise=1e-7)
    images = found(values)
    assert images.sampling_hz == pytest.approx(UNIT_HZ * (1.0 + 123e-6), abs=0.1)
    assert decibels(images.power[true > 0.0] / true[true > 0.0]) == pytest.approx(0.0, abs=0.1)


def test_noise_and_programme_without_images_have_none():
    for seed in range(10):
        values, _ = mirrored(0.0, seed=seed, noise=1e-5, seconds=0.5)
        images = found(values)
        assert images.sampling_hz is None
        assert np.all(images.power <= 5.0 * images.uncertainty)


def test_images_far_below_the_noise_are_found():
    # White noise of 1e-4 in half of 192 kHz: −80 dB; images 26 dB below what of it shares their bands.
    values, true = mirrored(1e-4, noise=1e-4, seed=3)
    images = found(values)
    assert images.sampling_hz == pytest.approx(UNIT_HZ, abs=0.1)
    total, spread = np.sum(images.power), np.sqrt(np.sum(images.uncertainty**2))
    assert total == pytest.approx(np.sum(true), abs=4.0 * spread)


def test_coverage_of_two_uncertainties():
    # The audio is the same each time; what differs is the noise, at about the level at which images are just resolved.
    clean, true = mirrored(3e-5, seed=5, noise=0.0, seconds=0.25)
    inside = []
    for seed in range(60):
        images = found(clean + 3e-5 * np.random.default_rng(seed).standard_normal(len(clean)))
        weighed = true > 0.0
        inside.append(np.abs(images.power - true)[weighed] < 2.0 * images.uncertainty[weighed])
    assert 0.93 < np.mean(inside) < 0.985
