"""The part of a record that is too slow to be in the band."""

import numpy as np
import pytest

from linecheck.dsp.fits.trend import slow_trend

FRAMES = 48_000
TIME = np.arange(FRAMES) / FRAMES


@pytest.mark.parametrize(
    "slow",
    [np.exp(-TIME / 0.3), TIME, TIME**2 - TIME**3, np.sin(2 * np.pi * 5.3 * TIME + 1), np.full(FRAMES, 0.7)],
    ids=["settling", "ramp", "cubic", "5.3 Hz", "constant"],
)
def test_what_is_slow_is_caught_whole(slow):
    left = slow - slow_trend(slow, 13.0 / FRAMES)
    assert np.sqrt(np.mean(left**2)) < 1e-4 * np.sqrt(np.mean(slow**2))


@pytest.mark.parametrize(("cycles", "share"), [(20.0, 0.12), (31.7, 0.04), (997.0, 1e-4)])
def test_little_of_what_is_in_the_band_is_taken(cycles, share):
    wave = np.sin(2 * np.pi * cycles * TIME + 0.4)
    assert np.var(slow_trend(wave, 13.0 / FRAMES)) < share * np.var(wave)


def test_a_record_too_short_to_tell_has_no_trend():
    assert not np.any(slow_trend(np.arange(100.0), 0.001))


def test_a_cutoff_far_up_takes_what_is_slow_and_leaves_the_rest():
    # 37 cycles over the record and no more, whatever the cutoff: what it costs does not grow with it.
    frames = 48_000
    time = np.arange(frames) / frames
    slow, fast = np.sin(2 * np.pi * 5.3 * time), np.sin(2 * np.pi * 120 * time)
    trend = slow_trend(slow + fast, 4000 / frames)
    assert np.sqrt(np.mean((trend - slow) ** 2)) < 0.1
