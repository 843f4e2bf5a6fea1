"""Periodic signals of many lines: their law, and reading them by another clock."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.dsp.fits.periodic import LineReader, PeriodicSignal, fitted_scale, period_frames, spread_phases


def dense(rate_hz, spacing_hz=50.0):
    period = period_frames(rate_hz, spacing_hz)
    return PeriodicSignal(period, np.arange(1, period // 2, 2))


def recorded(signal, scale, frames, shift, noise=0.0, seed=0):
    """The signal at its own rate times ``scale``, evaluated from its lines."""
    time = np.arange(frames) * scale - shift
    values = np.zeros(frames)
    for cycles, line in zip(signal.frequencies, signal.amplitudes(signal.orders), strict=True):
        values += (line * np.exp(2j * np.pi * np.mod(cycles * time, 1.0))).real
    return values + noise * np.random.default_rng(seed).standard_normal(frames)


@pytest.mark.parametrize("rate_hz", [8000, 32_000, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("spacing_hz", [5.0, 50.0])
def test_every_image_of_an_odd_line_is_an_odd_line(rate_hz, spacing_hz):
    period = period_frames(rate_hz, spacing_hz)
    assert period % 4 == 0
    assert 2 * rate_hz / period == pytest.approx(spacing_hz, rel=0.03)
    orders = np.arange(1, period // 2, 2)
    assert np.all((period - orders) % 2 == 1)
    assert period // 2 not in orders


@pytest.mark.parametrize("rate_hz", [8000, 44_100, 192_000])
def test_neighbouring_lines_have_a_low_crest_factor(rate_hz):
    values = dense(rate_hz).samples(dense(rate_hz).period)
    assert np.std(values) == pytest.approx(1.0, abs=1e-12)
    assert np.max(np.abs(values)) < 1.7


def test_half_a_period_later_it_is_its_negative():
    signal = dense(44_100)
    values = signal.samples(3 * signal.period)
    half = signal.period // 2
    assert np.max(np.abs(values[half:] + values[:-half])) < 1e-12


def test_samples_have_the_stated_lines():
    signal = PeriodicSignal(400, np.array([3, 7, 55, 199]))
    spectrum = np.fft.fft(signal.samples(400)) / 200
    assert np.allclose(spectrum[signal.orders], signal.amplitudes(signal.orders))
    images = np.array([400 - 3, 400 + 7, 800 - 55])
    assert np.allclose(spectrum[images % 400], signal.amplitudes(images))
    assert np.sum(np.abs(spectrum) > 1e-12) == 8


def test_phases_spread_the_lines_over_half_a_period():
    orders = np.arange(1, 200, 2)
    phases = spread_phases(orders, 400)
    delays = -np.diff(phases) / np.diff(orders) * 400 / (2 * np.pi)
    assert np.all(np.diff(delays) > 0)
    assert 0 < delays[0] < delays[-1] < 200


@settings(max_examples=10)
@given(ppm=st.floats(-1000, 1000), shift=st.floats(0, 4000), window=st.sampled_from(["flat", "close"]))
def test_lines_are_read_exactly_whatever_the_clock(ppm, shift, window):
    signal = dense(8000, 100.0)
    scale = 0.4 * (1 + 1e-6 * ppm)
    values = recorded(signal, scale, 20_000, shift)
    reader = LineReader(values, window)
    found = fitted_scale(reader, signal.frequencies * 0.4) * 0.4
    assert found == pytest.approx(scale, rel=1e-9)
    read = reader.read(signal.frequencies * found)
    middle = reader.middle * scale - shift
    true = signal.amplitudes(signal.orders) * np.exp(2j * np.pi * signal.frequencies * middle)
    assert np.max(np.abs(read / true - 1)) < (2e-5 if window == "flat" else 1e-6)


@pytest.mark.parametrize("window", ["flat", "close"])
def test_noise_is_estimated_from_what_the_fit_leaves(window):
    signal = dense(8000, 200.0)
    frequencies = signal.frequencies * 0.4
    estimated, errors = [], []
    for seed in range(40):
        values = recorded(signal, 0.4, 20_000, 0.0, noise=0.01, seed=seed)
        reader = LineReader(values, window)
        estimated.append(np.mean(reader.noise(frequencies)))
        true = signal.amplitudes(signal.orders) * np.exp(
            2j * np.pi * signal.frequencies * reader.middle * 0.4
        )
        errors.append(np.mean(np.abs(reader.read(frequencies) - true) ** 2))
    assert np.mean(estimated) == pytest.approx(np.mean(errors), rel=0.12)
    # White noise of variance s² adds 4 s²/N to a rectangle's line; the windows widen that to 1.3 and 2.9 times.
    wider = np.mean(errors) / (4 * 0.01**2 / 20_000)
    assert (1.05 < wider < 1.4) if window == "flat" else (2.6 < wider < 3.1)


def test_noise_alone_gives_no_great_lines():
    reader = LineReader(np.random.default_rng(1).standard_normal(20_000), "close")
    lines = dense(8000, 100.0).frequencies * 0.4
    between = 0.5 * (lines[1:] + lines[:-1])
    ratio = np.median(np.abs(reader.read(lines)) ** 2) / np.median(np.abs(reader.read(between)) ** 2)
    assert 0.3 < ratio < 3.0
