"""A capture whose level is another from a place on, or for a while, has no readings: of tones as of noise."""

import numpy as np
import pytest
from fault_corpus import clean, judged, tone_level
from repeats import covering

from linecheck.checks.base import Capture

KINDS = ("wiring", "multitone", "jitter", "ultrasonic", "intermodulation")


def found(name, samples):
    capture = Capture(samples, clean(name, 1).rate_hz, bits=24)
    return {entry.code for entry in judged(name, capture, tone_level(1)).problems if entry.blocks}


@pytest.mark.parametrize(("name", "shares"), covering(KINDS, [(0.42, 0.58), (0.5, 1.0)]))
def test_another_level_and_the_other_channel_are_a_dropout(name, shares):
    samples = clean(name, 1).samples
    first, last = (round(share * len(samples)) for share in shares)
    assert found(name, samples.copy()) == set()
    # 0.02 dB: no more than sideband, residue and balance show, and ten times what they are trusted to.
    lower, swapped = samples.copy(), samples.copy()
    lower[first:last, 0] = np.rint(lower[first:last, 0] * 10.0 ** (-0.02 / 20.0) / 256.0).astype(int) * 256
    swapped[first:last] = swapped[first:last, ::-1]
    assert found(name, lower) == found(name, swapped) == {"dropout"}


def test_another_checks_tones_are_no_unit_that_is_wired_wrongly():
    # Some tones of the crosstalk's pairs lie where some of the combs do.
    assert found("wiring", clean("crosstalk", 1).samples) == {"stimulus_not_found"}
