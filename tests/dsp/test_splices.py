"""Where a recording of an unknown signal was cut and joined."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.dsp.continuity.continuity import splices

RATE = 192_000


def programme(seed, seconds=0.6, clicks=0):
    """Return falling noise up to 20 kHz with transients, and clicks as sharp as 44.1 kHz can hold them."""
    rng = np.random.default_rng(seed)
    frames = int(seconds * RATE)
    frequency = np.fft.rfftfreq(frames, 1 / RATE)
    spectrum = (frequency < 20_000) * np.exp(2j * np.pi * rng.uniform(size=len(frequency)))
    values = np.fft.irfft(spectrum / np.maximum(frequency, 20.0) ** 0.5, frames)
    values *= 0.1 / np.std(values) * (1.0 + 10.0 * np.exp(-(np.arange(frames) % 40_000) / 2000.0)) / 6.0
    # A drum's attack is as sharp as the source's rate can hold it.
    slope = np.clip((22_000 - frequency) / 2000.0, 0.0, 1.0)
    values = np.fft.irfft(np.fft.rfft(values) * slope, frames)
    for where in rng.integers(3000, frames - 3000, clicks):
        near = slice(where - 3000, where + 3000)
        values[near] += 0.5 * np.sinc(np.arange(-3000, 3000) * 44_100 / RATE) * np.hanning(6000)
    return values + 1e-6 * rng.standard_normal(frames)


@settings(max_examples=30)
@given(st.integers(0, 10_000), st.integers(0, 5))
def test_programme_with_transients_and_clicks_has_none(seed, clicks):
    assert splices(programme(seed, clicks=clicks), RATE) == ()


@settings(max_examples=30)
@given(st.integers(0, 10_000), st.integers(100, 2000))
def test_a_lost_block_is_found_where_it_was(seed, length):
    values = programme(seed)
    where = 20_000 + seed % 50_000
    found = splices(np.delete(values, slice(where, where + length)), RATE)
    # A cut between two samples that are all but equal shows less, and may not show.
    if abs(values[where] - values[where + length]) > 0.01:
        assert len(found) == 1
    assert all(abs(entry - where) <= 12 for entry in found)


def test_the_steps_of_a_converter_without_a_filter_are_no_cuts():
    rng = np.random.default_rng(3)
    held = np.repeat(0.1 * rng.standard_normal(20_000), 5)
    assert splices(held, RATE) == ()


def test_too_little_says_nothing():
    assert splices(np.zeros(500), RATE) == ()
