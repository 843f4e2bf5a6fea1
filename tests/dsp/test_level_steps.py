"""Levels that step, against records made so: steps of any length are told, drift, sway and noise are none."""

import numpy as np
import pytest

from linecheck.dsp.continuity.phase_steps import BLOCKS, level_step, step_of

FRAMES = 24_000
TONES = np.array([0.0113, 0.0291, 0.0717, 0.1303, 0.2207])


def record(gain, noise=1e-6, seed=1):
    time = np.arange(FRAMES)
    tones = np.sum(np.cos(2.0 * np.pi * np.outer(TONES, time) + np.arange(5)[:, None] ** 2), axis=0)
    return gain * tones + noise * np.random.default_rng(seed).standard_normal(FRAMES)


@pytest.mark.parametrize("size", [1e-3, -0.3])
@pytest.mark.parametrize(("first", "last"), [(0.2, 1.0), (0.45, 1.0), (0.9, 1.0), (0.2, 0.35), (0.4, 0.85)])
def test_a_level_that_is_another_from_a_place_on_or_for_a_while_steps(first, last, size):
    gain = np.ones(FRAMES)
    gain[int(first * FRAMES) : int(last * FRAMES)] += size
    frame, step = level_step(record(gain), TONES)
    # Of a stretch it may be the rest that is told: at its other end, the other way.
    edges = np.array([first, last]) * FRAMES
    assert np.min(np.abs(frame - edges)) <= 1.5 * FRAMES / BLOCKS
    assert abs(step) == pytest.approx(abs(size), rel=0.35)


@pytest.mark.parametrize(
    "gain",
    [
        lambda share: 1.0 + 0.01 * np.exp(-share / 0.1),
        lambda share: 1.0 - 0.01 * np.exp(-share / 0.03),
        lambda share: 1.0 + 0.02 * share - 0.03 * share**3,
        lambda share: 1.0 + 0.01 * np.sin(2.0 * np.pi * 0.7 * share),
        lambda share: 1.0 + 0.01 * np.sin(2.0 * np.pi * 2.5 * share + 1.0),
        lambda share: 1.0 + 0.01 * np.sin(2.0 * np.pi * 31.0 * share),
    ],
)
def test_what_settles_or_drifts_or_sways_is_no_step(gain):
    assert level_step(record(gain(np.arange(FRAMES) / FRAMES)), TONES) is None


def test_noise_is_no_step():
    # Once in 40 million by the F distribution: never in 4,000.
    rng = np.random.default_rng(1)
    assert all(step_of(1.0 + 0.01 * rng.standard_normal(BLOCKS)) is None for _ in range(4_000))
