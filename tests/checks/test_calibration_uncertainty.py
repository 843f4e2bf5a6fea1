"""A calibration's uncertainty enters what is read in volts, and nothing else; one that is not stated is not zero."""

import numpy as np
import pytest

from linecheck.checks import kinds
from linecheck.checks.base import Capture, Context
from linecheck.checks.parts.volts import is_uncalibrated

CHANNELS = ("left", "right")


def readings(kind, samples, context, full_scale_volts=(8.0, 8.0)):
    capture = Capture(samples, 48000, full_scale_volts)
    checker = kinds()[kind]
    parameters = checker.stimulus_parameters(seconds=0.3)
    location = checker.locate(capture, parameters, CHANNELS)
    measured = checker.measure(capture, location, parameters, checker.analysis_parameters(), context)
    return {(reading.metric, reading.channel): reading for reading in measured.readings}


@pytest.mark.parametrize(
    ("kind", "in_volts"),
    [
        ("tone", {"level", "dc_offset", "peak_outside"}),
        ("quiet", {"noise", "noise_a", "noise_ccir_rms", "peak_outside"}),
    ],
)
def test_a_calibration_uncertainty_of_one_percent(kind, in_volts):
    rng = np.random.default_rng(1)
    time = np.arange(20_000) / 48_000
    samples = 1e-4 * rng.standard_normal((20_000, 2)) + 0.01
    if kind == "tone":
        samples += 0.5 * np.sin(2 * np.pi * 997 * time)[:, None]
    exact = readings(kind, samples, Context(CHANNELS, volts_uncertainty=0.0))
    unknown = readings(kind, samples, Context(CHANNELS))
    doubtful = readings(kind, samples, Context(CHANNELS, volts_uncertainty=0.01))
    for key, reading in doubtful.items():
        assert reading.value == exact[key].value
        if reading.metric in in_volts:
            expected = np.hypot(exact[key].uncertainty, 0.01 * reading.value)
            assert reading.uncertainty == pytest.approx(expected, rel=1e-12)
            assert (unknown[key].value, unknown[key].uncertainty) == (reading.value, None)
            assert unknown[key].repeatability == exact[key].uncertainty
        else:
            assert reading.uncertainty == exact[key].uncertainty == unknown[key].uncertainty
        assert is_uncalibrated(unknown[key]) == (reading.metric in in_volts)


@pytest.mark.parametrize(("kind", "metrics"), [("tone", ("level", "dc_offset")), ("quiet", ("noise",))])
def test_volts_are_by_each_channel_s_own_full_scale(kind, metrics):
    time = np.arange(20_000) / 48_000
    samples = 1e-4 * np.random.default_rng(1).standard_normal((20_000, 2)) + 0.01
    if kind == "tone":
        samples += 0.5 * np.sin(2 * np.pi * 997 * time)[:, None]
    alike = readings(kind, samples, Context(CHANNELS))
    apart = readings(kind, samples, Context(CHANNELS), (8.0, 2.0))
    for metric in metrics:
        assert apart[metric, "left"] == alike[metric, "left"]
        assert apart[metric, "right"].value == pytest.approx(0.25 * alike[metric, "right"].value)
