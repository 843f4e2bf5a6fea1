"""The rule of regression: laws that hold for any numbers, and what noise and true changes come to."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.limits.regression import (
    DETECTION_SIGMAS,
    EQUIVALENCE_SIGMAS,
    FAMILY_ALPHA,
    Answer,
    Measured,
    alarm_sigmas,
    compare_values,
    margin_needed,
)
from linecheck.limits.verdict import Verdict, worst

VALUES = st.floats(-200.0, 200.0)
UNCERTAINTIES = st.one_of(st.just(0.0), st.floats(1e-6, 10.0))
MARGINS = st.floats(1e-3, 20.0)
SIGMAS = st.floats(2.0, 6.0)
WAYS = st.sampled_from(["more", "less", "nominal"])
SIDES = st.builds(Measured, VALUES, UNCERTAINTIES)
BOUNDS = st.builds(Measured, VALUES, UNCERTAINTIES, st.booleans())
BADNESS = (Verdict.PASS, Verdict.MARGINAL, Verdict.INVALID, Verdict.FAIL)


@given(BOUNDS, BOUNDS, WAYS, MARGINS, SIGMAS)
def test_an_answer_has_its_verdict(new, base, better, margin, sigmas):
    change = compare_values(new, base, better, margin, sigmas)
    allowed = {
        Answer.WORSE: {Verdict.FAIL},
        Answer.BETTER: {Verdict.PASS},
        Answer.UNCHANGED: {Verdict.PASS},
        Answer.CANNOT_TELL: {Verdict.PASS, Verdict.MARGINAL, Verdict.INVALID},
    }
    assert change.verdict in allowed[change.answer]


@given(BOUNDS, BOUNDS, WAYS, MARGINS, SIGMAS)
def test_what_noise_explains_or_a_margin_covers_is_never_worse(new, base, better, margin, sigmas):
    change = compare_values(new, base, better, margin, sigmas)
    size, noise = abs(new.value - base.value), math.hypot(new.uncertainty, base.uncertainty)
    if size <= margin or size <= sigmas * noise:
        assert change.answer in (Answer.UNCHANGED, Answer.CANNOT_TELL)
    if change.answer is Answer.UNCHANGED:
        assert size + EQUIVALENCE_SIGMAS * noise <= margin * (1.0 + 1e-12)


@given(SIDES, SIDES, MARGINS, SIGMAS)
def test_more_and_less_are_mirror_images(new, base, margin, sigmas):
    less = compare_values(new, base, "less", margin, sigmas)
    swapped = compare_values(base, new, "more", margin, sigmas)
    assert (less.answer, less.verdict) == (swapped.answer, swapped.verdict)
    back = compare_values(base, new, "less", margin, sigmas)
    mirror = {Answer.WORSE: Answer.BETTER, Answer.BETTER: Answer.WORSE}
    assert back.answer is mirror.get(less.answer, less.answer)


@given(SIDES, SIDES, MARGINS, SIGMAS)
def test_where_the_nominal_value_is_best_nothing_is_better_and_the_side_does_not_matter(
    new, base, margin, sigmas
):
    change = compare_values(new, base, "nominal", margin, sigmas)
    assert change.answer is not Answer.BETTER
    assert change == compare_values(base, new, "nominal", margin, sigmas)


@given(SIDES, SIDES, WAYS, st.floats(0.01, 100.0), MARGINS, SIGMAS)
def test_another_unit_gives_the_same_answer(new, base, better, scale, margin, sigmas):
    scaled = [Measured(side.value * scale, side.uncertainty * scale) for side in (new, base)]
    before = compare_values(new, base, better, margin, sigmas)
    after = compare_values(*scaled, better, margin * scale, sigmas)
    # On an edge the last bit decides.
    edges = (margin, sigmas * before.uncertainty, margin - EQUIVALENCE_SIGMAS * before.uncertainty)
    edges = (*edges, 2.0 * margin - sigmas * before.uncertainty)
    if all(abs(abs(before.worse_by) - abs(edge)) > 1e-9 * (1.0 + abs(edge)) for edge in edges):
        assert (before.answer, before.verdict) == (after.answer, after.verdict)


@given(SIDES, SIDES, MARGINS, SIGMAS, st.floats(0.0, 50.0))
def test_what_is_worse_still_is_not_judged_better(new, base, margin, sigmas, more):
    before = compare_values(new, base, "less", margin, sigmas)
    after = compare_values(Measured(new.value + more, new.uncertainty), base, "less", margin, sigmas)
    assert BADNESS.index(after.verdict) >= BADNESS.index(before.verdict)


@given(SIDES, SIDES, WAYS, MARGINS, st.floats(2.0, 6.0), st.floats(0.0, 2.0))
def test_more_comparisons_raise_no_new_alarm(new, base, better, margin, sigmas, more):
    before = compare_values(new, base, better, margin, sigmas + more)
    if before.answer is Answer.WORSE:
        assert compare_values(new, base, better, margin, sigmas).answer is Answer.WORSE


@given(SIDES, SIDES, WAYS, MARGINS, SIGMAS)
def test_an_error_that_both_have_is_none_of_the_change(new, base, better, margin, sigmas):
    common = min(new.uncertainty, base.uncertainty)
    change = compare_values(new, base, better, margin, sigmas, common=common)
    left = math.sqrt(max(new.uncertainty**2 + base.uncertainty**2 - 2.0 * common**2, 0.0))
    assert change.uncertainty == pytest.approx(left)


BOUND, VALUE = Measured(-140.0, 4.34, True), Measured(-140.0, 0.1)


@pytest.mark.parametrize(
    ("new", "base", "answer", "verdict"),
    [
        # Both too small to be measured: what hides below may have grown, as far as the bound.
        (BOUND, BOUND, Answer.CANNOT_TELL, Verdict.MARGINAL),
        (Measured(-137.0, 4.34, True), BOUND, Answer.CANNOT_TELL, Verdict.MARGINAL),
        (Measured(-130.0, 4.34, True), BOUND, Answer.CANNOT_TELL, Verdict.INVALID),
        (Measured(-170.0, 4.34, True), BOUND, Answer.CANNOT_TELL, Verdict.MARGINAL),
        # It was too small, and is there now.
        (Measured(-110.0, 0.1), BOUND, Answer.WORSE, Verdict.FAIL),
        (Measured(-130.0, 0.1), BOUND, Answer.CANNOT_TELL, Verdict.INVALID),
        (Measured(-130.0, 0.1), Measured(-140.0, 0.5, True), Answer.WORSE, Verdict.FAIL),
        (Measured(-139.0, 0.1), BOUND, Answer.CANNOT_TELL, Verdict.MARGINAL),
        (Measured(-150.0, 0.1), BOUND, Answer.CANNOT_TELL, Verdict.MARGINAL),
        (Measured(-138.0, 2.0), BOUND, Answer.CANNOT_TELL, Verdict.INVALID),
        # It was there, and is too small now.
        (Measured(-170.0, 4.34, True), VALUE, Answer.BETTER, Verdict.PASS),
        (Measured(-150.0, 4.34, True), VALUE, Answer.CANNOT_TELL, Verdict.PASS),
        (BOUND, VALUE, Answer.CANNOT_TELL, Verdict.PASS),
        (Measured(-136.0, 4.34, True), VALUE, Answer.CANNOT_TELL, Verdict.MARGINAL),
        (Measured(-130.0, 4.34, True), VALUE, Answer.CANNOT_TELL, Verdict.INVALID),
    ],
)
def test_bounds(new, base, answer, verdict):
    change = compare_values(new, base, "less", 3.0, 4.5)
    assert (change.answer, change.verdict) == (answer, verdict)


@pytest.mark.parametrize(
    ("new", "base", "answer", "verdict"),
    [
        # A bound that stays one is no evidence of a change, wherever the noise of the capture puts it.
        (BOUND, BOUND, Answer.UNCHANGED, Verdict.PASS),
        (Measured(-130.0, 4.34, True), BOUND, Answer.UNCHANGED, Verdict.PASS),
        (Measured(-170.0, 4.34, True), BOUND, Answer.UNCHANGED, Verdict.PASS),
        # Nor is a line that comes and goes at the edge of what can be measured.
        (Measured(-139.0, 0.1), BOUND, Answer.UNCHANGED, Verdict.PASS),
        (BOUND, VALUE, Answer.UNCHANGED, Verdict.PASS),
        # What lies further from it is judged as before.
        (Measured(-110.0, 0.1), BOUND, Answer.WORSE, Verdict.FAIL),
        (Measured(-130.0, 0.1), BOUND, Answer.CANNOT_TELL, Verdict.INVALID),
        (Measured(-138.0, 2.0), BOUND, Answer.CANNOT_TELL, Verdict.INVALID),
        (Measured(-170.0, 4.34, True), VALUE, Answer.BETTER, Verdict.PASS),
        (Measured(-130.0, 4.34, True), VALUE, Answer.CANNOT_TELL, Verdict.INVALID),
    ],
)
def test_bounds_inside_their_mask(new, base, answer, verdict):
    change = compare_values(new, base, "less", 3.0, 4.5, passes=True)
    assert (change.answer, change.verdict) == (answer, verdict)


@given(BOUNDS, BOUNDS, WAYS, MARGINS, SIGMAS)
def test_a_mask_that_is_passed_hides_nothing_that_is_worse(new, base, better, margin, sigmas):
    plain = compare_values(new, base, better, margin, sigmas)
    inside = compare_values(new, base, better, margin, sigmas, passes=True)
    if plain.answer in (Answer.WORSE, Answer.BETTER) or not (new.is_bound or base.is_bound):
        assert inside == plain
    else:
        assert inside.answer in (plain.answer, Answer.UNCHANGED)


@given(BOUNDS, BOUNDS, WAYS, MARGINS, SIGMAS)
def test_a_bound_is_never_worse_nor_is_anything_unchanged_with_one(new, base, better, margin, sigmas):
    change = compare_values(new, base, better, margin, sigmas)
    if new.is_bound:
        assert change.answer is not Answer.WORSE
    if base.is_bound:
        assert change.answer is not Answer.BETTER
        assert change.answer is Answer.WORSE or change.verdict is not Verdict.PASS
    if new.is_bound or base.is_bound:
        assert change.answer is not Answer.UNCHANGED


@pytest.mark.parametrize("better", ["more", "less", "nominal"])
@pytest.mark.parametrize("share", [0.05, 0.25, 1.0])
def test_twice_a_margin_that_is_large_enough_is_found(better, share):
    """In 99 % of cases, by simulation; the seed is fixed."""
    random = np.random.default_rng(5)
    sigmas, margin = alarm_sigmas(400), 0.5
    uncertainty = share * margin / margin_needed(1.0, sigmas)
    single = uncertainty / math.sqrt(2.0)
    sign = -1.0 if better == "more" else 1.0
    new, base = (
        10.0 + sign * 2.0 * margin + single * random.standard_normal(4000),
        10.0 + single * random.standard_normal(4000),
    )
    answers = [
        compare_values(Measured(a, single), Measured(b, single), better, margin, sigmas).answer
        for a, b in zip(new.tolist(), base.tolist(), strict=True)
    ]
    assert answers.count(Answer.WORSE) / len(answers) >= 0.988


def test_noise_alone_raises_no_alarm_in_a_thousand_pairs():
    """100 metrics a pair, also where margins are far smaller than noise: at most 1 % of pairs raise an alarm."""
    random = np.random.default_rng(11)
    sigmas = alarm_sigmas(100)
    uncertainties = 10.0 ** random.uniform(-4.0, 1.0, 100)
    ways = ("more", "less", "nominal")
    alarms = 0
    for _ in range(1000):
        new, base = uncertainties * random.standard_normal((2, 100))
        verdicts = [
            compare_values(Measured(a, u), Measured(b, u), ways[at % 3], 1e-9, sigmas).verdict
            for at, (a, b, u) in enumerate(
                zip(new.tolist(), base.tolist(), uncertainties.tolist(), strict=True)
            )
        ]
        alarms += worst(verdicts) is Verdict.FAIL
    assert alarms <= 10


def test_alarms_need_more_the_more_is_compared():
    assert FAMILY_ALPHA == 0.005
    many = [alarm_sigmas(count) for count in (1, 10, 100, 1000, 100_000)]
    assert many == sorted(many)
    assert alarm_sigmas(0) == alarm_sigmas(1)


def test_a_margin_that_is_needed_is_no_larger_than_it_must_be():
    """Twice the margin less 2.33 u still lies beyond both the margin and what noise explains, one of them exactly."""
    for count in (1, 400, 100_000):
        sigmas = alarm_sigmas(count)
        needed = margin_needed(0.2, sigmas)
        least = 2.0 * needed - DETECTION_SIGMAS * 0.2
        assert least == pytest.approx(max(needed, sigmas * 0.2))
