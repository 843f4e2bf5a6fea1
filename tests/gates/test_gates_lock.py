"""Units in a row that fail grossly and alike lock the station; units that only look so do not."""

from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.gates.lock import UnitRun, grossly, lock_state
from linecheck.limits.verdict import Verdict

DEAD = ("tone level left", "tone sinad left")
HUM = ("tone hum left", "tone hum right")


def in_order(*runs):
    """Return runs newest first, numbered from 1 as they are given: (serial, verdict, what failed grossly)."""
    made = [
        UnitRun(number + 1, serial, verdict, gross, *more)
        for number, (serial, verdict, gross, *more) in enumerate(runs)
    ]
    return made[::-1]


def fail(serial, gross=DEAD, *more):
    return (serial, Verdict.FAIL, gross, *more)


def test_three_units_in_a_row_that_fail_alike_lock_and_say_what_it_looks_like():
    state = lock_state(in_order(fail("A"), fail("B"), fail("C")), 3)
    assert state.locked
    assert (state.since, state.serials) == (3, ("A", "B", "C"))
    assert state.why.startswith(
        "three units in a row (A, B, C) failed alike (tone level left, tone sinad left): this looks like the station"
    )
    assert not lock_state(in_order(fail("A"), fail("B")), 3).locked


def test_a_unit_tested_again_counts_once():
    assert not lock_state(in_order(fail("A"), fail("A"), fail("A")), 3).locked
    assert not lock_state(in_order(fail("A"), fail("B"), fail("A"), fail("B")), 3).locked
    assert lock_state(in_order(fail("A"), fail("B"), fail("B"), fail("C")), 3).locked


def test_what_tells_units_apart_breaks_the_row():
    good = ("X", Verdict.PASS, ())
    little = ("X", Verdict.FAIL, ())
    for other in (good, little, ("X", Verdict.MARGINAL, ()), fail("X", HUM)):
        assert not lock_state(in_order(fail("A"), fail("B"), other, fail("C")), 3).locked
        assert not lock_state(in_order(fail("A"), fail("B"), fail("C"), other), 3).locked
        assert lock_state(in_order(other, fail("A"), fail("B"), fail("C")), 3).locked


def test_aborted_runs_and_those_that_were_not_judged_are_passed_over():
    aborted = ("X", Verdict.ABORTED, ())
    marked = fail("X", HUM, True)
    passed = ("Y", Verdict.PASS, (), True)
    for other in (aborted, marked, passed):
        assert lock_state(in_order(fail("A"), other, fail("B"), fail("C"), other), 3).locked


def test_alike_is_at_least_half_of_what_failed_in_any():
    more = (*DEAD, "quiet snr left", "tone spectrum left")
    assert lock_state(in_order(fail("A"), fail("B", more), fail("C")), 3).locked
    assert not lock_state(in_order(fail("A"), fail("B", (*more, "quiet hum left")), fail("C")), 3).locked


def test_a_dead_input_that_is_only_a_problem_locks_as_well():
    dead = ("tone: stimulus not found",)
    runs = [(serial, Verdict.INVALID, dead) for serial in "ABC"]
    assert lock_state(in_order(*runs), 3).common == ("tone: stimulus not found",)


ROWS = st.lists(
    st.tuples(
        st.sampled_from("ABCDE"),
        st.sampled_from((Verdict.PASS, Verdict.FAIL, Verdict.INVALID, Verdict.ABORTED)),
        st.sampled_from(((), DEAD, HUM, DEAD + HUM)),
    ),
    max_size=12,
)


@settings(max_examples=40)
@given(ROWS, st.integers(2, 5), st.integers(0, 12))
def test_a_lock_always_has_enough_units_after_the_record_that_cleared_it(rows, count, cleared):
    runs = in_order(*rows)
    state = lock_state(runs, count, cleared=cleared)
    if state.locked:
        assert len(set(state.serials)) == count
        assert state.since > cleared
        within = [run for run in runs if run.sequence > cleared and run.verdict is not Verdict.ABORTED][:1]
        assert set(within[0].gross) >= set(state.common)
    assert not lock_state(runs, count, cleared=len(rows)).locked
    assert not lock_state(runs, 0).locked


@settings(max_examples=40)
@given(ROWS, st.integers(2, 5))
def test_a_pass_always_unlocks_what_is_not_written_down(rows, count):
    runs = in_order(*rows, ("Z", Verdict.PASS, ()))
    assert not lock_state(runs, count).locked


def test_gross_is_half_the_voltage_or_a_quarter_of_the_limit():
    assert grossly(6.1, -110.0, "dB")
    assert not grossly(5.9, -110.0, "dB")
    assert grossly(1.9, 3.9, "V"), "one leg of a balanced line: half of 4 V"
    assert not grossly(0.2, 3.9, "V")
    assert grossly(2.0, 1.0, ""), "an order of -1 where 1 is asked for"
