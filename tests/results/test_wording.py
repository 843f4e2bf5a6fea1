from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_runs import made_check, made_curve, made_reading

from linecheck.checks.base import Problem
from linecheck.files.text import encodable, visible
from linecheck.limits.verdict import Verdict
from linecheck.results.wording import findings, judgement, number, signed


@pytest.mark.parametrize(
    ("item", "expected"),
    [
        (made_reading(), "113.2 dB, at least 112 dB passes (margin 1.2 dB)"),
        (
            made_reading(Verdict.MARGINAL, 110.0),
            "110 dB, below the pass limit of 112 dB (margin -2 dB; below 108 dB fails)",
        ),
        (
            made_reading(Verdict.FAIL, 5.1, unit="V", limit=4.1, fail_limit=None, side="max", margin=-1.0),
            "5.1 V, above the pass limit of 4.1 V (margin -1 V)",
        ),
        (
            made_reading(
                Verdict.PASS, -120.0, unit="dBFS", limit=-110.0, fail_limit=None, side="max", margin=10.0
            ),
            "-120 dBFS, at most -110 dBFS passes (margin 10 dB)",
        ),
        (made_reading(Verdict.INVALID, None), "not judged: it could not be measured"),
        (made_reading(None, 997.0, unit="Hz"), "997 Hz"),
        (made_reading(None, None), "not measured"),
        (made_curve(None), "measured, without a mask"),
        (
            made_reading(Verdict.FAIL, 1.0, unit="", limit=None, fail_limit=None, margin=None),
            "1, outside its limits",
        ),
    ],
)
def test_a_judgement_in_words(item, expected):
    assert judgement(item) == expected


@pytest.mark.parametrize(
    ("value", "unit", "digits", "told"),
    [
        (-1440.4, "Hz", 3, "-1440 Hz"),
        (1_234_567.0, "Hz", 6, "1234570 Hz"),
        (0.0000213, "V", 2, "0.000021 V"),
        (112.0, "dB", 6, "112 dB"),
        (None, "dB", 6, "–"),
    ],
)
def test_a_number_for_people_has_no_exponent(value, unit, digits, told):
    assert number(value, unit, digits) == told


@given(st.floats(1e-9, 1e11), st.integers(1, 9), st.booleans())
def test_a_number_without_an_exponent_is_the_same_number(value, digits, is_negative):
    value = -value if is_negative else value
    text = number(value, "", digits)
    assert "e" not in text
    assert float(text) == float(f"{value:.{digits}g}")
    assert signed(value, "", digits).startswith("-" if is_negative else "+")


def test_a_bound_that_comes_of_an_array_is_a_plain_truth_value():
    assert replace(made_reading().reading, is_bound=np.float64(1.0) > 0.5).is_bound is True


def test_a_bound_is_told_as_one():
    item = made_reading()
    bound = replace(item, reading=replace(item.reading, is_bound=True))
    assert judgement(bound) == "113.2 dB or better, at least 112 dB passes (margin 1.2 dB)"


def test_a_value_just_beside_its_limit_does_not_read_as_the_limit():
    text = judgement(made_reading(Verdict.FAIL, 112.0 - 1e-7, fail_limit=None))
    assert text.startswith("111.9999999")


def test_only_problems_of_the_same_metric_or_channel_are_given_as_reasons():
    problems = (
        Problem("dropout", "the sound broke off", "right"),
        Problem("clipping", "the capture clips", "left"),
        Problem("volts_unknown", "no volts", "left", blocks=False, metrics=("level",)),
    )
    assert judgement(made_reading(Verdict.INVALID, None), problems) == "not judged: the capture clips"


def test_findings_put_fails_first_and_leave_passes_out():
    checks = (
        made_check(made_reading(Verdict.MARGINAL, 110.0), made_reading(channel="right")),
        made_check(
            made_curve(Verdict.FAIL, margin=-3.0), name="treble", problems=(Problem("hum", "it hums"),)
        ),
    )
    found = findings(
        checks, ("quiet",), (Problem("calibration_overdue", "calibration is overdue", blocks=False),)
    )
    assert [text.split(":")[0] for text in found] == [
        "treble spectrum left fails",
        "calibration is overdue",
        "treble",
        "the check quiet was not run",
        "tone sinad left is marginal",
    ]


def test_findings_leave_out_what_only_explains_values_that_nothing_judges():
    reason = Problem(
        "band_not_reached", "harmonic_9 lies too high", "left", blocks=False, metrics=("harmonic_9",)
    )
    unjudged = made_reading(None, None, metric="harmonic_9")
    assert findings([made_check(made_reading(), unjudged, problems=(reason,))]) == ()
    judged = made_reading(Verdict.INVALID, None, metric="harmonic_9")
    assert findings([made_check(judged, problems=(reason,))]) == ("tone left: harmonic_9 lies too high",)


def test_what_explains_a_reading_that_passes_is_left_out_and_in_another_channel_too():
    reason = Problem("noise_limited", "noise is as strong", "left", blocks=False, metrics=("sinad",))
    passing, failing = made_reading(), made_reading(Verdict.FAIL, 100.0, margin=-12.0)
    assert findings([made_check(passing, problems=(reason,))]) == ()
    assert "tone left: noise is as strong" in findings([made_check(failing, problems=(reason,))])
    other = made_reading(Verdict.FAIL, 100.0, margin=-12.0, channel="right")
    assert all("noise" not in text for text in findings([made_check(passing, other, problems=(reason,))]))


def test_a_number_that_is_missing_is_a_dash():
    assert number(None, "dB") == "–"
    assert number(0.25, "") == "0.25"


@given(st.text())
def test_what_is_visible_can_be_written_anywhere(text):
    shown = visible(text)
    shown.encode("utf-8")
    assert all(
        character in "\t\n" or character.isprintable() or character.isspace() or ord(character) > 0x9F
        for character in shown
    )
    assert not set(shown) & {
        chr(code) for code in (*range(9), *range(11, 32), *range(0x7F, 0xA0), 0x202E, 0x2028)
    }


def test_ordinary_text_is_left_as_it_is():
    assert visible("Pellow R3 – 5.6 µV, größer") == "Pellow R3 – 5.6 µV, größer"
    assert encodable("PR3\x1d") == "PR3\x1d"
    assert encodable("PR3\udc80") == "PR3\\udc80"
