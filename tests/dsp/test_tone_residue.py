"""What is left of a record once its tones are out."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.dsp.continuity.phase_steps import phase_step
from linecheck.dsp.fits.multitone import TONES_HZ
from linecheck.dsp.fits.tone_residue import highest_residue, residue_power, residue_spectrum, take_out

RATE = 48_000


def tones(frames, *, level=lambda time: 1.0, late=lambda time: 0.0, seed=1):
    """The multi-tone's tones at random phases, their common level and lateness (s) functions of -1 … 1."""
    place = np.linspace(-1.0, 1.0, frames)
    seconds = np.arange(frames) / RATE + late(place)
    phases = np.random.default_rng(seed).uniform(0.0, 2.0 * np.pi, len(TONES_HZ))
    values = np.zeros(frames)
    for tone, phase in zip(TONES_HZ, phases, strict=True):
        cycles = tone * seconds
        values += np.cos(2.0 * np.pi * (cycles - np.rint(cycles)) + phase)
    return 0.05 * level(place) * values


def power(values):
    return float(np.mean(values**2))


def test_steady_tones_leave_nothing():
    record = tones(67_200)
    assert 10.0 * np.log10(power(take_out(record, TONES_HZ / RATE).rest) / power(record)) < -190.0


@pytest.mark.parametrize(
    ("level", "late"),
    [
        (lambda place: 1.0 + 1e-3 * place, lambda place: 0.0),
        (lambda place: 1.0 + 0.02 * place**2, lambda place: 0.0),
        (lambda place: 1.0, lambda place: 1e-8 * place**3),
        (lambda place: 1.0, lambda place: 5e-7 * place**2),
        (lambda place: 1.0 - 0.01 * place, lambda place: 5e-7 * (place**2 - 0.3 * place**3)),
    ],
)
def test_drift_that_all_tones_share_leaves_nothing_either(level, late):
    record = tones(67_200, level=level, late=late)
    taken = take_out(record, TONES_HZ / RATE)
    assert 10.0 * np.log10(power(taken.rest) / power(record)) < -140.0


def test_a_settling_capacitor_leaves_nothing_in_the_band():
    record = tones(67_200)
    settling = record + 0.01 * np.exp(-np.arange(67_200) / (0.3 * RATE))
    rest = take_out(settling, TONES_HZ / RATE, 12.0 / RATE).rest
    residue = residue_spectrum(rest, RATE, 5.0)
    level, _, _ = highest_residue(residue, 20.0, 20_000.0)
    assert 10.0 * np.log10(level / 0.5 / 0.05**2) < -120.0


def test_a_product_beside_a_tone_is_no_drift():
    record = tones(67_200)
    place = np.arange(67_200) / RATE
    line = 1e-5 * np.cos(2.0 * np.pi * (TONES_HZ[20] + 2.0) * place)
    rest = take_out(record + line, TONES_HZ / RATE).rest
    assert 10.0 * np.log10(power(rest) / power(line)) == pytest.approx(0.0, abs=0.1)


@settings(max_examples=25)
@given(st.floats(200.0, 20_000.0), st.floats(0.0, 6.28), st.sampled_from((1.0, 5.0, 20.0)))
def test_a_line_reads_true_at_any_frequency_and_resolution(frequency, phase, resolution):
    record = 0.01 * np.cos(2.0 * np.pi * frequency * np.arange(96_000) / RATE + phase)
    residue = residue_spectrum(record, RATE, resolution)
    level, _, place = highest_residue(residue, 20.0, 20_100.0)
    assert 10.0 * np.log10(level / 0.5e-4) == pytest.approx(0.0, abs=0.005)
    assert place == pytest.approx(frequency, abs=0.6 * resolution)


@pytest.mark.parametrize("resolution", [2.0, 5.0, 20.0])
def test_noise_reads_what_the_resolution_takes_in(resolution):
    record = np.random.default_rng(3).standard_normal(4 * RATE)
    residue = residue_spectrum(record, RATE, resolution)
    assert np.mean(residue.power[100:-100]) * RATE / 2.0 / resolution == pytest.approx(1.0, abs=0.1)


def test_the_residue_s_power_counts_what_went_out_with_the_tones():
    ratios = []
    for seed in range(30):
        noise = 1e-4 * np.random.default_rng(seed).standard_normal(24_000)
        taken = take_out(tones(24_000, seed=seed) + noise, TONES_HZ / RATE)
        got, spread = residue_power(taken, RATE, 0.0, 0.5 * RATE)
        ratios.append(got / 1e-8)
        assert spread / got == pytest.approx(1.0 / np.sqrt(12_000), rel=0.15)
    assert np.mean(ratios) == pytest.approx(1.0, abs=4.0 / np.sqrt(30 * 12_000))


@pytest.mark.parametrize("lost", [1, 7, 48, 333, 2000])
def test_a_lost_stretch_is_a_step_in_phase(lost):
    record = tones(72_000)
    assert phase_step(record, TONES_HZ / RATE) is None
    place = phase_step(np.delete(record, np.s_[40_000 : 40_000 + lost]), TONES_HZ / RATE)
    assert place == pytest.approx(40_000, abs=6000)


def test_a_wandering_clock_and_noise_are_none():
    record = tones(72_000, late=lambda place: 2e-6 * np.sin(3.0 * place))
    record += 0.05 * np.random.default_rng(1).standard_normal(72_000)
    assert phase_step(record, TONES_HZ / RATE * (1.0 + 2e-6)) is None
    assert phase_step(np.random.default_rng(2).standard_normal(72_000), TONES_HZ / RATE) is None
