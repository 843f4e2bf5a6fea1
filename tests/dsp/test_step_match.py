"""Finding a schedule of tones in a recording."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.dsp.continuity.step_match import (
    Schedule,
    find_schedule,
    refine_start,
    telling_seconds,
    tone_envelopes,
)

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


@settings(max_examples=25)
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


def test_what_sounds_all_the_time_agrees_with_nothing():
    time = np.arange(int(3.0 * RATE)) / RATE
    best = AMPLITUDES @ np.diff(EDGES)
    values = np.sum(best[:, None] * np.cos(2.0 * np.pi * np.outer(TONES, time)), axis=0)
    _, agreement = find_schedule(tone_envelopes(values, RATE, TONES), SCHEDULE)
    assert agreement < 0.1
    noise = np.random.default_rng(1).standard_normal(len(time))
    _, agreement = find_schedule(tone_envelopes(noise, RATE, TONES), SCHEDULE)
    assert agreement < 0.3


def test_a_recording_that_begins_within_the_schedule():
    values = recording(0.5)[int(0.6 * RATE) :]
    envelopes = tone_envelopes(values, RATE, TONES)
    found, agreement = find_schedule(envelopes, SCHEDULE)
    assert abs(found + 0.1) < 0.006
    assert agreement > 0.9
    assert abs(refine_start(envelopes, SCHEDULE, found) + 0.1) < 0.002


def test_the_start_is_searched_until_it_lies_inside():
    envelopes = tone_envelopes(recording(0.5), RATE, TONES)
    for off in (-0.05, -0.013, 0.013, 0.05):
        assert abs(refine_start(envelopes, SCHEDULE, 0.5 + off) - 0.5) < 0.002


@pytest.mark.parametrize("decibels", [0.5, 1.0])
def test_two_levels_that_hardly_differ_are_found_by_where_they_begin_and_end(decibels):
    amplitudes = np.array([[0.5, 0.5 * 10.0 ** (-decibels / 20.0)]])
    schedule = Schedule(np.array([0.0, 0.2, 0.33]), amplitudes)
    time = np.arange(int(1.5 * RATE)) / RATE - 0.613
    step = np.clip(np.searchsorted(schedule.edges, time, side="right") - 1, 0, 1)
    there = (time >= 0.0) & (time < 0.33)
    values = np.where(there, amplitudes[0, step], 0.0) * np.cos(2.0 * np.pi * 1900.0 * time)
    values += 0.003 * np.random.default_rng(2).standard_normal(len(time))
    envelopes = tone_envelopes(values, RATE, np.array([1900.0]))
    found, agreement = find_schedule(envelopes, schedule)
    assert agreement > 0.9
    assert abs(refine_start(envelopes, schedule, found) - 0.613) < 0.003


def test_tones_that_lie_close_are_told_apart():
    tones = 40.0 * 1.06 ** np.arange(12)
    edges = np.arange(13) * 0.3
    schedule = Schedule(edges, 0.5 * np.eye(12))
    time = np.arange(int(5.0 * RATE)) / RATE - 0.7
    step = np.searchsorted(edges, time, side="right") - 1
    there = (time >= 0.0) & (time < edges[-1])
    cycles = np.cumsum(tones[np.clip(step, 0, 11)]) / RATE
    values = np.where(there, 0.5 * np.cos(2.0 * np.pi * cycles), 0.0)
    seconds = telling_seconds(tones, schedule)
    assert np.all(seconds <= 0.1)
    envelopes = tone_envelopes(values, RATE, tones, seconds)
    found, agreement = find_schedule(envelopes, schedule)
    assert agreement > 0.8
    assert abs(refine_start(envelopes, schedule, found) - 0.7) < 0.003


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
