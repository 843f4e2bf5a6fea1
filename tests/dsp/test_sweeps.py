"""Sweeps: the stretched reference's spectrum, and the response from it."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.dsp.responses.sweeps import exponential_sweep, spectrum_at, transfer


@given(frames=st.integers(1, 400), count=st.integers(1, 300), step=st.floats(1e-5, 0.02))
def test_a_spectrum_at_any_spacing_is_the_fourier_sum(frames, count, step):
    values = np.random.default_rng(frames).standard_normal(frames)
    direct = np.exp(-2j * np.pi * step * np.outer(np.arange(count), np.arange(frames))) @ values
    assert np.max(np.abs(spectrum_at(values, step, count) - direct)) < 1e-9 * np.sqrt(frames) * count


def test_a_sweep_takes_the_same_time_for_every_octave():
    values = exponential_sweep(100_000, 1e-3, 1e-3 * 2**8, 100)
    crossings = np.flatnonzero((values[:-1] < 0) & (values[1:] >= 0))
    period = np.diff(crossings)
    # An eighth of the frames is an octave.
    for octave in range(1, 7):
        index = np.searchsorted(crossings, octave * 12_500)
        assert np.mean(period[index - 3 : index + 3]) == pytest.approx(1e3 / 2**octave, rel=0.05)
    assert np.max(np.abs(values)) <= 1.0
    assert abs(values[0]) < 1e-4
    assert abs(values[-1]) < 1e-3


def test_a_gain_that_bends_with_frequency_is_exact():
    generator = np.random.default_rng(1)
    reference = generator.standard_normal(500) + 1j * generator.standard_normal(500)
    place = np.arange(500) / 500
    gain = (1 + 0.5 * place - 0.7 * place**2) + 1j * (0.2 - place + 0.3 * place**2)
    centre, reach = np.array([20, 100, 250, 470]), np.array([2, 5, 20, 25])
    found = transfer(gain * reference, reference, centre, reach)
    assert np.allclose(found.gains, gain[centre], atol=1e-10)
    assert np.max(found.noise) < 1e-18


def test_the_noise_is_what_repeats_vary_by():
    generator = np.random.default_rng(2)
    reference = generator.standard_normal(400) + 1j * generator.standard_normal(400)
    centre = np.arange(40, 360, 20)
    reach = np.full(len(centre), 8)
    errors, stated = [], []
    for _ in range(300):
        noise = 0.1 * (generator.standard_normal(400) + 1j * generator.standard_normal(400)) / np.sqrt(2)
        found = transfer(reference + noise, reference, centre, reach)
        errors.append(np.mean(np.abs(found.gains - 1) ** 2))
        stated.append(np.mean(found.noise))
    assert np.mean(stated) == pytest.approx(np.mean(errors), rel=0.06)
