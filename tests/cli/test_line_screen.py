"""The screen of a station that waits for scans: one unit's, and nothing on it can be taken for another's."""

from dataclasses import replace

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_causes import hostile_fact, made_causes, with_causes
from test_run_display import outcome

from linecheck.checks.base import Problem
from linecheck.cli.display.banner import _SIGNS, banner, large
from linecheck.cli.display.line_screen import LineScreen
from linecheck.cli.display.result import Screen
from linecheck.limits.verdict import Verdict
from linecheck.line.events import NextAct, ScanIgnored, UnitRefused, UnitScanned, VerdictKnown
from linecheck.run.causes import causes_of
from linecheck.run.model import NOT_RELEASED
from linecheck.run.voiding import IN_DOUBT

SERIAL, OTHER = "PR3-004711", "PR3-004712"
ONE_MORE = Problem(NOT_RELEASED, "the unit has failed before: it needs one more pass in a row", blocks=False)
DROPOUT = Problem("dropout", "8 frames are missing at 0.313 s", "left")


@pytest.fixture
def shown(monkeypatch, capsys):
    """Return a function that tells a screen of 80 columns of events, and what is left on it, line by line."""
    monkeypatch.setattr(Screen, "of_stdout", classmethod(lambda cls: cls(columns=80, lines=24, large=True)))
    monkeypatch.setattr(click, "clear", lambda: click.echo("\f", nl=False))
    screen = LineScreen()

    def tell(*events):
        for event in events:
            screen(event)
        text = capsys.readouterr().out.rpartition("\f")[2]
        assert all(len(line) <= 80 for line in text.splitlines())
        return [line.strip() for line in text.splitlines() if line.strip()]

    return tell


def known(run, verdict=None, attempt=1):
    return VerdictKnown(run.run_id, run.serial, run, verdict or run.verdict, attempt)


def large_word(state):
    return [line.strip() for line in banner(state, 80)]


RUNS = {
    "pass": (outcome(113.0, Verdict.PASS, released=True), "Passes. Next unit."),
    "hold": (outcome(113.0, Verdict.PASS, problems=(), released=False), "needs one more pass in a row"),
    "marginal": (outcome(110.0, Verdict.MARGINAL, released=True), "Marginal: outside the pass limits"),
    "fail": (outcome(), "Set it aside."),
    "test again": (outcome(None, Verdict.INVALID, problems=(DROPOUT,)), "then test it again"),
    "stopped": (outcome(None, Verdict.INVALID, aborted=True), "Test it again."),
}
#: What a marginal unit is shown as: it may go on.
SHOWN_AS = {"marginal": "pass"}


@pytest.mark.parametrize("state", RUNS)
def test_state_serial_number_and_next_act_come_last(shown, state):
    run, act = RUNS[state]
    if state == "hold":
        run = run.__class__(**{**vars(run), "problems": (ONE_MORE,)})
    lines = shown(UnitScanned(SERIAL), known(run, attempt=2))
    place = lines.index(f"{SERIAL}, attempt 2")
    word = SHOWN_AS.get(state, state)
    assert lines[place - 5 : place] == large_word(word)
    assert act in " ".join(lines[place + 1 :])
    others = [other for other in ("pass", "fail", "hold") if other != word]
    assert not any(large_word(other)[0] in lines for other in others)


def test_a_run_that_is_not_recorded_is_tested_again_whatever_it_measured(shown):
    lines = shown(UnitScanned(SERIAL), known(RUNS["fail"][0], Verdict.INVALID))
    assert large_word("test again")[0] in lines
    assert large_word("fail")[0] not in lines


def test_a_run_that_was_stopped_after_a_fail_says_that_it_counts(shown):
    stopped = outcome(aborted=True)
    assert "it counts as a fail" in " ".join(shown(UnitScanned(SERIAL), known(stopped)))


def test_a_unit_that_the_path_could_have_failed_asks_for_a_check_and_for_nothing_to_be_put_right(shown):
    doubt = Problem(
        IN_DOUBT, "the unit or the path? Run `linecheck station check`, then test this unit again"
    )
    run = outcome(None, Verdict.INVALID, problems=())
    lines = shown(UnitScanned(SERIAL), known(run.__class__(**{**vars(run), "problems": (doubt,)})))
    assert lines[-2].startswith("Not judged: the unit or the path?")
    assert lines[-1] == "Scan LINE-CHECK, then test it again."


def test_the_next_scan_clears_the_screen_and_its_serial_number_stands_there_large(shown):
    shown(UnitScanned(SERIAL), known(RUNS["pass"][0]))
    lines = shown(UnitScanned(OTHER))
    assert lines == [line.strip() for line in large(OTHER, 80)]


def test_who_is_not_tested_is_told_why_and_sees_no_verdict_of_another(shown):
    shown(UnitScanned(SERIAL), known(RUNS["pass"][0]))
    lines = shown(
        UnitScanned(OTHER), UnitRefused(OTHER, "the station is locked: run `linecheck station golden`")
    )
    assert large_word("not tested")[0] in lines
    assert large_word("pass")[0] not in lines
    assert lines[-3:-1] == [OTHER, "the station is locked: run `linecheck station golden`"]
    assert "engineer" in lines[-1]


def test_what_a_scanner_sends_reaches_the_terminal_as_what_can_be_seen(shown, capsys):
    hostile = "\x1b[2J\x1b]0;PASS\x07" + "A" * 4000
    lines = shown(UnitScanned(hostile), UnitRefused(hostile, f"the serial number {hostile!r} is not one"))
    assert not any("\x1b" in line or "\x07" in line for line in lines)
    assert large_word("not tested")[0] in lines


def test_what_was_scanned_during_a_test_is_not_tested_and_the_unit_before_it_keeps_its_verdict(shown):
    shown(UnitScanned(SERIAL), known(RUNS["pass"][0]))
    lines = shown(ScanIgnored(OTHER, "during a test"))
    assert large_word("not tested")[0] in lines
    assert f"The unit before it, {SERIAL}: PASS." in " ".join(lines)
    assert large_word("pass")[0] not in lines


def test_what_nothing_proves_of_the_station_is_said(shown):
    run = outcome(113.0, Verdict.PASS, released=True, loop="not checked: the station config has no [loop]")
    assert "The station's own path is not checked" in " ".join(shown(UnitScanned(SERIAL), known(run)))


@pytest.mark.parametrize("state", _SIGNS)
@pytest.mark.parametrize("columns", [60, 80, 200])
def test_no_banner_is_wider_than_the_screen(state, columns):
    assert max(map(len, banner(state, columns))) <= columns


def test_a_label_of_another_alphabet_is_shown_as_it_was_scanned():
    assert large("PR3ß000030", 80) == ["  PR3ß000030"]


@given(st.text(alphabet="ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_./", max_size=40), st.integers(20, 200))
def test_a_serial_number_is_large_where_it_fits_and_readable_where_it_does_not(text, columns):
    lines = large(text, columns)
    assert len(lines) in (1, 5)
    assert max(map(len, lines)) <= columns
    assert len(lines) == 5 or lines == [f"  {text}"[:columns]]


def test_a_cause_comes_first_and_its_act_last_of_all(shown):
    run = with_causes(outcome())
    lines = shown(UnitScanned(SERIAL), known(run), NextAct(run.run_id, SERIAL, made_causes().first.act))
    assert lines[0] == large(SERIAL, 80)[0].strip()
    text = " ".join(lines)
    assert text.index(made_causes().sentence) < text.index("tone sinad left fails")
    assert lines[-1] == "Next: switch the de-emphasis off and test it again"


def test_no_act_of_a_tampered_log_disturbs_the_screen(shown):
    run = replace(outcome(), causes=hostile_fact())
    lines = shown(UnitScanned(SERIAL), known(run), NextAct(run.run_id, SERIAL, causes_of(run).first.act))
    assert not any("\x1b" in line or "\u202e" in line for line in lines)
    assert large_word("pass")[0] not in lines
    assert len(lines) < 40
