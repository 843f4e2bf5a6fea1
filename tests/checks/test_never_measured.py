"""What a kind says it can never measure is what it does not measure, and nothing else."""

import numpy as np
import pytest

from linecheck.checks import kinds
from linecheck.checks.base import Capture, Context, Reference
from linecheck.checks.contract import kept_measurement

RATE_HZ = 192_000
CHANNELS = ("left", "right")


def parameters(kind, stimulus, analysis):
    return kind.stimulus_parameters(**stimulus), kind.analysis_parameters(**analysis)


def unmeasured(kind, stimulus, analysis, channels, reference):
    """Return what a good unit, captured at a high rate, leaves without a value."""
    played = kind.stimulus(stimulus, len(channels), 0.01)
    values = np.repeat(played.samples / 2.0**31, RATE_HZ // played.rate_hz, axis=0)
    noise = 1e-6 * np.random.default_rng(1).standard_normal(values.shape)
    capture = Capture(values + noise, RATE_HZ, full_scale_volts=(4.0,) * len(channels), mains_hz=50.0)
    location = kind.locate(capture, stimulus, channels)
    assert location.problems == ()
    context = Context(channels, Reference("tone", (0.0,) * len(channels), (0.0,) * len(channels)))
    if not reference:
        context = Context(channels)
    measured = kept_measurement(kind, kind.measure(capture, location, stimulus, analysis, context), channels)
    valued = {reading.metric for reading in measured.readings if reading.value is not None}
    valued |= {curve.metric for curve in measured.curves if len(curve.x)}
    return {spec.name for spec in (*kind.metrics, *kind.curves)} - valued


@pytest.mark.parametrize(
    ("name", "stimulus", "analysis", "channels", "reference", "never"),
    [
        ("tone", {}, {}, CHANNELS, False, set()),
        ("tone", {}, {}, ("mono",), False, {"balance"}),
        ("tone", {"frequency_hz": 10007.0}, {}, CHANNELS, False, {"thd"}),
        ("tone", {"frequency_hz": 10000.0}, {}, CHANNELS, False, set()),
        ("tone", {"frequency_hz": 10007.0}, {"band_hz": (20.0, 30000.0)}, CHANNELS, False, set()),
        ("tone", {}, {"band_hz": (20.0, 1993.0)}, CHANNELS, False, {"thd"}),
        ("tone", {"frequency_hz": 100.0}, {"band_hz": (3001.0, 9000.0)}, CHANNELS, False, {"thd"}),
        ("tone", {"frequency_hz": 10.0}, {}, CHANNELS, False, {"hum"}),
        ("low_level_tone", {}, {}, ("mono",), False, set()),
        ("quiet", {"dither": True}, {}, CHANNELS, True, set()),
        ("quiet", {"dither": True}, {}, CHANNELS, False, {"snr", "snr_a", "hum", "spectrum"}),
        ("wiring", {}, {}, CHANNELS, False, set()),
        ("wiring", {}, {}, ("mono",), False, {"order", "channel_delay", "balance"}),
    ],
)  # fmt: skip
def test_what_is_said_is_what_is_missing(name, stimulus, analysis, channels, reference, never):
    kind = kinds()[name]
    played, analysed = parameters(kind, {"rate_hz": 48000, "seconds": 1.0, **stimulus}, analysis)
    reasons = kind.never_measured(played, analysed, len(channels), has_reference=reference)
    assert set(reasons) == never
    assert all(reasons.values())
    assert unmeasured(kind, played, analysed, channels, reference) == never


def test_hum_that_one_mains_frequency_lets_through_may_be_measured():
    kind = kinds()["tone"]
    stimulus, analysis = parameters(kind, {"frequency_hz": 50.0}, {})
    assert kind.never_measured(stimulus, analysis, 2, has_reference=False) == {}


@pytest.mark.parametrize("name", sorted(kinds()))
def test_a_kind_alone_in_two_channels_with_its_reference_measures_everything(name):
    kind = kinds()[name]
    stimulus, analysis = parameters(kind, {}, {})
    assert kind.never_measured(stimulus, analysis, 2, has_reference=True) == {}


@pytest.mark.parametrize("name", sorted(kinds()))
@pytest.mark.parametrize("channels", [1, 2, 8])
@pytest.mark.parametrize("reference", [True, False])
def test_only_what_a_kind_has_is_named(name, channels, reference):
    kind = kinds()[name]
    stimulus, analysis = parameters(kind, {}, {})
    curves = {spec.name for spec in kind.curves}
    known = curves | {spec.name for spec in kind.metrics}
    assert set(kind.never_measured(stimulus, analysis, channels, has_reference=reference)) <= known
    spans = kind.curve_spans(stimulus, analysis)
    assert set(spans) <= curves
    assert all(first < last for first, last in spans.values())
