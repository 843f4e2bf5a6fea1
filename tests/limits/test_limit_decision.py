"""From readings and masks to verdicts: what must never pass does not."""

from __future__ import annotations

import dataclasses
import math
import time

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from linecheck.checks import kinds as all_kinds
from linecheck.checks.base import Curve, Measurement, Problem, Reading
from linecheck.limits.decision import judge_curve, judge_measurement, judge_reading
from linecheck.limits.masks import bounds_clash, limit_at, mask_clash
from linecheck.limits.model import Bounds, Check, Mask
from linecheck.limits.verdict import Verdict

PASS, MARGINAL, FAIL, INVALID = Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL, Verdict.INVALID
BADNESS = {PASS: 0, MARGINAL: 1, FAIL: 2}
CHANNELS = ("left", "right")

SINAD = Mask(Bounds(112.0), Bounds(108.0))
LEVEL = Mask(Bounds(3.9, 4.1), Bounds(3.8, 4.2))


def reading(value, uncertainty=None):
    return Reading("sinad", "left", value, "dB", uncertainty)


def curve(x, y, uncertainty=None):
    arrays = (None if part is None else np.asarray(part, dtype=float) for part in (x, y, uncertainty))
    x, y, uncertainty = arrays
    return Curve("spectrum", "left", x, "Hz", y, "dB", 5.0, uncertainty)


@pytest.mark.parametrize(
    ("mask", "value", "verdict", "margin", "limit", "fail_limit", "side"),
    [
        (SINAD, 113.5, PASS, 1.5, 112.0, 108.0, "min"),
        (SINAD, 112.0, PASS, 0.0, 112.0, 108.0, "min"),
        (SINAD, 111.5, MARGINAL, -0.5, 112.0, 108.0, "min"),
        (SINAD, 108.0, MARGINAL, -4.0, 112.0, 108.0, "min"),
        (SINAD, 107.5, FAIL, -4.5, 112.0, 108.0, "min"),
        (Mask(Bounds(112.0)), 111.5, FAIL, -0.5, 112.0, None, "min"),
        (Mask(Bounds(112.0)), 112.0, PASS, 0.0, 112.0, None, "min"),
        (Mask(Bounds(0.25, 0.5)), 0.3125, PASS, 0.0625, 0.25, None, "min"),
        (Mask(Bounds(0.25, 0.5)), 0.4375, PASS, 0.0625, 0.5, None, "max"),
        (Mask(Bounds(0.25, 0.5)), 0.625, FAIL, -0.125, 0.5, None, "max"),
        (Mask(Bounds(0.25, 0.5), Bounds(max=1.0)), 0.125, MARGINAL, -0.125, 0.25, None, "min"),
        (Mask(Bounds(0.25, 0.5), Bounds(max=1.0)), 2.0, FAIL, -1.5, 0.5, 1.0, "max"),
    ],
)
def test_the_simple_rule(mask, value, verdict, margin, limit, fail_limit, side):
    judged = judge_reading(mask, reading(value), "simple")
    assert (judged.verdict, judged.margin, judged.limit, judged.fail_limit, judged.side) == (
        verdict, margin, limit, fail_limit, side,
    )  # fmt: skip


@pytest.mark.parametrize(("value", "verdict"), [(113.0, PASS), (111.0, INVALID), (107.0, INVALID)])
def test_a_bound_on_the_wrong_side_of_its_limit_judges_nothing(value, verdict):
    bound = dataclasses.replace(reading(value, 0.1), is_bound=True)
    assert judge_reading(SINAD, bound, "simple", "more").verdict is verdict
    check = Check("tone", all_kinds()["tone"], None, None, {}, {"sinad": SINAD})
    judged = judge_measurement(check, Measurement((bound,)), "simple", ("left",))
    assert [item.verdict for item in judged.readings] == [verdict]
    assert [problem.code for problem in judged.problems] == ["unresolved"] * (verdict is INVALID)


@pytest.mark.parametrize(
    ("mask", "better", "verdict"),
    [
        (Mask(Bounds(max=-120.0)), "less", PASS),
        (Mask(Bounds(max=-100.0), Bounds(max=-90.0)), "less", PASS),
        (Mask(Bounds(-130.0, -100.0)), "less", INVALID),
        (Mask(Bounds(min=-130.0)), "less", INVALID),
        (Mask(Bounds(min=-130.0)), "more", PASS),
        (Mask(Bounds(-130.0, -100.0)), "more", INVALID),
        (Mask(Bounds(max=-100.0)), "more", INVALID),
        (Mask(Bounds(max=-100.0)), "nominal", INVALID),
        # What is beyond the limit on the side where the truth may lie is so however far the truth is.
        (Mask(Bounds(-110.0, -100.0)), "less", FAIL),
        (Mask(Bounds(-110.0, -100.0), Bounds(-120.0, -90.0)), "less", FAIL),
        (Mask(Bounds(-110.0, -100.0), Bounds(max=-90.0)), "less", MARGINAL),
        (Mask(Bounds(-110.0, -100.0), Bounds(-130.0, -90.0)), "less", INVALID),
        (Mask(Bounds(-125.0, -100.0)), "less", INVALID),
        (Mask(Bounds(-110.0, -100.0)), "more", INVALID),
        (Mask(Bounds(-140.0, -130.0)), "more", FAIL),
        (Mask(Bounds(-140.0, -130.0), Bounds(-150.0, -127.0)), "more", FAIL),
        (Mask(Bounds(-140.0, -130.0), Bounds(min=-150.0)), "more", MARGINAL),
        (Mask(Bounds(-140.0, -130.0), Bounds(-150.0, -120.0)), "more", INVALID),
        (Mask(Bounds(-140.0, -130.0)), "less", INVALID),
        (Mask(Bounds(-140.0, -130.0)), "nominal", INVALID),
    ],
)
def test_a_bound_has_the_verdict_that_the_truth_has_wherever_it_may_lie(mask, better, verdict):
    bound = Reading("hum", "left", -125.0, "dB", 1.0, is_bound=True)
    judged = judge_reading(mask, bound, "simple", better)
    assert judged.verdict is verdict
    assert (judged.margin is None) == (verdict is INVALID)


@pytest.mark.parametrize(
    ("least", "fail", "verdict"),
    [
        (-122.5, None, FAIL),
        (-123.0, None, INVALID),
        (-122.5, Bounds(max=-90.0), MARGINAL),
        (-123.0, Bounds(max=-90.0), INVALID),
        (-110.0, Bounds(-122.5, -90.0), FAIL),
        (-110.0, Bounds(-123.0, -90.0), INVALID),
    ],
)
def test_by_the_guarded_rule_a_bound_proves_a_fail_only_with_its_whole_uncertainty(least, fail, verdict):
    bound = Reading("hum", "left", -125.0, "dB", 1.0, is_bound=True)
    assert judge_reading(Mask(Bounds(least, -100.0), fail), bound, "guarded", "less").verdict is verdict


@given(
    st.integers(-4, 4), st.integers(0, 9), st.sampled_from(["more", "less"]), st.sampled_from(["simple", "guarded"]),
    *(st.one_of(st.none(), st.integers(-4, 4)) for _ in range(4)),
)  # fmt: skip
def test_no_truth_has_another_verdict_than_its_bound(
    value, further, better, decision, low, high, outer_low, outer_high
):
    mask = Mask(Bounds(low, high), Bounds(outer_low, outer_high))
    bound = judge_reading(
        mask, Reading("hum", "left", value, "dB", 0.5, is_bound=True), decision, better
    ).verdict
    assume(bound is not INVALID)
    truth = Reading("hum", "left", value + (further if better == "more" else -further), "dB", 0.5)
    assert judge_reading(mask, truth, decision, better).verdict is bound


@pytest.mark.parametrize(
    ("mask", "value", "uncertainty", "verdict", "margin", "limit", "fail_limit"),
    [
        (SINAD, 113.0, 0.25, PASS, 0.5, 112.5, 108.0),
        (SINAD, 112.5, 0.25, PASS, 0.0, 112.5, 108.0),
        (SINAD, 112.25, 0.25, MARGINAL, -0.25, 112.5, 108.0),
        (SINAD, 108.0, 0.25, MARGINAL, -4.5, 112.5, 108.0),
        (SINAD, 107.75, 0.25, FAIL, -4.75, 112.5, 108.0),
        (Mask(Bounds(112.0)), 112.25, 0.25, MARGINAL, -0.25, 112.5, 112.0),
        (Mask(Bounds(112.0)), 112.0, 0.25, MARGINAL, -0.5, 112.5, 112.0),
        (Mask(Bounds(112.0)), 111.75, 0.25, FAIL, -0.75, 112.5, 112.0),
        (Mask(Bounds(0.0, 1.0)), 0.5, 0.5, MARGINAL, -0.5, 1.0, 0.0),
        (SINAD, 113.0, 0.0, PASS, 1.0, 112.0, 108.0),
    ],
)
def test_the_guarded_rule(mask, value, uncertainty, verdict, margin, limit, fail_limit):
    judged = judge_reading(mask, reading(value, uncertainty), "guarded")
    assert (judged.verdict, judged.margin, judged.limit, judged.fail_limit) == (
        verdict,
        margin,
        limit,
        fail_limit,
    )


def test_without_a_mask_there_is_no_verdict():
    assert judge_reading(None, reading(3.0), "simple").verdict is None
    assert judge_reading(None, reading(None), "guarded").verdict is None
    assert judge_curve(None, curve([1, 2], [0, 0]), True, "guarded").verdict is None


NUMBERS = st.floats(-1e6, 1e6)
DECISIONS = st.sampled_from(["simple", "guarded"])
UNCERTAINTIES = st.floats(0, 1e3)


@st.composite
def bounds(draw):
    low, high = sorted([draw(NUMBERS), draw(NUMBERS)])
    chosen = draw(st.sampled_from(["min", "max", "both"]))
    return Bounds(low if chosen != "max" else None, high if chosen != "min" else None)


@st.composite
def masks(draw):
    inner = draw(bounds())
    if draw(st.booleans()):
        return Mask(inner)
    apart = st.floats(0, 1e5)
    fail = Bounds(
        None if inner.min is None or draw(st.booleans()) else inner.min - draw(apart),
        None if inner.max is None or draw(st.booleans()) else inner.max + draw(apart),
    )
    return Mask(inner, fail)


def tightened(limits, step):
    return Bounds(
        None if limits.min is None else limits.min + step, None if limits.max is None else limits.max - step
    )


@given(masks(), NUMBERS, UNCERTAINTIES | st.none(), DECISIONS, st.floats(0, 1e4), st.floats(0, 1e4))
def test_tightening_a_mask_never_makes_a_verdict_better(mask, value, uncertainty, decision, step, fail_step):
    fail = None if mask.fail is None else tightened(mask.fail, fail_step)
    before = judge_reading(mask, reading(value, uncertainty), decision).verdict
    for tighter in (Mask(tightened(mask.pass_, step), fail), Mask(tightened(mask.pass_, step), mask.fail)):
        after = judge_reading(tighter, reading(value, uncertainty), decision).verdict
        assert (before is INVALID) == (after is INVALID)
        assert before is INVALID or BADNESS[after] >= BADNESS[before]


@given(masks(), NUMBERS, UNCERTAINTIES)
def test_guarding_never_makes_a_verdict_better_and_moves_no_fail_limit(mask, value, uncertainty):
    simple = judge_reading(mask, reading(value, uncertainty), "simple")
    guarded = judge_reading(mask, reading(value, uncertainty), "guarded")
    assert BADNESS[guarded.verdict] >= BADNESS[simple.verdict]
    assert (guarded.verdict is FAIL) == (simple.verdict is FAIL)


@given(masks(), st.sampled_from([math.nan, math.inf, -math.inf, None]), UNCERTAINTIES, DECISIONS)
def test_what_is_not_a_number_is_invalid_and_becomes_none(mask, value, uncertainty, decision):
    judged = judge_reading(mask, reading(value, uncertainty), decision)
    assert judged.verdict is INVALID
    assert judged.reading.value is None
    assert judged.margin is None


@given(masks(), NUMBERS, st.sampled_from([math.nan, math.inf, None, -1.0, 1e308]))
def test_the_guarded_rule_without_a_usable_uncertainty_is_invalid(mask, value, uncertainty):
    judged = judge_reading(mask, reading(value, uncertainty), "guarded")
    assert judged.verdict is INVALID
    assert judged.reading.value == value
    assert judged.reading.uncertainty is None or math.isfinite(judged.reading.uncertainty)


@given(masks(), NUMBERS, UNCERTAINTIES, DECISIONS)
def test_the_margin_is_negative_exactly_where_it_does_not_pass(mask, value, uncertainty, decision):
    judged = judge_reading(mask, reading(value, uncertainty), decision)
    assert (judged.margin >= 0) == (judged.verdict is PASS)
    assert abs(value - judged.limit) == abs(judged.margin)


@given(masks(), st.lists(NUMBERS, min_size=1, max_size=12), UNCERTAINTIES, DECISIONS)
def test_a_curve_is_as_bad_as_its_worst_point(mask, values, uncertainty, decision):
    x = np.arange(1.0, len(values) + 1.0)
    judged = judge_curve(mask, curve(x, values, np.full(len(values), uncertainty)), True, decision)
    points = [judge_reading(mask, reading(value, uncertainty), decision) for value in values]
    worst = max(points, key=lambda point: (BADNESS[point.verdict], -point.margin))
    assert (judged.verdict, judged.margin, judged.limit) == (worst.verdict, worst.margin, worst.limit)
    assert judged.worst_y == values[int(judged.worst_x) - 1]


def test_the_worst_point_is_the_worst_verdict_first_and_the_smallest_margin_then():
    # At 10 the curve is 6 outside a mask that lets it be 8 outside; at 1000 it is 1 outside and fails.
    mask = Mask(
        Bounds(max=((10.0, -100.0), (1000.0, -100.0))),
        Bounds(max=((10.0, -92.0), (999.0, -92.0), (1000.0, -99.5))),
    )
    judged = judge_curve(mask, curve([10, 100, 1000, 2000], [-94, -110, -99, 0]), True, "simple")
    assert (judged.verdict, judged.worst_x, judged.worst_y, judged.margin) == (FAIL, 1000.0, -99.0, -1.0)
    assert (judged.limit, judged.fail_limit, judged.side) == (-100.0, -99.5, "max")


def test_a_sloping_limit_is_judged_where_the_points_are():
    mask = Mask(Bounds(max=((10.0, -120.0), (1000.0, -100.0))))
    judged = judge_curve(mask, curve([10, 100, 1000], [-121, -110.5, -103]), True, "simple")
    assert (judged.verdict, judged.worst_x) == (PASS, 100.0)
    assert judged.margin == pytest.approx(0.5)
    linear = judge_curve(mask, curve([10, 505, 1000], [-121, -110.5, -103]), False, "simple")
    assert (linear.worst_x, linear.margin) == (505.0, pytest.approx(0.5))


def test_each_point_of_a_curve_is_guarded_by_its_own_uncertainty():
    mask = Mask(Bounds(max=-100.0))
    judged = judge_curve(mask, curve([1, 2, 3], [-101, -105, -103], [0.1, 1.0, 2.0]), True, "guarded")
    assert (judged.verdict, judged.worst_x, judged.margin, judged.limit) == (MARGINAL, 3.0, -1.0, -104.0)
    for unknown in (None, [0.1, np.nan, 0.1], [0.1, 0.1, -0.1]):
        assert (
            judge_curve(mask, curve([1, 2, 3], [-101, -105, -103], unknown), True, "guarded").verdict
            is INVALID
        )


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_curve_with_a_point_that_is_no_number_is_invalid_and_emptied(bad):
    for mask, verdict in ((Mask(Bounds(max=0.0)), INVALID), (None, None)):
        judged = judge_curve(mask, curve([1, 2, 3], [-1, bad, -1]), True, "simple")
        assert judged.verdict is verdict
        assert (len(judged.curve.x), len(judged.curve.y)) == (0, 0)


def test_a_curve_that_ends_short_of_its_mask_is_invalid():
    mask = Mask(Bounds(max=((20.0, -100.0), (20000.0, -100.0))))
    whole = np.geomspace(20.3, 19990.0, 1000)
    assert judge_curve(mask, curve(whole, np.full(1000, -120.0)), True, "simple").verdict is PASS
    for short in (whole[:900], whole[100:], whole[:0]):
        judged = judge_curve(mask, curve(short, np.full(len(short), -120.0)), True, "simple")
        assert judged.verdict is INVALID
    # A flat limit has no ends: it judges what there is.
    assert judge_curve(Mask(Bounds(max=-100.0)), curve([50.0], [-120.0]), True, "simple").verdict is PASS
    assert judge_curve(Mask(Bounds(max=-100.0)), curve([], []), True, "simple").verdict is INVALID


def test_a_curve_may_reach_beyond_its_mask():
    mask = Mask(Bounds(max=((100.0, -100.0), (200.0, -100.0))))
    x = np.arange(10.0, 1000.0, 5.0)
    y = np.where((x < 100) | (x > 200), 50.0, -120.0)
    assert judge_curve(mask, curve(x, y), True, "simple").verdict is PASS
    between = curve([10.0, 90.0, 210.0, 900.0], [-120.0] * 4)
    assert judge_curve(mask, between, True, "simple").verdict is INVALID


@pytest.fixture(scope="module")
def check(kinds):
    kind = kinds["sine"]
    masks = {"sinad": SINAD, "balance": Mask(Bounds(-1.0, 1.0)), "spectrum": Mask(Bounds(max=-100.0))}
    return Check("tone", kind, kind.stimulus_parameters(), kind.analysis_parameters(), {}, masks)


def measured(*problems):
    readings = [Reading("balance", None, 0.5, "dB", 0.01)]
    curves = []
    for channel in CHANNELS:
        readings += [Reading("sinad", channel, 113.0, "dB", 0.01), Reading("level", channel, 4.0, "V", 0.01)]
        curves.append(
            dataclasses.replace(curve([1, 2, 3], [-120, -120, -120], [0.1, 0.1, 0.1]), channel=channel)
        )
    return Measurement(tuple(readings), tuple(curves), problems)


def verdicts(judged):
    named = {(item.reading.metric, item.reading.channel): item.verdict for item in judged.readings}
    return named | {(item.curve.metric, item.curve.channel): item.verdict for item in judged.curves}


@pytest.mark.parametrize("decision", ["simple", "guarded"])
def test_a_whole_measurement(check, decision):
    judged = judge_measurement(check, measured(), decision, CHANNELS)
    assert judged.verdict is PASS
    assert judged.problems == ()
    assert verdicts(judged) == {
        ("balance", None): PASS,
        ("sinad", "left"): PASS,
        ("level", "left"): None,
        ("sinad", "right"): PASS,
        ("level", "right"): None,
        ("spectrum", "left"): PASS,
        ("spectrum", "right"): PASS,
    }


def test_a_problem_of_the_capture_voids_everything(check):
    problem = Problem("dropout", "a gap of 3 ms")
    judged = judge_measurement(check, measured(problem), "simple", CHANNELS)
    assert judged.verdict is INVALID
    assert all(item.reading.value is None and item.reading.uncertainty is None for item in judged.readings)
    assert all(len(item.curve.x) == 0 for item in judged.curves)
    assert {verdict for name, verdict in verdicts(judged).items() if name[0] != "level"} == {INVALID}
    assert {verdict for name, verdict in verdicts(judged).items() if name[0] == "level"} == {None}
    assert judged.problems == (problem,)


def test_a_problem_of_a_channel_voids_that_and_the_pair(check):
    judged = judge_measurement(check, measured(Problem("clipping", "clipped", "right")), "simple", CHANNELS)
    found = verdicts(judged)
    assert found["sinad", "left"] is found["spectrum", "left"] is PASS
    assert found["sinad", "right"] is found["spectrum", "right"] is found["balance", None] is INVALID
    assert judged.verdict is INVALID
    assert len(judged.problems) == 1


def test_a_problem_of_an_unknown_channel_voids_everything(check):
    judged = judge_measurement(check, measured(Problem("clipping", "clipped", "rear")), "simple", CHANNELS)
    assert set(verdicts(judged).values()) == {INVALID, None}


def test_a_problem_that_does_not_block_voids_nothing(check):
    note = Problem("beyond_capture", "harmonic 9", "left", blocks=False, metrics=("harmonic_9",))
    assert judge_measurement(check, measured(note), "simple", CHANNELS).verdict is PASS


def test_what_was_not_measured_is_added_as_invalid_and_explained(check):
    judged = judge_measurement(check, Measurement(), "simple", CHANNELS)
    assert verdicts(judged) == {
        ("balance", None): INVALID,
        ("sinad", "left"): INVALID,
        ("sinad", "right"): INVALID,
        ("spectrum", "left"): INVALID,
        ("spectrum", "right"): INVALID,
    }
    assert {(problem.code, problem.channel, problem.metrics) for problem in judged.problems} == {
        ("not_measured", None, ("balance",)),
        ("not_measured", "left", ("sinad", "spectrum")),
        ("not_measured", "right", ("sinad", "spectrum")),
    }
    assert not any(problem.blocks for problem in judged.problems)


def test_a_reading_that_is_no_number_is_explained_once(check):
    whole = measured()
    readings = tuple(
        dataclasses.replace(item, value=math.nan) if item.channel == "left" else item
        for item in whole.readings
    )
    judged = judge_measurement(check, Measurement(readings, whole.curves), "simple", CHANNELS)
    assert verdicts(judged)["sinad", "left"] is INVALID
    assert verdicts(judged)["level", "left"] is None
    assert [(problem.code, problem.channel, problem.metrics) for problem in judged.problems] == [
        ("not_measured", "left", ("sinad", "level"))
    ]
    known = Problem("volts_unknown", "no volts", "left", blocks=False, metrics=("sinad", "level"))
    assert judge_measurement(
        check, Measurement(readings, whole.curves, (known,)), "simple", CHANNELS
    ).problems == (known,)


def test_why_the_guarded_rule_could_not_judge(check):
    whole = measured()
    curves = tuple(dataclasses.replace(item, uncertainty=None) for item in whole.curves)
    readings = tuple(dataclasses.replace(item, uncertainty=None) for item in whole.readings)
    judged = judge_measurement(check, Measurement(readings, curves), "guarded", CHANNELS)
    assert judged.verdict is INVALID
    assert {(problem.code, problem.channel, problem.metrics) for problem in judged.problems} == {
        ("uncertainty_unknown", channel, (metric,))
        for metric, channel in verdicts(judged)
        if metric != "level"
    }


def test_why_a_short_curve_could_not_be_judged(check):
    mask = Mask(Bounds(max=((1.0, -100.0), (900.0, -100.0))))
    judged = judge_measurement(
        dataclasses.replace(check, masks={**check.masks, "spectrum": mask}), measured(), "simple", CHANNELS
    )
    assert judged.verdict is INVALID
    assert (
        judged.problems[0].message == "spectrum was measured from 1 to 3 Hz, its mask goes from 1 to 900 Hz"
    )


def test_a_check_without_masks_has_no_verdict(check):
    bare = dataclasses.replace(check, masks={})
    assert judge_measurement(bare, measured(), "simple", CHANNELS).verdict is None
    assert judge_measurement(bare, Measurement(), "simple", CHANNELS).verdict is None


VALUES = st.none() | st.floats()
PROBLEMS = st.builds(
    Problem,
    st.just("fault"),
    st.just("something"),
    st.sampled_from([None, "left", "right", "rear"]),
    st.booleans(),
    st.lists(st.sampled_from(["sinad", "balance", "spectrum", "level"]), max_size=2).map(tuple),
)


@st.composite
def measurements(draw):
    readings = [
        Reading(metric, channel, draw(VALUES), "dB", draw(VALUES))
        for metric, channels in (("sinad", CHANNELS), ("level", CHANNELS), ("balance", (None,)))
        for channel in channels
        if draw(st.booleans())
    ]
    curves = []
    for channel in CHANNELS:
        if draw(st.booleans()):
            y = draw(st.lists(st.floats(), max_size=4))
            spread = draw(st.none() | st.lists(st.floats(), min_size=len(y), max_size=len(y)))
            curves.append(dataclasses.replace(curve(np.arange(1.0, len(y) + 1), y, spread), channel=channel))
    return Measurement(tuple(readings), tuple(curves), tuple(draw(st.lists(PROBLEMS, max_size=3))))


@given(measurements(), DECISIONS)
def test_whatever_is_measured_every_mask_is_answered_and_nothing_passes_for_nothing(
    check, measurement, decision
):
    judged = judge_measurement(check, measurement, decision, CHANNELS)
    found = verdicts(judged)
    assert len(found) == len(judged.readings) + len(judged.curves)
    for metric, channel in [("balance", None)] + [(m, c) for m in ("sinad", "spectrum") for c in CHANNELS]:
        assert found[metric, channel] is not None
    for item in judged.readings:
        numbers = (item.reading.value, item.reading.uncertainty, item.margin, item.limit, item.fail_limit)
        assert all(number is None or math.isfinite(number) for number in numbers)
        assert item.verdict in (None, INVALID) or item.reading.value is not None
    for item in judged.curves:
        assert np.all(np.isfinite(item.curve.x))
        assert np.all(np.isfinite(item.curve.y))
        assert item.curve.uncertainty is None or np.all(np.isfinite(item.curve.uncertainty))
        numbers = (item.worst_x, item.worst_y, item.margin, item.limit, item.fail_limit)
        assert all(number is None or math.isfinite(number) for number in numbers)
    if any(problem.blocks for problem in measurement.problems):
        assert judged.verdict in (INVALID, FAIL)
    unanswered = [name for name, verdict in found.items() if verdict is INVALID]
    assert not unanswered or judged.problems
    assert judge_measurement(check, measurement, decision, CHANNELS).problems == judged.problems


def test_two_thousand_points_are_judged_in_no_time():
    x = np.geomspace(20.0, 20000.0, 2000)
    corners = tuple((float(place), -100.0) for place in np.geomspace(20.0, 20000.0, 50))
    mask = Mask(Bounds(max=corners), Bounds(max=tuple((place, -90.0) for place, _ in corners)))
    assert bounds_clash(mask.pass_, True) is None
    assert mask_clash(mask, "max", True) is None
    probe = curve(x, limit_at(corners, x, True) - 1.0)
    took = []
    for _ in range(20):
        began = time.perf_counter()
        judged = judge_curve(mask, probe, True, "simple")
        took.append(time.perf_counter() - began)
    assert judged.verdict is PASS
    assert min(took) < 1e-3
