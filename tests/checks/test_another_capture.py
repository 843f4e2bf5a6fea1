"""A capture that is not what it is said to be: of another rate, or of another check."""

from dataclasses import replace

import pytest
from fault_corpus import check_named, clean, judged

from linecheck.limits.verdict import Verdict


@pytest.mark.parametrize("slower", [2, 4])
@pytest.mark.parametrize("name", ["tone", "treble_tone"])
def test_a_harmonic_at_the_tone_s_place_is_a_capture_at_a_part_of_its_rate(name, slower):
    # Harmonics of a tone that seems to be at a half or a quarter of its frequency lie where it should be.
    capture = clean(name, 0)
    found = judged(name, replace(capture, rate_hz=capture.rate_hz // slower), None)
    assert found.verdict is Verdict.INVALID
    assert {problem.code for problem in found.problems if problem.blocks} <= {
        "wrong_rate",
        "capture_rate_low",
        "stimulus_not_found",
    }
    assert {item.verdict for item in found.readings} <= {None, Verdict.INVALID}


def test_a_loud_tone_under_a_faint_one_s_name_has_no_dynamic_range():
    assert check_named("low_level_tone").stimulus.frequency_hz == check_named("tone").stimulus.frequency_hz
    found = judged("low_level_tone", clean("tone", 0), None)
    assert found.verdict is Verdict.INVALID
    assert {problem.code for problem in found.problems} >= {"wrong_level"}
    assert judged("low_level_tone", clean("low_level_tone", 0), None).verdict is Verdict.PASS
