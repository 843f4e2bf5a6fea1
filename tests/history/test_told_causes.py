"""What a change sounds like: told where something is worse, or differs, first and in every form of it."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest
from made_causes import hostile_fact, made_cause, made_causes, unknown_causes
from made_comparisons import made_comparison
from regression_runs import baseline_of, limits_with, reading, unit_run
from result_schema import checked_result
from test_comparison import compared, side
from test_comparison import reading as compared_reading

from linecheck import causes
from linecheck.captures.many_sets import JudgedSet
from linecheck.cli.display.comparison import show_comparison
from linecheck.cli.display.regression import show_compared
from linecheck.history.baseline.regressed import regressed
from linecheck.history.comparison.file import load_comparison, write_comparison
from linecheck.line.regress import regress_sets
from linecheck.report.render import comparison_page
from linecheck.results.files import ResultFiles
from linecheck.run.causes import Difference, read_causes

SOUNDS = made_causes(made_cause("treble_droop", 0.82, text="the corner of the output filter moved"))
SENTENCE = "Sounds like: the corner of the output filter moved (82 %)."
WORSE = {("sinad", "left"): 105.0, ("hum", "right"): reading("hum", "right", -120.0)}


@pytest.fixture
def named(monkeypatch):
    """Name every difference; return what was asked."""
    asked = []

    def name(run, earlier):
        asked.append((run, dict(earlier)))
        return SOUNDS

    monkeypatch.setattr(causes, "name_difference", name)
    return asked


def held(run):
    return regressed(JudgedSet("sets/1", run), baseline_of(unit_run()), 100)


def test_what_is_worse_is_named_from_what_the_baseline_had(named):
    run = unit_run(WORSE)
    assert held(run).causes == Difference.of(SOUNDS)
    ((asked, earlier),) = named
    assert asked.run_id == run.run_id
    assert earlier["tone", "sinad", "left"] == 112.84
    assert not any(metric == "spectrum" for _, metric, _ in earlier)


def test_what_is_not_worse_is_not_named(named):
    assert held(unit_run()).causes is None
    assert held(unit_run({("sinad", "left"): 118.0})).causes is None
    assert named == []


def broken(run, earlier):
    raise ZeroDivisionError


@pytest.mark.parametrize("name", [broken, lambda *_: None, lambda *_: unknown_causes()])
def test_what_is_not_known_costs_only_its_words(monkeypatch, name):
    monkeypatch.setattr(causes, "name_difference", name)
    found = held(unit_run(WORSE))
    assert found.causes is None
    assert found.verdict.value == "fail"


def test_the_screen_says_it_before_what_is_worse(named, capsys):
    show_compared(held(unit_run(WORSE)))
    out = capsys.readouterr().out
    assert out.index(SENTENCE) < out.index("tone sinad left is worse")
    assert "Explains 28 of 31 findings." in out


def test_every_file_says_it(named, monkeypatch, tmp_path):
    run, baseline = unit_run(WORSE), baseline_of(unit_run())
    monkeypatch.setattr("linecheck.line.regress.judged_sets", lambda *_, **__: Judged([run]))
    wanted = ResultFiles({name: tmp_path / name for name in ("json", "junit", "summary")})
    regress_sets(
        ["sets/1"], limits_with(), baseline, wanted, lambda _: None, serial=None, strict=False, workers=0
    )
    told = checked_result((tmp_path / "json").read_text(encoding="utf-8"))["regression"]["causes"]
    assert read_causes(told) == SOUNDS
    cases = ET.parse(tmp_path / "junit").getroot().iter("testcase")
    messages = {case.get("name"): case[0].get("message") for case in cases if len(case)}
    assert "sinad.left.regression" in messages, messages
    for name, message in messages.items():
        assert message.startswith(f"{SENTENCE} tone ") == name.endswith(".regression"), (name, message)
    assert SENTENCE.split(":")[1].split("(")[0].strip() in (tmp_path / "summary").read_text(encoding="utf-8")


class Judged:
    """Sets that are judged already."""

    def __init__(self, runs):
        self.sets = iter([JudgedSet(f"sets/{number}", run) for number, run in enumerate(runs, start=1)])

    def __enter__(self):
        return self.sets

    def __exit__(self, *_):
        return None


def test_a_comparison_names_each_side_that_differs(named, tmp_path, capsys):
    sides = [side(compared_reading(value=value)) for value in (112.0, 106.0, 112.0)]
    made = compared(*sides)
    assert made.sounds == (
        ("B sounds like: the corner of the output filter moved (82 %).", SOUNDS.explained),
    )
    ((_, earlier),) = named
    assert earlier == {("tone", "sinad", "left"): 112.0}
    write_comparison(tmp_path, made)
    read = load_comparison(tmp_path)
    assert read.causes == made.causes
    show_comparison(read, everything=False)
    out = capsys.readouterr().out
    assert out.index("B sounds like") < out.index("1 real difference")
    page = comparison_page(read)
    assert page.index("B sounds like") < page.index('<ol class="findings">')


def test_sides_that_do_not_differ_sound_like_nothing(named):
    assert compared(side(compared_reading()), side(compared_reading())).causes == {}
    assert named == []


def test_a_comparison_of_an_earlier_version_has_none(tmp_path):
    write_comparison(tmp_path, replace(made_comparison(), causes={}))
    assert load_comparison(tmp_path).sounds == ()


def test_hostile_causes_of_a_comparison_are_text(tmp_path, capsys):
    said = Difference.of(read_causes(hostile_fact()))
    write_comparison(tmp_path, replace(made_comparison(), causes={"B": said, "\x1b[2J": said}))
    read = load_comparison(tmp_path)
    show_comparison(read, everything=False)
    assert "\x1b" not in capsys.readouterr().out
    assert "<script>alert" not in comparison_page(read)
