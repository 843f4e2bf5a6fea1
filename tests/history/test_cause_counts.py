"""Told against found: cases whose counts are plain, and what holds of any."""

import random
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.history.repairs.counts import Case, Confused, ToldFirst, count_causes
from linecheck.history.repairs.statement import OTHER
from linecheck.run.causes import NONE_OF_THESE

LEG, DEAD, HUM, BOTH, NONE = (
    ("missing_leg",),
    ("dead_channel",),
    ("supply_hum",),
    ("missing_leg", "supply_hum"),
    (NONE_OF_THESE,),
)
CODES = ("missing_leg", "dead_channel", "supply_hum", "clicks")

told = st.lists(
    st.sampled_from([*((code,) for code in CODES), BOTH, NONE]), min_size=1, max_size=5, unique=True
).map(tuple)
cases = st.lists(
    st.builds(
        Case,
        told | st.just(()),
        st.floats(0.0, 1.0),
        st.none() | st.sampled_from([*CODES, OTHER]),
    ),
    max_size=30,
)


def test_a_case_of_each_sort():
    counts = count_causes(
        [
            Case((LEG, DEAD, NONE), 0.9, "missing_leg"),
            Case((LEG, DEAD, NONE), 0.7, "dead_channel"),
            Case((LEG, HUM), 0.8),
            Case((BOTH, NONE), 0.6, "supply_hum"),
            Case((NONE, LEG), 0.5, OTHER),
            Case((), 0.0, "clicks"),
        ]
    )
    assert counts.runs == 5
    assert counts.told == (
        ToldFirst(LEG, 3, pytest.approx(0.8)),
        ToldFirst(BOTH, 1, 0.6),
        ToldFirst(NONE, 1, 0.5),
    )
    assert counts.confusion == (
        Confused(LEG, "dead_channel", 1, 1),
        Confused(LEG, "missing_leg", 1, 1),
        Confused(BOTH, "supply_hum", 1, 1),
        Confused(NONE, OTHER, 1, 1),
    )
    assert [field.right for field in counts.confusion] == [False, True, True, True]
    assert (counts.repairs, counts.right_first, counts.right_among, counts.untold) == (4, 3, 4, 1)
    assert dict(counts.found) == dict.fromkeys(
        ("missing_leg", "dead_channel", "supply_hum", OTHER, "clicks"), 1
    )


@pytest.mark.parametrize(
    ("told", "found", "right", "among"),
    [
        ((LEG, DEAD, HUM, ("clicks",)), "supply_hum", 0, 1),
        ((LEG, DEAD, HUM, ("clicks",)), "clicks", 0, 0),
        ((LEG, NONE, DEAD), OTHER, 0, 0),
        ((NONE, LEG), "missing_leg", 0, 1),
        ((LEG,), "a_code_of_another_version", 0, 0),
    ],
)
def test_what_is_right_first_and_among_three(told, found, right, among):
    counts = count_causes([Case(told, 0.5, found)])
    assert (counts.repairs, counts.right_first, counts.right_among) == (1, right, among)


def test_nothing_comes_to_nothing():
    counts = count_causes([])
    assert (counts.runs, counts.told, counts.confusion, counts.found, counts.repairs) == (0, (), (), (), 0)


@given(cases, st.randoms(use_true_random=False))
def test_the_order_does_not_matter(some, chance):
    shuffled = random.Random(chance.random()).sample(some, len(some))
    assert count_causes(shuffled) == count_causes(some)


@given(cases)
def test_every_run_and_every_repair_is_counted_once(some):
    counts = count_causes(some)
    found = [case for case in some if case.found is not None]
    assert counts.runs == sum(bool(case.told) for case in some)
    assert counts.repairs + counts.untold == len(found)
    assert dict(counts.found) == Counter(case.found for case in found)
    assert 0 <= counts.right_first <= counts.right_among <= counts.repairs
    assert all(0.0 <= entry.mean_probability <= 1.0 for entry in counts.told)
    assert all(field.among <= field.repairs for field in counts.confusion)
