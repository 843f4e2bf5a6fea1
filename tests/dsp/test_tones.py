"""Fits against signals that are written down in closed form."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.dsp.fits.tones import (
    fit_lines,
    fit_scaled_tones,
    fit_tones,
    peak_frequency,
    project,
    synthesise,
)


def centred(frames):
    return np.arange(frames) - 0.5 * (frames - 1)


@pytest.mark.parametrize("frames", [100, 2048, 4096, 10_007])
def test_projection_is_the_fourier_sum(frames):
    values = np.random.default_rng(1).standard_normal(frames)
    frequencies = np.array([0.0, 0.01234, 0.25, 0.4999])
    direct = [np.sum(values * np.exp(-2j * np.pi * f * centred(frames))) for f in frequencies]
    np.testing.assert_allclose(project(values, frequencies), direct, rtol=0, atol=1e-9)


@pytest.mark.parametrize("frames", [100, 2048, 10_007])
def test_synthesis_is_the_sum_of_cosines(frames):
    frequencies, amplitudes = np.array([0.0123, 0.31]), np.array([0.5 + 0.2j, -0.1j])
    direct = 0.7 + sum(
        abs(c) * np.cos(2 * np.pi * f * centred(frames) + np.angle(c))
        for f, c in zip(frequencies, amplitudes, strict=True)
    )
    np.testing.assert_allclose(synthesise(frames, frequencies, amplitudes, 0.7), direct, rtol=0, atol=1e-11)


@given(
    frequencies=st.lists(st.floats(0.004, 0.49), min_size=1, max_size=6),
    seed=st.integers(0, 2**16),
    frames=st.sampled_from([3000, 3001]),
)
def test_known_tones_come_back_exactly(frequencies, seed, frames):
    kept: list[float] = []
    for frequency in frequencies:
        if all(abs(frequency - other) * frames > 1.0 for other in kept):
            kept.append(frequency)
    rng = np.random.default_rng(seed)
    amplitudes = rng.standard_normal(len(kept)) + 1j * rng.standard_normal(len(kept))
    fit = fit_tones(synthesise(frames, np.array(kept), amplitudes, 0.25), np.array(kept))
    np.testing.assert_allclose(fit.amplitudes, amplitudes, atol=1e-8)
    assert fit.constant == pytest.approx(0.25, abs=1e-8)


def test_least_squares_agrees_with_a_dense_solver():
    rng = np.random.default_rng(4)
    frames, frequencies = 999, np.array([0.021, 0.05, 0.333])
    values = rng.standard_normal(frames)
    angle = 2 * np.pi * np.outer(centred(frames), frequencies)
    design = np.column_stack([np.ones(frames), np.cos(angle), -np.sin(angle)])
    solution = np.linalg.lstsq(design, values, rcond=None)[0]
    fit = fit_tones(values, frequencies)
    np.testing.assert_allclose(fit.amplitudes, solution[1:4] + 1j * solution[4:], atol=1e-12)
    assert fit.constant == pytest.approx(solution[0], abs=1e-13)


@pytest.mark.parametrize("off", [-0.3, 0.0, 0.2])
def test_one_scale_moves_all_harmonics(off):
    frames, fundamental = 44100, 997.0 / 44100 * (1 + 213e-6)
    frequencies = fundamental * np.arange(1, 10)
    amplitudes = 0.5 * 10.0 ** (-np.arange(9) / 2.0) * np.exp(1j * np.arange(9))
    values = synthesise(frames, frequencies, amplitudes, 0.01)
    fit, residual = fit_scaled_tones(values, frequencies + off / frames * np.arange(1, 10))
    assert fit.frequencies[0] == pytest.approx(fundamental, rel=1e-13)
    assert 20 * np.log10(np.std(residual) / np.std(values)) < -200.0


def test_numerical_floor_is_below_170_db():
    time = np.arange(192_000) / 192_000
    values = 0.999 * np.sin(2 * np.pi * 997 * (1 + 123.4e-6) * time + 0.3)
    start, _ = peak_frequency(values, 990 / 192_000, 1004 / 192_000)
    _, residual = fit_scaled_tones(values, np.array([start]))
    assert 20 * np.log10(np.std(residual) / np.std(values)) < -170.0


def test_lines_each_find_their_own_frequency():
    frames = 20_000
    truth = np.array([0.0123456, 0.1, 0.23456])
    values = synthesise(frames, truth, np.array([1e-3, 1e-4j, 1e-5 + 0j]))
    fit, residual = fit_lines(values, truth + np.array([0.1, -0.2, 0.15]) / frames)
    np.testing.assert_allclose(fit.frequencies, truth, atol=1e-3 / frames)
    assert np.max(np.abs(residual)) < 1e-6


def test_no_lines_leave_the_record_alone():
    values = np.arange(10.0)
    fit, residual = fit_lines(values, np.zeros(0))
    assert len(fit.frequencies) == 0
    np.testing.assert_allclose(residual, values - np.mean(values))


@given(frequency=st.floats(0.01, 0.45), phase=st.floats(-3.1, 3.1))
def test_a_peak_is_found_to_a_twentieth_of_a_bin(frequency, phase):
    frames = 5000
    values = np.cos(2 * np.pi * frequency * np.arange(frames) + phase)
    found, prominence = peak_frequency(values, frequency * 0.99, frequency * 1.01)
    assert abs(found - frequency) * frames < 0.05
    assert prominence > 1e4


def test_noise_has_no_prominent_peak():
    highest = max(
        peak_frequency(np.random.default_rng(seed).standard_normal(20_000), 0.0224, 0.0228)[1]
        for seed in range(50)
    )
    assert highest < 50.0
