"""Products of three tones through a polynomial, and the steps of the crosstalk test, against published forms."""

import numpy as np
import pytest
from known_truth import decibels
from many_tone_captures import product_powers

from linecheck.dsp.fits.interleaved import OCTAVE_TONES_HZ
from linecheck.dsp.fits.multitone import PEAK_OF_UNIT_TONES, TONES_HZ

# y = x + a2 x² + a3 x³ of equal tones of amplitude A (any handbook of communications): second harmonic a2 A² / 2,
# f1 ± f2 a2 A², third harmonic a3 A³ / 4, 2 f1 ± f2 3 a3 A³ / 4, f1 ± f2 ± f3 3 a3 A³ / 2.
A2 = A3 = 1e-3
FORMS = {(2,): A2 / 2.0, (1, 1): A2, (3,): A3 / 4.0, (2, 1): 0.75 * A3, (1, 1, 1): 1.5 * A3}


def made():
    """Every product up to third order: its place in steps of 2 Hz, and which form it has."""
    steps = (TONES_HZ / 2.0).astype(int)
    for first, tone in enumerate(steps):
        yield 2 * tone, (2,)
        yield 3 * tone, (3,)
        for second, other in enumerate(steps):
            if second == first:
                continue
            for sign in (1, -1):
                yield abs(2 * tone + sign * other), (2, 1)
                if second > first:
                    yield abs(tone + sign * other), (1, 1)
            for third in steps[second + 1 :] if second > first else ():
                for sign in (1, -1):
                    for last in (1, -1):
                        yield abs(tone + sign * other + last * third), (1, 1, 1)


def test_lone_products_have_their_closed_form_s_level():
    amplitude = 0.9 / PEAK_OF_UNIT_TONES
    there = {}
    for place, form in made():
        there.setdefault(int(place), []).append(form)
    powers = product_powers(0.9, A2, A3)
    seen = set()
    for place, forms in there.items():
        if len(forms) > 1 or place >= len(powers):
            continue
        expected = 0.5 * (FORMS[forms[0]] * amplitude ** sum(forms[0])) ** 2
        assert decibels(powers[place] / expected) == pytest.approx(0.0, abs=1e-6)
        seen.add(forms[0])
    assert seen == set(FORMS)
    # Nothing else is there: no tone is a product's place, and a place without product holds nothing.
    assert not set((TONES_HZ / 2.0).astype(int).tolist()) & set(there)
    empty = np.setdiff1d(np.arange(1, len(powers)), [*there, *(TONES_HZ / 2.0).astype(int)])
    assert np.all(powers[empty] < 1e-24)


def test_the_crosstalk_steps():
    # AES17-2015, 6.5.2 (from a secondary text): octave steps 20, 40 … 10240 Hz, and 20 kHz.
    steps = [20, 40, 80, 160, 320, 640, 1280, 2560, 5120, 10240, 20000]
    assert OCTAVE_TONES_HZ.tolist() == steps
