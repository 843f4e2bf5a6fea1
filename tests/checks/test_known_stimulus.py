"""A capture holds the stimulus that was played, whole: the sweep over its length, the noise that nothing else marks."""

from dataclasses import replace

import numpy as np
import pytest
from fault_corpus import check_named, clean, judged
from repeats import covering

from linecheck.checks import kinds
from linecheck.limits.verdict import Verdict
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

NAMES = ("left", "right")
SWEPT = check_named("swept_response")
NOISE = check_named("ultrasonic")


def problems_of(check, samples, rate_hz, full_scale=(8.0, 8.0)):
    capture = replace(clean(check.name, 1), samples=samples, rate_hz=rate_hz, full_scale_volts=full_scale)
    return {entry.code for entry in check.kind.locate(capture, check.stimulus, NAMES).problems}


def with_gain(samples, gain, first):
    changed = samples.copy()
    changed[first : first + len(gain)] = np.rint(changed[first : first + len(gain)] * gain[:, None])
    return changed


def fade(depth, frames):
    return 1.0 - depth * (0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(frames) + 0.5) / frames))


@pytest.mark.parametrize("after", [0.004, 0.03, 0.08, 0.14, 0.3, 0.9, 1.3, 1.37])
def test_a_sweep_with_a_hole_anywhere_is_not_whole(after):
    capture = clean("swept_response", 1)
    begin = SWEPT.kind.locate(capture, SWEPT.stimulus, NAMES).stop - round(1.4 * capture.rate_hz)
    first = begin + round(after * capture.rate_hz)
    assert problems_of(SWEPT, with_gain(capture.samples, np.zeros(240), first), capture.rate_hz) == {
        "dropout"
    }


@pytest.mark.parametrize(
    ("after", "dip"), covering([0.4, 0.7, 1.0], [(0.11, 0.02), (1.0, 0.05), (0.1, 0.04)])
)
def test_a_sweep_that_is_faded_while_it_passes_is_not_whole(after, dip):
    depth, seconds = dip
    capture = clean("swept_response", 1)
    begin = SWEPT.kind.locate(capture, SWEPT.stimulus, NAMES).stop - round(1.4 * capture.rate_hz)
    gain = fade(depth, round(seconds * capture.rate_hz))
    samples = with_gain(capture.samples, gain, begin + round(after * capture.rate_hz))
    assert problems_of(SWEPT, samples, capture.rate_hz) == {"dropout"}


@pytest.mark.parametrize(
    ("unit", "rate_hz"),
    covering(
        [
            ({}, ("inverted_polarity",)),
            ({"filter": "minimum_phase"}, ()),
            ({"lowpass_hz": 12_000.0, "lowpass_q": 2.0}, ()),
            ({"coupling_hz": 20.0}, ()),
            ({"clock_ppm": 990.0}, ()),
            ({"noise_db": -60.0, "hum_db": (-60.0, -70.0)}, ()),
            ({"harmonics_db": (-40.0, -40.0)}, ()),
        ],
        [44_100, 48_000],
    ),
)
def test_no_unit_breaks_a_sweep_or_noise_by_its_filter_clock_noise_or_distortion(unit, rate_hz):
    changes, faults = unit
    with SimulatedInterface(SimulatedUnit(**changes), faults=faults, capture_rate_hz=rate_hz) as station:
        for check in (SWEPT, NOISE):
            capture = station.play(check.name, check.kind.stimulus(check.stimulus, 2, 0.01))
            assert check.kind.locate(capture, check.stimulus, NAMES).problems == ()


def lost(samples, at, frames):
    return np.delete(samples, np.s_[at : at + frames], axis=0)


def crossfaded(samples, at, frames):
    share = ((np.arange(960) + 0.5) / 960)[:, None]
    joined = samples[at : at + 960] * (1.0 - share) + samples[at + frames : at + frames + 960] * share
    return np.concatenate((samples[:at], np.rint(joined).astype(np.int32), samples[at + frames + 960 :]))


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (lambda samples: lost(samples, 150_000, 1), "dropout"),
        (lambda samples: lost(samples, 150_000, 4000), "dropout"),
        (lambda samples: crossfaded(samples, 120_000, 3000), "dropout"),
        (lambda samples: with_gain(samples, fade(1.0, 4000), 150_000), "dropout"),
        (lambda samples: samples[120_000:], "too_short"),
        (lambda samples: samples[:150_000], "too_short"),
    ],
)
def test_noise_that_is_not_whole_is_told(fault, code):
    capture = clean("ultrasonic", 1)
    assert problems_of(NOISE, capture.samples, capture.rate_hz) == set()
    assert problems_of(NOISE, fault(capture.samples), capture.rate_hz) == {code}


@pytest.mark.parametrize("ppm", [-1000.0, 1000.0])
def test_the_noise_is_found_whatever_the_clocks(ppm):
    unit = SimulatedUnit(clock_ppm=ppm)
    with SimulatedInterface(unit, capture_rate_hz=192_000) as station:
        capture = station.play("ultrasonic", NOISE.kind.stimulus(NOISE.stimulus, 2, 0.01))
    assert NOISE.kind.locate(capture, NOISE.stimulus, NAMES).problems == ()


@pytest.mark.parametrize("other", ["distortion_sweep", "reconstruction", "ultrasonic_silence"])
def test_another_checks_capture_is_no_noise(other):
    found = judged("ultrasonic", clean(other, 1), None)
    assert any(entry.blocks for entry in found.problems)
    assert {item.verdict for item in found.readings} <= {None, Verdict.INVALID}


def test_noise_at_another_rate_is_named_and_silence_is_silence():
    capture = clean("ultrasonic", 1)
    assert problems_of(NOISE, capture.samples, 176_400) == {"wrong_rate"}
    found = judged("ultrasonic_silence", capture, None)
    assert "stimulus_not_found" in {entry.code for entry in found.problems if entry.blocks}


def test_a_programme_may_be_anything():
    parameters = kinds()["ultrasonic"].stimulus_parameters(signal="programme")
    assert NOISE.kind.locate(clean("distortion_sweep", 1), parameters, NAMES).problems == ()


@pytest.mark.parametrize(("before_end", "told"), [(0.01, True), (0.3, False)])
def test_a_filter_that_rings_ahead_of_the_end_may_be_why_something_there_is_no_noise(before_end, told):
    capture = clean("ultrasonic", 1)
    end = NOISE.kind.locate(capture, NOISE.stimulus, NAMES).stop
    samples = with_gain(capture.samples, fade(0.1, 400), end - round(before_end * capture.rate_hz))
    problems = NOISE.kind.locate(replace(capture, samples=samples), NOISE.stimulus, NAMES).problems
    assert {problem.code for problem in problems} == {"dropout"}
    assert {"or a filter rings" in problem.message for problem in problems} == {told}
