"""Noise and hum that go on as they are, and that do not."""

import numpy as np
import pytest

from linecheck.dsp.continuity.continuity import breaks
from linecheck.dsp.continuity.steadiness import hum_step, uneven_stretch

RATE = 48_000
TIME = np.arange(RATE) / RATE


def noise(seed, frames=RATE):
    return 1e-5 * np.random.default_rng(seed).standard_normal(frames)


def hum(amplitude=1.0, at=TIME):
    """Mains products as rectifiers leave them."""
    products = ((50.02, 1.0), (100.04, 0.5), (150.06, 0.7))
    return amplitude * sum(part * np.cos(2 * np.pi * hertz * at + hertz) for hertz, part in products)


@pytest.mark.parametrize("times", [10 ** (-0.6 / 20), 10 ** (0.6 / 20)])
@pytest.mark.parametrize("part", [slice(14_000, None), slice(9_000, 24_000)])
def test_noise_that_changes_by_little_for_long_is_uneven(times, part):
    values = noise(1)
    values[part] *= times
    found = uneven_stretch(values, RATE)
    assert found is not None
    # Up to half of a record is a stretch: of what is longer, the rest.
    assert (found.times - 1.0) * (times - 1.0) * (1 if part.stop else -1) > 0.0


def test_the_stretch_that_stops_is_named():
    values = noise(2)
    values[20_000:24_000] *= 0.1
    found = uneven_stretch(values, RATE)
    assert (found.start, found.stop) == pytest.approx((20_000, 24_000), abs=1500)
    assert found.times < 0.2


def wandering(seed):
    """Noise whose density rises as 1/f below 2 kHz, with hum and drift 40 dB and more above it, and a few clicks."""
    frequencies = np.fft.rfftfreq(RATE, 1 / RATE)
    spectrum = np.fft.rfft(noise(seed)) * np.sqrt(1.0 + 2000.0 / np.maximum(frequencies, 0.5))
    values = np.fft.irfft(spectrum, RATE) + hum(2e-3) + 1e-2 * TIME**2
    values[[9_000, 23_456, 23_470, 40_000]] += 1e-2
    return values


@pytest.mark.parametrize("make", [noise, wandering])
def test_noise_that_goes_on_is_even(make):
    assert [seed for seed in range(40) if uneven_stretch(make(seed), RATE) is not None] == []


@pytest.mark.parametrize("lost_seconds", [0.004, 0.01, 0.013])
def test_hum_that_was_cut_and_joined_is_not_steady(lost_seconds):
    values = noise(3) + hum(3e-6, np.where(TIME < 0.4, TIME, TIME + lost_seconds))
    place = hum_step(values, np.array([50.02, 100.04, 150.06, 200.08, 250.1]) / RATE)
    assert place == pytest.approx(0.4 * RATE, abs=0.06 * RATE)


def test_hum_that_goes_on_is_steady_whatever_its_level_and_wander():
    products = np.array([50.0, 100.0, 150.0, 200.0, 250.0]) / RATE
    flagged = []
    for seed in range(30):
        level = 10 ** np.random.default_rng(seed).uniform(-7.0, -1.0)
        # The mains wanders by 20 mHz within the second.
        values = noise(seed) + hum(level, TIME + 0.01 / 50 * TIME**2)
        values[[9_000, 31_000]] += 1e-2
        flagged += [seed] if hum_step(values, products) is not None else []
    assert flagged == []


def tone(gain, seed=4):
    return gain * np.sin(2 * np.pi * 997.0 * TIME) + noise(seed)


@pytest.mark.parametrize("decibels", [-0.02, 0.1, -3.0])
def test_a_level_that_steps_is_broken_where_it_does(decibels):
    gain = np.where(TIME < 0.6, 1.0, 10 ** (decibels / 20))
    found = breaks(tone(gain), np.array([997.0 / RATE]))
    nearest = min(found, key=lambda entry: abs(entry.frame - 0.6 * RATE))
    assert nearest.frame == pytest.approx(0.6 * RATE, abs=1000)


@pytest.mark.parametrize(
    "gain",
    [
        1.0 - 0.02 * np.exp(-TIME / 0.15),
        1.0 + 0.02 * TIME,
        1.0 + 0.005 * np.sin(2 * np.pi * 50.0 * TIME),
        1.0 + 0.002 * np.sin(2 * np.pi * 1.3 * TIME),
    ],
    ids=["settles", "drifts", "swayed by hum", "sways slowly"],
)
def test_a_level_that_moves_as_a_unit_may_is_whole(gain):
    assert breaks(tone(gain), np.array([997.0 / RATE])) == ()
