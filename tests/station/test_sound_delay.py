"""The delay from playback to capture, as learnt from what was played and what came back."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.station.interfaces.sound.delay import envelope, lag_seconds


def tone(rate_hz, seconds, channels=2):
    """Return a ramped sine between two pauses of 50 ms."""
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    values = 0.5 * np.sin(2 * np.pi * 997 * time) * np.minimum(1, np.minimum(time, time[::-1]) / 0.01)
    pause = np.zeros(round(0.05 * rate_hz))
    return np.repeat(np.concatenate((pause, values, pause))[:, None], channels, axis=1).astype(np.float32)


def captured(rate_hz, seconds, delay, noise, seed=0):
    """Return what comes back of it, so much later than the capture's start."""
    rng = np.random.default_rng(seed)
    back = tone(rate_hz, seconds)
    frames = round(delay * rate_hz)
    back = back[-frames:] if frames < 0 else np.concatenate((np.zeros((frames, 2), np.float32), back))
    return back + noise * rng.standard_normal(back.shape).astype(np.float32)


@given(st.floats(-0.04, 1.0), st.sampled_from([44_100, 192_000]), st.floats(0.0, 0.01), st.integers(0, 99))
def test_a_tone_shows_its_delay_to_a_millisecond_or_two(delay, capture_rate, noise, seed):
    back = captured(capture_rate, 0.3, delay, noise, seed)
    lag = lag_seconds(tone(44_100, 0.3), 44_100, back, capture_rate)
    assert lag == pytest.approx(delay, abs=0.0021)


@pytest.mark.parametrize("back", [np.zeros((9000, 2), np.float32), np.zeros((0, 2), np.float32)])
def test_silence_shows_none(back):
    assert lag_seconds(tone(44_100, 0.3), 44_100, back, 44_100) is None
    assert lag_seconds(back, 44_100, tone(44_100, 0.3), 44_100) is None


def test_noise_shows_none():
    noise = np.random.default_rng(1).standard_normal((44_100, 2)).astype(np.float32)
    assert lag_seconds(tone(44_100, 0.3), 44_100, noise, 44_100) is None


def test_half_of_it_is_too_little():
    back = tone(44_100, 0.3)[: round(0.15 * 44_100)]
    assert lag_seconds(tone(44_100, 0.3), 44_100, back, 44_100) is None


def test_what_was_never_delivered_counts_as_silence():
    samples = np.full((4410, 2), np.nan, np.float32)
    assert np.array_equal(envelope(samples, 44_100), np.zeros(100))
