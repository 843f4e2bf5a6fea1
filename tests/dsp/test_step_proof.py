"""Proving a step of few periods whole, on tones of known faults."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.dsp.continuity.step_proof import is_broken, is_turned

RATE = 48_000
TIME = np.arange(int(0.4 * RATE)) / RATE


def tone(frequency, late=0.0, at=0.2, phase=0.3):
    """A tone that comes late from a moment on, with harmonics."""
    cosine = np.cos(2.0 * np.pi * frequency * (TIME - np.where(at < TIME, late, 0.0)) + phase)
    return cosine + 1e-3 * cosine**2 + 1e-3 * cosine**3


@settings(max_examples=40)
@given(
    frequency=st.floats(40.0, 400.0),
    phase=st.floats(0.0, 6.28),
    hum=st.floats(0.0, 3e-3),
    settling=st.floats(0.0, 0.01),
)
def test_neither_harmonics_nor_hum_nor_settling_turn_a_tone(frequency, phase, hum, settling):
    values = tone(frequency, phase=phase) + hum * np.cos(2.0 * np.pi * 50.0 * TIME)
    values += (
        settling * np.exp(-40.0 * TIME) + 0.01 + 1e-5 * np.random.default_rng(1).standard_normal(len(TIME))
    )
    smallest = 0.6 * 2.0 * np.pi * frequency / 192_000
    assert not is_turned(values, frequency / RATE, smallest)


@settings(max_examples=20)
@given(frequency=st.floats(40.0, 400.0), phase=st.floats(0.0, 6.28), at=st.floats(0.13, 0.27))
def test_a_frame_at_192_khz_that_is_lost_turns_a_tone(frequency, phase, at):
    values = tone(frequency, 1.0 / 192_000, at, phase)
    values += 1e-5 * np.random.default_rng(1).standard_normal(len(TIME))
    turn = 2.0 * np.pi * frequency / 192_000
    assert is_turned(values, frequency / RATE, 0.6 * turn)
    assert not is_turned(values, frequency / RATE, 1.5 * turn)


@pytest.mark.parametrize("beside", [-4.7, 2.1, 6.6])
def test_a_line_beside_a_low_tone_is_no_break(beside):
    values = tone(54.7) + 0.04 * np.cos(2.0 * np.pi * (54.7 + beside) * TIME + 1.0)
    assert not is_broken(values, np.array([54.7 / RATE]))
    assert is_broken(tone(54.7, 0.0005), np.array([54.7 / RATE]))


def test_a_line_beside_a_low_tone_is_told_also_where_other_hum_and_harmonics_are_stronger():
    hum = [(100.0, 0.02), (150.0, 0.012), (250.0, 0.01)]
    lines = sum(level * np.cos(2.0 * np.pi * line * TIME + line) for line, level in hum)
    assert not is_broken(tone(148.6) + lines, np.array([148.6 / RATE]))
    assert is_broken(tone(148.6, 0.0003) + lines, np.array([148.6 / RATE]))


def test_a_tone_that_is_not_there_throughout_is_broken():
    values = tone(190.0)
    values[: int(0.12 * RATE)] = np.cos(2.0 * np.pi * 60.0 * TIME[: int(0.12 * RATE)])
    assert is_broken(values, np.array([190.0 / RATE]))
