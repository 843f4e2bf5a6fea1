"""A channel in which nothing came back: whose fault it is only a check of the station's loop can say."""

from dataclasses import replace

import numpy as np
import pytest
from small_run import simulated, small_check

from linecheck.checks import kinds
from linecheck.checks.base import Capture
from linecheck.limits.decision import judge_measurement
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import Verdict
from linecheck.measure.analyses import driven
from linecheck.measure.measure import Analysis, take_measurement
from linecheck.measure.silence import NO_LOOP_CHECK, LoopCheck

CHANNELS = ("left", "right")
PROVEN = LoopCheck(True, "checked 2026-11-29 07:10 UTC in record 12")
MASKS = {"level": Mask(Bounds(3.5, 4.5))}


def measured(kind, loop, *faults, masks=None, decision="simple", **stimulus):
    found = kinds()[kind]
    check = replace(small_check("it", "tone", masks or {}), kind=found)
    parameters, analysis = found.stimulus_parameters(**stimulus), found.analysis_parameters()
    check = replace(check, stimulus=parameters, analysis=analysis)
    played = found.stimulus(parameters, 2, 0.02)
    with simulated(*faults) as interface:
        capture = interface.play("it", played)
    measurement = take_measurement(
        Analysis(
            check, capture, CHANNELS, decision, driven=driven(played), loop=loop, volts_uncertainty=0.001
        )
    )
    return measurement, judge_measurement(check, measurement, decision, CHANNELS)


@pytest.mark.parametrize(
    "kind",
    ["tone", "multitone", "response", "wiring", "intermodulation", "ultrasonic", "crosstalk", "linearity"],
)
def test_a_dead_channel_is_not_judged_until_a_loop_check_proves_its_path(kind):
    for loop, blocks in ((NO_LOOP_CHECK, True), (PROVEN, False)):
        measurement, _ = measured(kind, loop, "dead_channel")
        (silent,) = (problem for problem in measurement.problems if problem.code == "silent_channel")
        assert (silent.channel, silent.blocks) == ("right", blocks)
        assert loop.text in silent.message


def test_the_unit_is_to_blame_where_the_path_is_proven():
    _, unproven = measured("tone", NO_LOOP_CHECK, "dead_channel", masks=MASKS)
    _, proven = measured("tone", PROVEN, "dead_channel", masks=MASKS)
    assert unproven.verdict is Verdict.INVALID
    assert proven.verdict is Verdict.FAIL


@pytest.mark.parametrize("decision", ["simple", "guarded"])
def test_a_unit_that_plays_nothing_fails_its_level_where_the_path_is_proven(decision):
    for loop, verdict in ((NO_LOOP_CHECK, Verdict.INVALID), (PROVEN, Verdict.FAIL)):
        measurement, judged = measured("tone", loop, "not_playing", masks=MASKS, decision=decision)
        assert judged.verdict is verdict
        levels = [item.value for item in measurement.readings if item.metric == "level"]
        assert levels == [None, None] if loop is NO_LOOP_CHECK else max(levels) < 1e-3


def test_a_unit_that_plays_nothing_passes_no_mask_whatever_this_asks_for():
    for mask in (Mask(Bounds(None, 4.5)), Mask(Bounds(0.0, 4.5)), Mask(Bounds(3.5, 4.5), Bounds(None, 5.0))):
        _, judged = measured("tone", PROVEN, "not_playing", masks={"level": mask})
        assert judged.verdict is Verdict.INVALID


def test_a_capture_of_zeros_says_nothing_of_a_unit_whatever_is_proven():
    _, judged = measured("tone", PROVEN, "silence", masks=MASKS)
    assert judged.verdict is Verdict.INVALID


def test_what_sounds_is_not_silent_however_bad():
    for faults in ((), ("missing_leg",), ("noisy",), ("inverted_polarity_right",), ("swapped_channels",)):
        measurement, _ = measured("tone", NO_LOOP_CHECK, *faults)
        assert "silent_channel" not in {problem.code for problem in measurement.problems}


def test_a_faint_stimulus_at_another_rate_is_not_silent():
    measurement, _ = measured("tone", NO_LOOP_CHECK, "wrong_rate", level_dbfs=-60.0)
    assert {problem.code for problem in measurement.problems} == {"wrong_rate"}


def test_an_attenuated_channel_is_judged():
    """A muted output lets 40 to 60 dB through; common practice, no source. Above that it is there to be judged."""
    check = small_check("it", "tone")
    played = check.kind.stimulus(check.stimulus, 2, 0.02)
    with simulated() as interface:
        capture = interface.play("it", played)
    quieter = np.array(capture.scaled.T)
    quieter[:, 1] *= 10.0 ** (-30.0 / 20.0)
    weak = Capture(quieter, capture.rate_hz, capture.full_scale_volts)
    found = take_measurement(Analysis(check, weak, CHANNELS, "simple", driven=driven(played)))
    assert "silent_channel" not in {problem.code for problem in found.problems}
