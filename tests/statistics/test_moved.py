"""What to look at first: of simulated weeks with problems of known truth, what is found is what was hidden."""

from dataclasses import replace

import numpy as np
import pytest
from charted_runs import steady, units
from exported_units import exported

from linecheck.gates.chart_signals import CHART_ANSWER, CHART_SIGNAL
from linecheck.log import Log, RunFilter
from linecheck.report.render import line_page
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.line import COLUMNS, line_of
from linecheck.statistics.words import moved_texts

UNITS = 4000


def week(folder, seed, change=lambda readings, facts, late: None):
    """Write a week of three stations with two nests each; return what its line shows."""
    random = np.random.default_rng(seed)
    place = random.integers(0, 6, UNITS)
    facts = {
        "station": np.array([f"line-{at // 2}" for at in place]),
        "nest": np.array(["ab"[at % 2] for at in place]),
        "lot": np.array([f"L{at // 400:02d}" for at in range(UNITS)]),
        "purpose": np.where(np.arange(UNITS) % 100 < 3, "golden", "unit"),
        "serial": np.array([f"PR3-{at:06d}" for at in range(UNITS)]),
    }
    facts["serial"][facts["purpose"] == "golden"] = "PR3-900001"
    readings = {
        (check, metric, channel): random.normal(0.0, 1.0, UNITS)
        for check in ("tone", "quiet")
        for metric in ("thd", "hum", "level")
        for channel in ("left", "right")
    }
    for values in readings.values():
        values[facts["purpose"] == "golden"] *= 0.15
    change(readings, facts, np.arange(UNITS) >= UNITS // 2)
    place = exported(
        folder / f"week-{seed}",
        readings,
        every_seconds=150.0,
        **{name: list(told) for name, told in facts.items()},
    )
    with open_columns(place, RunFilter(purpose="unit"), columns=COLUMNS) as columns:
        return line_of(columns)


def nest_drifts(readings, facts, late):
    mine = (facts["station"] == "line-1") & (facts["nest"] == "b")
    readings["tone", "thd", "left"] += np.where(mine & late, np.linspace(-1.0, 1.0, UNITS), 0.0)


def station_steps(readings, facts, late):
    readings["quiet", "hum", "left"] += 0.5 * (late & (facts["station"] == "line-2"))


def product_steps(readings, facts, late):
    readings["quiet", "level", "right"] += 0.5 * (late & (facts["purpose"] == "unit"))


def golden_ages(readings, facts, late):
    readings["tone", "hum", "left"] += 0.5 * (late & (facts["purpose"] == "golden"))


def lot_is_bad(readings, facts, late):
    readings["quiet", "hum", "right"] += 2.0 * (facts["lot"] == "L06")


@pytest.mark.parametrize(
    ("change", "moved", "metric"),
    [
        (nest_drifts, "nest line-1/b", "tone.thd left"),
        (station_steps, "station line-2", "quiet.hum left"),
        (product_steps, "the product", "quiet.level right"),
        (golden_ages, "golden unit PR3-900001", "tone.hum left"),
    ],
)
def test_what_was_moved_is_told_and_nothing_else(tmp_path, change, moved, metric):
    view = week(tmp_path, 11, change)
    assert [(each.what.words, each.name.words) for each in view.moved] == [(moved, metric)]
    (text,) = moved_texts(view.moved)
    assert text.startswith(f"{moved} has moved: {metric.replace('.', ' ')} is ")
    page = line_page(view)
    assert text in page.replace("&#39;", "'")
    assert f"{metric}: {moved} has moved" in page


def test_a_bad_lot_is_no_move(tmp_path):
    view = week(tmp_path, 12, lot_is_bad)
    assert [(each.parted_by, each.group) for each in view.standouts] == [("lot", "L06")]
    assert view.moved == ()


@pytest.mark.parametrize("seed", range(20, 26))
def test_where_nothing_moves_nothing_is_told(tmp_path, seed):
    assert week(tmp_path, seed).moved == ()


def test_one_station_without_a_golden_unit_cannot_be_told_from_the_product(tmp_path):
    random = np.random.default_rng(4)
    values = random.normal(0.0, 1.0, 600) + (np.arange(600) >= 300)
    place = exported(tmp_path / "one", {("tone", "thd", "left"): values})
    with open_columns(place, RunFilter(), columns=COLUMNS) as columns:
        (moved,) = line_of(columns).moved
    assert {each.what for each in moved.what.suspects} >= {"product", "station"}
    assert "which of them cannot be told" in moved_texts([moved])[0]


@pytest.mark.every_python
@pytest.mark.parametrize("answered", [False, True])
def test_a_signal_that_nobody_has_answered_stands_first(tmp_path, answered):
    path = tmp_path / "log.sqlite"
    says = {"chart": "tone.sinad left", "says": "one value beyond 3 standard deviations", "locks": False}
    with Log(path) as log:
        for run in units(steady(30)):
            log.append(replace(run))
        signal = log.state(CHART_SIGNAL, "line-1/pellow-r3/tone.sinad", says)
        if answered:
            answer = {"signal": signal.sequence, "by": "B. Lind", "reason": "a worn probe, replaced"}
            log.state(CHART_ANSWER, "line-1/pellow-r3/tone.sinad", answer)
    with open_columns(Place(logs=(str(path),)), RunFilter(purpose="unit"), columns=COLUMNS) as columns:
        page = line_page(line_of(columns))
    waits = f"it waits for an answer (record {signal.sequence})"
    assert (waits in page) != answered


def picked(folder, wanted, change):
    """Return what is told of picked units of a week."""
    random = np.random.default_rng(31)
    place = random.integers(0, 4, UNITS)
    facts = {
        "station": [f"line-{at // 2}" for at in place],
        "nest": ["ab"[at % 2] for at in place],
        "lot": [f"L{at // 400:02d}" for at in range(UNITS)],
        "operator": [f"op {at // 250 % 8}" for at in range(UNITS)],
        "purpose": ["golden" if at % 50 == 49 else "unit" for at in range(UNITS)],
        "serial": ["PR3-900001" if at % 50 == 49 else f"PR3-{at:06d}" for at in range(UNITS)],
    }
    is_golden = np.array(facts["purpose"]) == "golden"
    readings = {
        ("tone", metric, channel): random.normal(0.0, np.where(is_golden, 0.15, 1.0), UNITS)
        for metric in ("thd", "hum")
        for channel in ("left", "right")
    }
    change(readings, {name: np.array(told) for name, told in facts.items()})
    place = exported(folder / "week", readings, every_seconds=150.0, **facts)
    with open_columns(place, wanted, columns=COLUMNS) as columns:
        return line_of(columns)


def nest_steps(readings, facts):
    mine = (facts["station"] == "line-1") & (facts["nest"] == "b") & (np.arange(UNITS) >= 2600)
    for values in readings.values():
        values += 2.0 * mine


def lot_stands_out(readings, facts):
    for values in readings.values():
        values += 3.0 * ((facts["lot"] == "L05") & (facts["purpose"] == "unit"))


def few_break(readings, facts):
    for values in readings.values():
        values[-3:] += 60.0


@pytest.mark.parametrize(
    "wanted",
    [{"until": "2026-11-05T00:00:00.000Z"}, {"facts": {"lot": "L01"}}, {"facts": {"station": "line-0"}}],
)
def test_what_was_not_picked_moves_nothing(tmp_path, wanted):
    view = picked(tmp_path, RunFilter(purpose="unit", **wanted), nest_steps)
    assert view.moved == ()
    assert not [each for each in view.standouts if each.apart]


def test_a_bad_lot_blames_nobody_who_tested_it(tmp_path):
    view = picked(tmp_path, RunFilter(purpose="unit"), lot_stands_out)
    assert [(each.parted_by, each.group) for each in view.standouts] == [("lot", "L05")]
    assert (view.standouts[0].since, view.standouts[0].until) == ("2026-11-05 17:20", "2026-11-06 09:55")
    assert view.moved == ()


def test_a_bad_nest_blames_no_station(tmp_path):
    view = picked(tmp_path, RunFilter(purpose="unit"), nest_steps)
    assert [(each.parted_by, each.group) for each in view.standouts] == [("nest", "line-1/b")]
    assert {each.what.words for each in view.moved} == {"nest line-1/b"}


def test_a_few_broken_units_are_no_move(tmp_path):
    assert picked(tmp_path, RunFilter(purpose="unit"), few_break).moved == ()
