"""Finding a schedule of tones in a recording."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.dsp.step_match import Schedule, find_schedule, refine_start, tone_envelopes

RATE = 8000.0
TONES = np.array([60.0, 500.0, 1900.0])
EDGES = np.array([0.0, 0.2, 0.33, 0.5, 0.6])
AMPLITUDES = np.array([[0.5, 0.0, 0.2, 0.2], [0.0, 0.6, 0.0, 0.1], [0.3, 0.0, 0.0, 0.4]])
SCHEDULE = Schedule(EDGES, AMPLITUDES)


def recording(start, seconds=2.0, gain=1.0, noise=0.0, ratio=1.0, seed=0):
    time = (np.arange(int(seconds * RATE)) / RATE - start) * ratio
    values = noise * np.random.default_rng(seed).standard_normal(len(time))
    for index, (begin, end) in enumerate(itertools.pairwise(EDGES)):
        inside = (time >= begin) & (time < end)
        for tone, amplitude in zip(TONES, AMPLITUDES[:, index], strict=True):
            values[inside] += gain * amplitude * np.cos(2.0 * np.pi * tone * time[inside])
    return values


@settings(max_examples=60)
@given(
    start=st.floats(0.0, 1.3),
    gain=st.floats(1e-4, 10.0),
    inverted=st.booleans(),
    ratio=st.floats(0.999, 1.001),
)
def test_neither_gain_nor_polarity_nor_start_nor_clock_matters(start, gain, inverted, ratio):
    values = recording(start, gain=-gain if inverted else gain, ratio=ratio, noise=1e-3 * gain)
    envelopes = tone_envelopes(values, RATE, TONES)
    found, score = find_schedule(envelopes, SCHEDULE)
    assert score > 0.97
    assert abs(found - start) < 0.006
    assert abs(refine_start(envelopes, SCHEDULE, found, ratio) - start) < 0.002


def test_envelopes_read_amplitudes():
    values = recording(0.0, seconds=1.0)
    envelopes = tone_envelopes(values, RATE, TONES)
    assert envelopes.block_seconds == 0.004
    # A period of 60 Hz takes five blocks of 4 ms.
    assert envelopes.widths.tolist() == [5, 1, 1]
    assert envelopes.values[0, 10:40] == pytest.approx(0.5, rel=0.15)
    assert envelopes.values[1, 55:80] == pytest.approx(0.6, rel=0.01)
    assert envelopes.values[2, 127:145] == pytest.approx(0.4, rel=0.1)


def test_what_sounds_all_the_time_scores_as_foretold():
    time = np.arange(int(3.0 * RATE)) / RATE
    best = AMPLITUDES @ np.diff(EDGES)
    values = np.sum(best[:, None] * np.cos(2.0 * np.pi * np.outer(TONES, time)), axis=0)
    _, score = find_schedule(tone_envelopes(values, RATE, TONES), SCHEDULE)
    assert score == pytest.approx(SCHEDULE.steady_score, abs=0.03)
    assert SCHEDULE.steady_score < 0.8


def test_a_recording_that_begins_within_the_schedule():
    values = recording(0.5)[int(0.6 * RATE) :]
    found, score = find_schedule(tone_envelopes(values, RATE, TONES), SCHEDULE)
    assert abs(found + 0.1) < 0.006
    assert 0.6 < score < 0.97


def test_silence_has_no_schedule():
    assert find_schedule(tone_envelopes(np.zeros(8000), RATE, TONES), SCHEDULE) == (0.0, 0.0)
    assert find_schedule(tone_envelopes(np.zeros(10), RATE, TONES), SCHEDULE) == (0.0, 0.0)


@pytest.mark.parametrize("tone", [0, 1, 2])
def test_means_are_those_of_the_steps(tone):
    begins = np.array([-1.0, 0.05, 0.15, 0.55, 0.59, 2.0])
    fine = np.linspace(0.0, 1.0, 20_001)[:-1] + 0.5 / 20_000
    for begin, mean in zip(begins, SCHEDULE.means(tone, begins, 0.1), strict=True):
        time = begin + 0.1 * fine
        step = np.clip(np.searchsorted(EDGES, time) - 1, 0, 3)
        inside = (time >= 0.0) & (time < 0.6)
        assert mean == pytest.approx(np.mean(np.where(inside, AMPLITUDES[tone, step], 0.0)), abs=1e-4)
