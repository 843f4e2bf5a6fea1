"""A tone at one level: whether a part of it differs, against noise of known density and lines of known amplitude."""

import numpy as np
import pytest

from linecheck.dsp.continuity.level_courses import Level, foreign, patchy, phase_step, unsteady
from linecheck.dsp.fits.tones import fit_tones, synthesise

TONE, FRAMES, DEVIATION = 0.0831, 6000, 1.0


def level(values, first=0):
    fit = fit_tones(values, np.array([TONE]))
    rest = values - synthesise(len(values), fit.frequencies, fit.amplitudes, fit.constant)
    # White noise of the variance s² has 2 s² per cycle per frame, one-sided.
    return Level(first, complex(fit.amplitudes[0]), rest, 2.0 * DEVIATION**2)


def tone(amplitude, seed, first=0, frames=FRAMES, phase=0.3):
    time = first + np.arange(frames)
    noise = DEVIATION * np.random.default_rng([8, seed]).standard_normal(frames)
    return amplitude * np.cos(2.0 * np.pi * TONE * time + phase) + noise


def test_a_tone_in_noise_is_steady_whatever_its_level():
    # Each passes but for 10,000 stretches' share of exp(-7²/2): none of 150 is expected to be flagged.
    for seed in range(150):
        values = tone(10.0 ** np.random.default_rng(seed).uniform(-1.0, 2.0), seed)
        assert unsteady(level(values), TONE) is None
        assert foreign([level(values)], TONE) is None


@pytest.mark.parametrize("share", [0.05, 0.2, 0.5])
def test_a_hole_that_moves_the_level_by_twice_its_uncertainty_is_found(share):
    # A tone of 100 times the uncertainty of its amplitude, the square root of 2 s²/n (Cramér-Rao bound).
    amplitude = 100.0 * DEVIATION * np.sqrt(2.0 / FRAMES)
    for seed in range(15):
        values = tone(amplitude, seed)
        start, length = int(0.3 * FRAMES), int(share * FRAMES)
        noise = tone(0.0, 100 + seed)
        values[start : start + length] = noise[start : start + length]
        found = unsteady(level(values), TONE)
        assert found is not None
        assert abs(found - start) < 0.1 * FRAMES


def test_a_steady_line_beside_the_tone_is_no_hole():
    time = np.arange(FRAMES)
    for cycles in (1.3, 3.0, 7.4, 20.0):
        values = tone(30.0, 1) + 3.0 * np.cos(2.0 * np.pi * (TONE + cycles / FRAMES) * time)
        assert unsteady(level(values), TONE) is None, cycles


@pytest.mark.parametrize("turned", [0.0, 0.13])
def test_a_phase_that_steps_between_two_levels_is_found(turned):
    # 0.13 rad is one frame of 997 Hz at 48 kHz.
    for seed in range(15):
        levels = [
            level(
                tone(amplitude, seed + 1000 * index, 7000 * index, phase=0.3 + turned * (index > 2)),
                7000 * index,
            )
            for index, amplitude in enumerate((300.0, 100.0, 30.0, 10.0, 3.0))
        ]
        found = phase_step(levels, TONE)
        assert (found is None) == (turned == 0.0)
        assert found is None or abs(found - 21_000) < 3500


def test_what_is_left_of_a_whole_tone_is_patchy_only_where_something_happened():
    values = tone(1e4, 3)
    assert patchy(level(values), TONE, 1e-3) is None
    burst = values.copy()
    burst[2000:2100] += 10.0 * tone(0.0, 4, frames=100)
    assert abs(patchy(level(burst), TONE, 1e-3) - 2000) <= FRAMES // 24
    stepped = values.copy()
    stepped[4000:] *= 0.99
    # What is left of a step is as much before it as after: the last bit says which of both is told.
    assert patchy(level(stepped), TONE, 1e-3) is not None
    # A level that drifts by no more than parts do that warm up.
    assert patchy(level(values * np.linspace(1.0, 1.002, FRAMES)), TONE, 1e-3) is None
