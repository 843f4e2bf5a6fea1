"""A periodic signal against itself half a period before: every break is found, nothing else."""

import numpy as np
import pytest

from linecheck.dsp.continuity.continuity import breaks_of_model, breaks_of_period
from linecheck.dsp.fits.periodic import PeriodicSignal

PERIOD = 1764


def recorded(scale, frames, *, lost=0.0, noise=1e-5, seed=1):
    """A dense signal at its rate times ``scale``; ``lost`` frames are missing in the middle."""
    signal = PeriodicSignal(PERIOD, np.arange(1, 801, 8))
    index = np.arange(frames, dtype=np.float64)
    time = (index + lost * (index > frames / 2)) * scale
    values = np.zeros(frames)
    for cycles, line in zip(signal.frequencies, signal.amplitudes(signal.orders), strict=True):
        values += (line * np.exp(2j * np.pi * np.mod(cycles * time, 1.0))).real
    return values + noise * np.random.default_rng(seed).standard_normal(frames)


@pytest.mark.parametrize("scale", [1.0, 0.69123, 0.9997])
@pytest.mark.parametrize("noise", [0.0, 1e-5, 0.03, 0.3])
def test_a_whole_signal_has_no_break(scale, noise):
    assert breaks_of_period(recorded(scale, 40_000, noise=noise), 0.5 * PERIOD / scale) == ()


@pytest.mark.parametrize("scale", [1.0, 0.69123])
@pytest.mark.parametrize("lost", [0.2, 1.0, -1.0, 7.0, 100.5])
def test_a_jump_in_time_is_found_where_it_is(scale, lost):
    found = breaks_of_period(recorded(scale, 40_000, lost=lost), 0.5 * PERIOD / scale)
    assert found
    # It shows from there on for half a period.
    assert abs(min(entry.frame for entry in found) + 0.5 * PERIOD / scale - 20_000) < 1600


def test_a_period_that_is_slightly_off_is_mended():
    assert breaks_of_period(recorded(0.69123, 40_000), 0.5 * PERIOD / 0.69123 + 0.4) == ()


def test_a_hole_is_found():
    values = recorded(0.69123, 40_000)
    values[20_000:20_060] = 0.0
    assert breaks_of_period(values, 0.5 * PERIOD / 0.69123)


def test_too_short_a_record_says_nothing():
    assert breaks_of_period(np.zeros(2000), 882.0) == ()


def test_a_signal_is_what_its_model_says_until_it_is_not():
    model = np.sin(0.05 * np.arange(20_000))
    noise = 1e-4 * np.random.default_rng(1).standard_normal(20_000)
    assert breaks_of_model(model + noise, model) == ()
    for change in (slice(9000, 9003), slice(9000, 9600)):
        values = model + noise
        values[change] = 0.0
        assert breaks_of_model(values, model)
    assert breaks_of_model(model[:500], model[:500]) == ()
