"""The cause of what does not pass: told first, in full once for each set, in a line in the terminal's summary."""

import re

import pytest
from made_causes import hostile_fact, made_causes, unknown_causes, with_causes
from made_runs import made_check, made_reading, made_run
from made_sets import RUNS, add_sets, text_of
from regression_runs import baseline_of, limits_with, unit_run

from linecheck import causes
from linecheck.limits.verdict import Verdict
from linecheck.pytest_plugin.judgement import SetErrand

pytestmark = pytest.mark.every_python

SENTENCE = made_causes().sentence


@pytest.fixture
def failing(monkeypatch):
    """Make the set "fail" one of which everything fails; with these causes."""

    def make(said=None):
        readings = [made_reading(Verdict.FAIL, 105.3, channel=channel) for channel in ("left", "right")]
        monkeypatch.setitem(RUNS, "fail", with_causes(made_run(made_check(*readings)), said))

    return make


def reports(text):
    """Return the text of each failure, without the line above it."""
    return [part.strip().splitlines() for part in re.split("^_{3,} .* _{3,}$", text, flags=re.MULTILINE)[1:]]


def test_the_first_failure_of_a_set_begins_with_the_cause_and_the_others_say_it_in_a_line(project, failing):
    failing()
    add_sets(project, "fail")
    result = project.runpytest("-k", "sinad")
    text = text_of(result)
    first, other = reports(text.partition("= linecheck =")[0])
    assert first[0] == SENTENCE
    assert [line.strip() for line in first[:6]] == list(made_causes().lines)
    assert first[6].startswith("tone.sinad.left: fail: 105.3 dB")
    assert other[0].startswith("tone.sinad.right: fail: 105.3 dB")
    assert other[1:2] == [f"  {SENTENCE}"]
    assert len(other) == 4, "its sentence, the cause, whose it is, and pytest's own line"
    assert f"fail/captures.toml::tone.sinad.left - {SENTENCE[:10]}" in text


def test_the_summary_has_a_line_for_each_set_with_its_cause(project, failing):
    failing()
    add_sets(project, "fail", "marginal")
    text = text_of(project.runpytest())
    assert f"FAIL fail, PR3-004711, firmware 1.4.0: {made_causes().brief}\n" in text
    assert "MARGINAL marginal, PR3-004711, firmware 1.4.1: tone.sinad.left: marginal" in text


def test_where_no_cause_fits_each_item_begins_with_its_own_sentence(project, failing):
    failing(unknown_causes())
    add_sets(project, "fail")
    text = text_of(project.runpytest("-k", "sinad"))
    assert "None of the known causes" not in text
    assert [lines[0][:15] for lines in reports(text.partition("= linecheck =")[0])] == [
        "tone.sinad.left",
        "tone.sinad.righ",
    ]


def test_hostile_words_stay_on_their_lines(project, monkeypatch):
    readings = [made_reading(Verdict.FAIL, 105.3)]
    monkeypatch.setitem(RUNS, "fail", made_run(made_check(*readings), causes=hostile_fact()))
    add_sets(project, "fail")
    text = text_of(project.runpytest("-k", "sinad"))
    assert "\x1b[2J" not in text
    assert "x" * 1000 not in text
    assert "# PASS" not in [line.strip() for line in text.splitlines()]


def test_what_is_worse_than_the_baseline_is_told_by_what_it_sounds_like(monkeypatch, tmp_path):
    monkeypatch.setattr(causes, "name_difference", lambda run, earlier: made_causes())
    now = unit_run({("sinad", "left"): 105.0})
    errand = SetErrand(tmp_path, limits_with(), baseline_of(unit_run()))
    assert errand._found(now).cause.lines[0] == SENTENCE.replace("Probably ", "Sounds like: ")
    assert errand._found(unit_run()).cause is None
