"""Symptoms of what a check has not measured: they say nothing, and stumble over nothing."""

from types import SimpleNamespace

import numpy as np
import pytest

from linecheck.causes.symptoms.distortion import SYMPTOMS
from linecheck.checks.base import Curve


@pytest.mark.parametrize(("lowest", "is_told"), [(-60.0, True), (-30.0, False), (-20.0, False)])
def test_intermodulation_at_low_level_is_told_only_where_its_noise_is_seen(lowest, is_told):
    levels = np.linspace(lowest, 0.0, 7)
    curve = Curve("imd_over_level", "left", levels, "dBFS", -110.0 - levels, "dB")
    (symptom,) = (entry for entry in SYMPTOMS if entry.name == "imd_at_low_level")
    strength = symptom.look(SimpleNamespace(curve=lambda *_: curve), "left")
    assert (strength is not None) == is_told
