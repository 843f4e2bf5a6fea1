"""Clicks before and after what is measured are read in volts, said, and judged by a mask; they hide nothing."""

from dataclasses import replace

import numpy as np
import pytest
from fault_corpus import check_named, clean, judged
from repeats import covering

from linecheck.limits.loading.load import load_limits
from linecheck.limits.verdict import Verdict
from linecheck.measure.measure import Analysis, analyse

NAMES = ("left", "right")
POP_VOLTS = 1.6


def popped(name, after_seconds):
    """A capture with an exponential pop of 1.6 V so long after the measured part's begin (negative: before)."""
    check, capture = check_named(name), clean(name, 1)
    location = check.kind.locate(capture, check.stimulus, NAMES)
    at = location.start + round(after_seconds * capture.rate_hz)
    codes = capture.samples.astype(np.float64)
    pop = POP_VOLTS / 8.0 * 2.0**31 * np.exp(-np.arange(200) / 40.0)
    codes[at : at + 200] += pop[: len(codes) - at, None]
    return replace(capture, samples=np.clip(codes, -(2.0**31), 2.0**31 - 1.0).astype(np.int32))


def peaks(found):
    return [item.reading.value for item in found.readings if item.reading.metric == "peak_outside"]


@pytest.mark.parametrize(
    ("name", "where"), covering(["tone", "low_level_tone", "quiet", "treble_tone"], [-0.14, -0.06, "after"])
)
def test_a_pop_beside_what_is_measured_is_read_and_said(name, where):
    seconds = check_named(name).stimulus.seconds
    capture = popped(name, seconds + 0.03 if where == "after" else where)
    found = judged(name, capture, None)
    assert not [entry for entry in found.problems if entry.blocks]
    # A tone that is not settled hides some of it, by its phase.
    assert peaks(found) == pytest.approx([POP_VOLTS] * 2, rel=0.06 if name == "quiet" else 0.5)
    assert {entry.channel for entry in found.problems if entry.code == "click_outside"} == set(NAMES)


@pytest.mark.parametrize("name", ["tone", "low_level_tone", "quiet", "treble_tone"])
def test_a_clean_capture_has_no_click(name):
    found = judged(name, clean(name, 1), None)
    assert max(peaks(found)) < 2e-3
    assert not [entry for entry in found.problems if entry.code == "click_outside"]


def test_a_pop_changes_no_other_reading_of_a_faint_tone():
    captures = clean("low_level_tone", 1), popped("low_level_tone", 1.03)
    truth, found = (judged("low_level_tone", capture, None) for capture in captures)
    for one, other in zip(truth.readings, found.readings, strict=True):
        if one.reading.metric != "peak_outside":
            assert other.reading.value == pytest.approx(one.reading.value, abs=0.2)


LIMITS = """
format: 1
model: pellow-r3
revision: 1
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
checks:
  quiet: {kind: quiet, masks: {peak_outside: {pass: {max: 0.01}, fail: {max: 0.1}}}}
"""


def test_a_mask_judges_it(write):
    limits = load_limits(write(LIMITS))
    for capture, verdict in ((clean("quiet", 1), Verdict.PASS), (popped("quiet", -0.06), Verdict.FAIL)):
        found = analyse(Analysis(limits.checks[0], capture, limits.channels, limits.decision)).judged
        masked = [item.verdict for item in found.readings if item.reading.metric == "peak_outside"]
        assert masked == [verdict] * 2
