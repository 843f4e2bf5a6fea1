"""Densities and line spectra against what they must read of known noise and lines."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.dsp.spectra.spectra import (
    TAPERS,
    band_power,
    density,
    find_lines,
    line_spectrum,
    reduce_peaks,
    usable_frames,
)

RATE = 44100


@pytest.mark.parametrize("frames", [1000, 2999, 44100, 191_999, 192_001])
def test_usable_length_is_close_below(frames):
    usable = usable_frames(frames)
    assert 0.95 * frames - 1 <= usable <= frames


def test_tapers_from_one_transform_are_the_sine_tapers():
    rng = np.random.default_rng(2)
    frames = 499
    values = rng.standard_normal(frames)
    places = np.arange(1, frames + 1)
    expected = np.zeros((frames + 1) // 2 + 1)
    for order in range(1, TAPERS + 1):
        taper = np.sqrt(2 / (frames + 1)) * np.sin(np.pi * order * places / (frames + 1))
        expected += np.abs(np.fft.rfft(values * taper, frames + 1)) ** 2
    expected *= 2.0 / (TAPERS * RATE)
    expected[0] *= 0.5
    np.testing.assert_allclose(density(values, RATE).values, expected, rtol=1e-9)


def test_white_noise_has_its_density_everywhere():
    values = np.random.default_rng(3).standard_normal(400_000)
    spectrum = density(values, RATE)
    blocks = spectrum.values[1 : 1 + 199 * 1000].reshape(199, -1).mean(axis=1) * RATE / 2
    assert np.all(np.abs(blocks - 1.0) < 0.1)
    assert np.mean(blocks) == pytest.approx(1.0, abs=0.01)


def test_band_power_and_its_uncertainty_over_400_repeats():
    truth = (20_000 - 20) / (RATE / 2)
    read = []
    for seed in range(400):
        frames = usable_frames(4410)
        values = np.random.default_rng([5, seed]).standard_normal(frames)
        read.append(band_power(density(values, RATE), 20.0, 20_000.0))
    powers, stated = np.array(read).T
    assert np.mean(powers) == pytest.approx(truth, rel=4 * np.std(powers) / truth / 20)
    assert np.mean(np.abs(powers - truth) < 2 * stated) == pytest.approx(0.95, abs=0.03)
    limit_db = 4.34 / np.sqrt(19_980 * 4410 / RATE)
    assert np.std(10 * np.log10(powers)) < 1.15 * limit_db


def test_what_lies_outside_the_band_stays_outside():
    """A one-bit stream's shaped noise stands 60 dB above the audio band's just outside it."""
    from scipy.signal import firwin

    rate, frames = 192_000, usable_frames(192_000)
    rng = np.random.default_rng(6)
    inside = rng.standard_normal(frames)
    shaped = np.convolve(
        1000.0 * rng.standard_normal(frames + 4000),
        firwin(4001, 21_000, pass_zero=False, fs=rate, window=("kaiser", 14.0)),
        mode="valid",
    )[:frames]
    alone = band_power(density(inside, rate), 20.0, 20_000.0)[0]
    together = band_power(density(inside + shaped, rate), 20.0, 20_000.0)[0]
    assert 10 * np.log10(together / alone) == pytest.approx(0.0, abs=0.01)


def test_an_edge_inside_a_bin_takes_its_share():
    values = np.random.default_rng(7).standard_normal(usable_frames(3000))
    spectrum = density(values, RATE)
    whole = band_power(spectrum, 1000.0, 3000.0)[0]
    parts = band_power(spectrum, 1000.0, 1777.7)[0] + band_power(spectrum, 1777.7, 3000.0)[0]
    assert whole == pytest.approx(parts, rel=1e-12)


def test_a_weight_multiplies_power():
    values = np.random.default_rng(8).standard_normal(usable_frames(3000))
    spectrum = density(values, RATE)
    power, spread = band_power(spectrum, 100.0, 9000.0)
    weight = np.full(len(spectrum.values), 4.0)
    assert band_power(spectrum, 100.0, 9000.0, weight) == pytest.approx((4 * power, 4 * spread))


@pytest.mark.parametrize("frequency", [1000.0, 1000.3, 5000.61])
def test_a_line_reads_true_at_any_resolution(frequency):
    values = 0.01 * np.cos(2 * np.pi * frequency * np.arange(44100) / RATE)
    for resolution in (3.0, 5.0, 20.0):
        _, power, _, reached = line_spectrum(values, RATE, resolution)
        assert reached == resolution
        assert 10 * np.log10(np.max(power) / 0.5e-4) == pytest.approx(0.0, abs=0.06)


def test_noise_reads_its_density_times_the_resolution():
    values = np.random.default_rng(9).standard_normal(10 * RATE)
    frequencies, power, _, _ = line_spectrum(values, RATE, 5.0)
    inside = (frequencies > 1000) & (frequencies < 20_000)
    assert np.mean(power[inside]) == pytest.approx(5.0 / (RATE / 2), rel=0.02)


def test_a_short_record_says_which_resolution_it_reached():
    _, _, _, reached = line_spectrum(np.ones(4410), RATE, 5.0)
    assert reached == pytest.approx(2.0043528 / 0.1)


def test_lines_are_found_in_noise_and_none_where_there_are_none():
    time = np.arange(44100) / RATE
    rng = np.random.default_rng(10)
    noise = 1e-4 * rng.standard_normal(44100)
    assert len(find_lines(noise, RATE, 10.0, 22_000.0)) == 0
    lines = 1e-5 * np.cos(2 * np.pi * 1234.5 * time) + 3e-5 * np.cos(2 * np.pi * 7000.2 * time)
    found = find_lines(noise + lines, RATE, 10.0, 22_000.0)
    np.testing.assert_allclose(found, [1234.5, 7000.2], atol=0.3)


@given(
    levels=st.lists(st.floats(-200, 0), min_size=2, max_size=5000),
    most=st.integers(10, 2000),
)
def test_peak_hold_loses_no_peak_and_moves_none(levels, most):
    x = np.arange(1.0, len(levels) + 1)
    y = np.array(levels)
    kept = reduce_peaks(x, y, most)
    assert len(kept) <= most
    assert np.max(y[kept]) == np.max(y)
    assert np.all(np.diff(kept) > 0)
    assert kept[-1] == len(x) - 1
