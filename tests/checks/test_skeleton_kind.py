"""The test that comes with a kind: its readings against a truth that is known exactly.

What every kind keeps to is tested in ``test_every_kind.py``, and needs nothing here.
"""

from functools import cache

import numpy as np
import pytest
from checks.skeleton_kind import KIND
from known_truth import NAMES, Scene, record
from repeats import assert_covers

from linecheck.checks.base import Context


@cache
def taken(seed):
    """Readings of a sine at -12 and -12.5 dB re full scale under noise, by metric and channel."""
    scenes = tuple(Scene(amplitude=10.0 ** (level / 20.0), noise_db=-60.0) for level in (-12.0, -12.5))
    capture = record(scenes, 48_000, seed=seed, seconds=0.5).capture
    stimulus, analysis = KIND.stimulus_parameters(seconds=0.5), KIND.analysis_parameters()
    location = KIND.locate(capture, stimulus, NAMES)
    assert location.problems == ()
    measured = KIND.measure(capture, location, stimulus, analysis, Context(NAMES))
    return {(reading.metric, reading.channel): reading for reading in measured.readings}


@pytest.mark.parametrize(
    ("metric", "channel", "truth"),
    [("level_dbfs", "left", -12.0), ("level_dbfs", "right", -12.5), ("balance", None, 0.5)],
)
def test_two_uncertainties_hold_the_truth_in_95_percent_of_captures(metric, channel, truth):
    found = [taken(seed)[metric, channel] for seed in range(60)]
    errors, uncertainties = np.array([(reading.value - truth, reading.uncertainty) for reading in found]).T
    assert_covers(errors, uncertainties)
