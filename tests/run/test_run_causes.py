"""How causes are told: one sentence first, never surer than they are, and safe whatever a record holds."""

from dataclasses import replace

import pytest
from made_causes import (
    DROOP,
    HOSTILE,
    NONE,
    hostile_fact,
    made_cause,
    made_causes,
    unknown_causes,
    unreadable_facts,
    with_causes,
)
from made_runs import made_run

from linecheck.run.causes import MAX_COUNT, MAX_NAME, MAX_TEXT, Causes, Difference, causes_of

TEXT = "the unit plays with its 50/15 µs de-emphasis on"


@pytest.mark.parametrize(
    ("probability", "sentence"),
    [
        (1.0, f"Almost certainly {TEXT} (99 %)."),
        (0.95, f"Almost certainly {TEXT} (95 %)."),
        (0.87, f"Probably {TEXT} (87 %)."),
        (0.5, f"Probably {TEXT} (50 %)."),
        (0.49, f"May be: {TEXT} (49 %), or a part of the output filter is off (21 %)."),
    ],
)
def test_the_sentence_is_as_sure_as_the_cause(probability, sentence):
    assert made_causes(made_cause(probability=probability), DROOP).sentence == sentence


def test_where_none_fits_that_is_said_and_no_line_begins_with_it():
    unknown = unknown_causes()
    assert unknown.sentence == "None of the known causes fits (90 %)."
    near = made_causes(replace(NONE, probability=0.7), DROOP)
    assert near.sentence.endswith("fits (70 %); nearest is: a part of the output filter is off (21 %).")
    assert (unknown.headline, unknown.brief, unknown.explained, unknown.is_likely) == ("", "", "", False)
    assert unknown.lines[1] == "Next: set the unit aside for an engineer"
    assert not any(line.startswith(("Blames", "Explains")) for line in unknown.lines)


def test_all_that_is_told_stands_on_few_lines_each_once():
    assert made_causes().lines == (
        f"Probably {TEXT} (74 %).",
        "Next: switch the de-emphasis off and test it again",
        "To be sure: the response from 1 kHz to 20 kHz",
        "May be to blame: unit, firmware",
        "Explains 28 of 31 findings.",
        "Or: a part of the output filter is off (21 %)",
    )
    told = made_causes(made_cause(probability=0.4), DROOP, replace(DROOP, probability=0.15)).lines
    assert [line for line in told if line.startswith("Or")] == [
        "Or: a part of the output filter is off (15 %)"
    ]
    assert made_causes().brief == f"Probably {TEXT} (74 %), explains 28 of 31 findings"


def test_what_is_unlikely_is_not_told_and_of_the_rest_two():
    few = [replace(DROOP, probability=probability) for probability in (0.2, 0.12, 0.11, 0.09)]
    assert len(made_causes(made_cause(probability=0.6), *few[:3]).others) == 2
    assert made_causes(made_cause(), few[3]).others == ()


def test_nobody_is_told_to_act_on_what_does_not_stand_out_or_on_a_difference():
    assert made_causes().act == made_cause().act
    assert unknown_causes().act == NONE.act
    faint = made_causes(made_cause(probability=0.2))
    assert (faint.act, len(faint.lines), faint.headline) == ("", 1, "")
    assert Difference.of(made_causes()).act == ""


def test_a_difference_sounds_like_its_cause_and_keeps_its_doubt():
    assert Difference.of(made_causes()).sentence == f"Sounds like: {TEXT} (74 %)."
    assert Difference.of(made_causes(made_cause(probability=0.4))).sentence.startswith("May be: ")
    assert Difference.of(unknown_causes()).headline == ""


def test_a_fact_reads_as_it_was_said():
    causes = made_causes()
    assert causes_of(with_causes(made_run(), causes)) == causes
    assert causes_of(made_run()) is None


def test_hostile_texts_become_one_short_visible_line_each():
    causes = causes_of(replace(made_run(), causes=hostile_fact()))
    for line in (*causes.lines, causes.brief, causes.sentence):
        assert len(line) < 2 * MAX_TEXT + 100
        assert line.isprintable()
    entry = causes.first
    assert max(map(len, (*entry.codes, entry.channel, *entry.blames))) <= MAX_NAME
    assert HOSTILE not in causes.sentence


@pytest.mark.parametrize("fact", unreadable_facts())
def test_what_is_no_causes_says_nothing(fact):
    assert causes_of(replace(made_run(), causes=fact)) is None


def test_numbers_are_held_within_bounds():
    odd = made_causes(made_cause(probability=1.5, explains=10**400), findings=-4)
    assert (odd.first.probability, odd.first.explains, odd.findings) == (1.0, MAX_COUNT, 0)
    with pytest.raises(ValueError, match="at least 1 item"):
        Causes(1, 3, ())
