"""The laws of gates: what meets one, for how long, and that no clock that is set makes one met."""

from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.gates.gates import AHEAD_SECONDS, GateRequirement, Result, State, gate_state, refusal_text

NOW = datetime(2026, 11, 20, 8, 0, tzinfo=UTC)
ASKED = GateRequirement("golden", 12.0, "run `linecheck station golden`", ("PR3-900001", "PR3-900002"))
BEFORE_NOW = st.floats(-100.0, 100.0).map(lambda hours: NOW - timedelta(hours=hours))
HASHES = st.sampled_from(({}, {"station_config": "a"}, {"station_config": "b"}, {"limits": "a"}))


def result(sequence=1, met=True, hours=1.0, **said):
    said.setdefault("about", "PR3-900001")
    return Result(sequence, met, NOW - timedelta(hours=hours), **said)


@st.composite
def histories(draw):
    """Return results in the order of the log, of either golden unit, whatever the clock said."""
    count = draw(st.integers(0, 8))
    return [
        Result(
            sequence=number + 1,
            met=draw(st.booleans()),
            recorded=draw(st.one_of(st.none(), BEFORE_NOW)),
            about=draw(st.sampled_from((*ASKED.about, "PR3-000001"))),
            circumstances=draw(HASHES),
            later=draw(st.one_of(st.none(), BEFORE_NOW)),
            least_age_seconds=draw(st.floats(0.0, 4e5)),
        )
        for number in range(count)
    ]


@settings(max_examples=40)
@given(histories(), HASHES)
def test_a_gate_is_met_only_by_a_result_that_says_so_within_the_interval(results, rests_on):
    asked = GateRequirement("golden", 12.0, "", ASKED.about, rests_on)
    state = gate_state(asked, results, NOW)
    if not state.is_met:
        assert state.words.startswith("golden")
        assert state.why or state.state is State.NEVER
        return
    (meant,) = (each for each in results if each.sequence == state.record)
    assert meant.met
    assert meant.about in ASKED.about
    assert -AHEAD_SECONDS <= (NOW - meant.recorded).total_seconds() <= 12 * 3600
    assert meant.least_age_seconds <= 12 * 3600
    assert all(rests_on.get(name, value) == value for name, value in meant.circumstances.items())
    assert meant.sequence == max(each.sequence for each in results if each.about == meant.about)


@settings(max_examples=40)
@given(histories(), st.sampled_from(ASKED.about), BEFORE_NOW)
def test_a_later_result_that_is_not_met_wins_whatever_its_time(results, about, recorded):
    worse = Result(100, False, recorded, about, ("it has moved",))
    state = gate_state(ASKED, [worse, *results], NOW)
    assert state.state is State.NOT_MET
    assert state.why


@settings(max_examples=40)
@given(histories(), st.randoms())
def test_the_order_in_which_results_come_makes_no_difference(results, chance):
    mixed = list(results)
    chance.shuffle(mixed)
    assert gate_state(ASKED, mixed, NOW) == gate_state(ASKED, results, NOW)


@settings(max_examples=40)
@given(histories(), BEFORE_NOW)
def test_a_clock_that_is_set_makes_no_gate_met_once_a_record_says_how_late_it_is(results, other):
    """What a record after the result says of the time counts, whatever the clock says afterwards."""
    seen = gate_state(ASKED, results, NOW)
    later = [
        Result(
            each.sequence,
            each.met,
            each.recorded,
            each.about,
            later=max(NOW, each.later) if each.later else NOW,
            least_age_seconds=each.least_age_seconds,
        )
        for each in results
    ]
    after = gate_state(ASKED, later, other)
    if seen.state is State.OVERDUE and other <= NOW:
        assert not after.is_met
    if after.is_met:
        assert gate_state(ASKED, results, other).is_met


@settings(max_examples=40)
@given(histories(), st.floats(0.0, 4e5))
def test_what_a_program_has_seen_pass_makes_results_older_and_never_younger(results, passed):
    older = [
        Result(
            each.sequence, each.met, each.recorded, each.about, later=each.later,
            least_age_seconds=each.least_age_seconds + passed,
        )
        for each in results
    ]  # fmt: skip
    plain = [
        Result(
            each.sequence, each.met, each.recorded, each.about, later=each.later,
            least_age_seconds=each.least_age_seconds,
        )
        for each in results
    ]  # fmt: skip
    if gate_state(ASKED, older, NOW).is_met:
        assert gate_state(ASKED, plain, NOW).is_met


def test_the_states_in_plain_words():
    assert gate_state(ASKED, [], NOW).state is State.NEVER
    assert gate_state(ASKED, [result()], NOW).state is State.MET
    assert gate_state(ASKED, [result(hours=12.0)], NOW).state is State.MET
    assert gate_state(ASKED, [result(hours=12.001)], NOW).state is State.OVERDUE
    overdue = gate_state(ASKED, [result(hours=13.0)], NOW)
    assert (overdue.state, overdue.record) == (State.OVERDUE, 1)
    assert "13.0 h ago and must be met every 12 h" in overdue.why
    refused = gate_state(ASKED, [result(met=False, reasons=("tone level left has moved",))], NOW)
    assert (refused.state, refused.why) == (State.NOT_MET, "tone level left has moved")
    assert refusal_text([refused]) == (
        "golden PR3-900001 is not met: tone level left has moved (run `linecheck station golden`)"
    )
    assert refusal_text([gate_state(ASKED, [result()], NOW)]) == ""


def test_what_a_result_rests_on_makes_the_gate_due_when_it_changes():
    for name, words in (
        ("station_config", "the station config has changed"),
        ("limits", "the limit file has changed"),
        ("software", "the linecheck version has changed"),
    ):
        asked = GateRequirement("golden", 12.0, "", ASKED.about, {name: "new"})
        state = gate_state(asked, [result(circumstances={name: "old"})], NOW)
        assert state.state is State.DUE
        assert words in state.why
        assert gate_state(asked, [result(circumstances={name: "new"})], NOW).is_met
        assert gate_state(asked, [result()], NOW).is_met, "what never rested on it is not touched"


def test_a_result_of_a_time_to_come_is_of_unknown_age():
    state = gate_state(ASKED, [result(hours=-2.0)], NOW)
    assert state.state is State.DUE
    assert "is the clock right?" in state.why
    assert gate_state(ASKED, [Result(1, True, None, "PR3-900001")], NOW).state is State.DUE


def test_a_clock_set_back_does_not_make_an_old_result_young():
    """Met at 8 h ago by the clock of then; a record since says 13 h, and the clock was set back to 1 h."""
    old = result(hours=1.0, later=NOW + timedelta(hours=12))
    assert gate_state(ASKED, [old], NOW).state is State.OVERDUE
    assert gate_state(ASKED, [result(hours=1.0, least_age_seconds=13 * 3600.0)], NOW).state is State.OVERDUE


def test_one_of_two_golden_units_is_enough_and_one_that_moved_is_too_many():
    good = result(5, about="PR3-900002")
    assert gate_state(ASKED, [result(1, hours=40.0), good], NOW).record == 5
    moved = result(2, met=False)
    state = gate_state(ASKED, [moved, good], NOW)
    assert (state.state, state.record, state.about) == (State.NOT_MET, 2, "PR3-900001")
    assert gate_state(ASKED, [moved, good, result(6)], NOW).is_met
