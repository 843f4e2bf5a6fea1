"""Captures that were taken at a lower rate than they say, or filtered: what they do not hold reads nothing."""

import re
from dataclasses import replace

import numpy as np
import pytest
from fault_corpus import clean, judged
from repeats import covering

from linecheck.dsp.spectra.spectra import density, empty_above


def filtered(capture, edge_hz):
    """The capture with nothing above a frequency, rounded to its words again."""
    spectrum = np.fft.rfft(capture.samples >> 8, axis=0)
    spectrum[int(edge_hz / capture.rate_hz * capture.frames) :] = 0.0
    samples = np.rint(np.fft.irfft(spectrum, capture.frames, axis=0)).astype(np.int32) << 8
    return replace(capture, samples=samples)


@pytest.mark.parametrize(
    ("name", "edge_hz"),
    [
        *covering(("ultrasonic", "ultrasonic_silence"), (16_000, 22_050, 48_000)),
        *covering(("tone", "low_level_tone", "quiet"), (5000, 16_000)),
    ],
)
def test_what_a_capture_does_not_hold_reads_nothing(name, edge_hz):
    capture = clean(name, 1)
    found = judged(name, filtered(capture, edge_hz), None)
    assert "pass" not in {item.verdict.value for item in found.readings if item.verdict}
    told = [problem.message for problem in found.problems if problem.code == "band_not_reached"]
    assert len(told) == 2
    assert abs(float(re.match(r"above (\d+) Hz", told[0])[1]) - edge_hz) < 1000.0


def test_of_many_tones_all_must_be_there():
    found = judged("multitone", filtered(clean("multitone", 1), 12_000), None)
    told = [problem for problem in found.problems if problem.code == "tone_missing"]
    assert [problem.channel for problem in told] == ["left", "right"]
    assert "of the 32 tones are not there, the first at 1" in told[0].message
    assert {item.verdict.value for item in found.readings if item.verdict} == {"invalid"}


def test_of_a_sweep_the_audio_band_is_judged_all_the_same():
    found = judged("distortion_sweep", filtered(clean("distortion_sweep", 1), 60_000), None)
    assert not [problem for problem in found.problems if problem.blocks]
    verdicts = {item.reading.metric: item.verdict.value for item in found.readings if item.verdict}
    assert (verdicts["worst"], verdicts["worst_wideband"]) == ("pass", "invalid")


@pytest.mark.parametrize("rate", [44_100, 192_000])
@pytest.mark.parametrize("bits", [16, 24])
def test_noise_that_is_rounded_everywhere_or_falls_slowly_has_no_edge(rate, bits):
    rng = np.random.default_rng(bits)
    frames, step = rate, 2.0 ** (1 - bits)
    # A digital copy with dither; noise whose density falls by 20 dB a decade, down to the rounding.
    dither = step * np.rint(rng.uniform(-1.0, 1.0, frames) + rng.uniform(-0.5, 0.5, frames))
    frequency = np.maximum(np.arange(frames // 2 + 1), 1.0)
    skirt = np.fft.irfft(np.fft.rfft(rng.standard_normal(frames)) * (3000.0 / frequency), frames)
    for values in (dither, step * np.rint(skirt + dither / step)):
        assert empty_above(density(values, rate), 20_000.0, rate) is None
