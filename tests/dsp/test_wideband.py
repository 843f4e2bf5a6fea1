import numpy as np
import pytest

from linecheck.dsp.spectra.octaves import third_octaves
from linecheck.dsp.spectra.spectra import band_power
from linecheck.dsp.spectra.wideband import audio_part, high_part

RATE_HZ = 192_000


def decibels(ratio):
    return 10.0 * np.log10(ratio)


def white(density, seed=1, seconds=1.0):
    """White noise of a one-sided density."""
    frames = int(seconds * RATE_HZ)
    return np.random.default_rng(seed).standard_normal(frames) * np.sqrt(density * RATE_HZ / 2.0)


def sine(frequency_hz, amplitude=1.0, seconds=1.0):
    return amplitude * np.sin(2.0 * np.pi * frequency_hz / RATE_HZ * np.arange(int(seconds * RATE_HZ)) + 0.7)


@pytest.mark.parametrize("tone_hz", [0.0, 50.0, 997.0, 9_000.0, 15_500.0])
def test_faint_noise_far_above_a_full_scale_tone_reads_true(tone_hz):
    values = white(1e-17) + sine(tone_hz)
    part = high_part(values, RATE_HZ, 10_000.0)
    for band in ((20_000.0, 30_000.0), (40_000.0, 60_000.0), (60_000.0, 95_000.0)):
        power, spread = band_power(part.noise, *band)
        assert spread == pytest.approx(power / np.sqrt(band[1] - band[0]), rel=0.1)
        assert power == pytest.approx(1e-17 * (band[1] - band[0]), abs=5.0 * spread)


def test_noise_high_up_does_not_reach_the_audio_band():
    noise = np.fft.rfft(white(1e-8))
    noise[:30_000] = 0.0
    values = np.fft.irfft(noise, RATE_HZ) + white(1e-17, seed=2)
    power, spread = band_power(audio_part(values, RATE_HZ, 20.0, 20_000.0).noise, 20.0, 20_000.0)
    assert power == pytest.approx(1e-17 * 19_980.0, abs=5.0 * spread)


def test_lines_stand_apart_from_noise():
    values = white(1e-14) + sine(997.0, 0.5) + sine(31_234.5, 1e-4) + sine(62_000.3, 3e-6)
    part = high_part(values, RATE_HZ, 10_000.0)
    assert [line.frequency_hz for line in part.lines] == pytest.approx([31_234.5, 62_000.3], abs=0.05)
    for line, amplitude in zip(part.lines, (1e-4, 3e-6), strict=True):
        assert line.power.value == pytest.approx(amplitude**2 / 2.0, abs=4.0 * line.power.uncertainty)
        assert line.power.uncertainty < 0.2 * line.power.value
    power, spread = band_power(part.noise, 25_000.0, 70_000.0)
    assert power == pytest.approx(1e-14 * 45_000.0, abs=5.0 * spread)
    audio = audio_part(values, RATE_HZ, 20.0, 20_000.0)
    assert [line.frequency_hz for line in audio.lines] == pytest.approx([997.0], abs=0.001)
    assert audio.lines[0].power.value == pytest.approx(0.125, rel=1e-6)


def test_noise_alone_has_no_lines():
    for seed in range(12):
        values = white(1e-12, seed, seconds=0.5)
        assert high_part(values, RATE_HZ, 10_000.0).lines == ()
        assert audio_part(values, RATE_HZ, 20.0, 20_000.0).lines == ()


def test_a_short_record_will_do():
    part = high_part(white(1e-12, seconds=0.1), RATE_HZ, 10_000.0)
    power, spread = band_power(part.noise, 20_000.0, 90_000.0)
    assert power == pytest.approx(7e-8, abs=5.0 * spread)


def test_spread_of_band_powers_is_near_the_limit_and_as_stated():
    # 4.34 / sqrt(B·T) dB, within 1.15 of it.
    bands = third_octaves(20_000.0, 90_000.0)
    measured, stated = [], []
    for seed in range(60):
        part = high_part(white(1e-12, seed, seconds=0.3), RATE_HZ, 10_000.0)
        both = [band_power(part.noise, *edges) for edges in zip(bands.lower_hz, bands.upper_hz, strict=True)]
        measured.append([decibels(power / 1e-12) for power, _ in both])
        stated.append([4.343 * spread / power for power, spread in both])
    limit = 4.343 / np.sqrt(0.3 * (bands.upper_hz - bands.lower_hz))
    assert np.sqrt(np.mean((np.std(measured, axis=0) / limit) ** 2)) < 1.15
    assert np.mean(stated, axis=0) == pytest.approx(limit, rel=0.06)
