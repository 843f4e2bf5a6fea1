"""Other runs in a run's figures: thin and grey, each named, and still readable when they are many."""

import re

import numpy as np
import pytest
from drawn_figures import SPECTRUM_MASK, SVG, check_of, group, spectrum, view_of
from made_runs import made_check, made_run
from regression_runs import baseline_of, curve, unit_run

from linecheck.report.figures.curves import figures_of_check
from linecheck.report.figures.drawing.draw import svg
from linecheck.report.figures.drawing.palette import LINES, OVERLAY_DASHES, OVERLAYS
from linecheck.report.figures.overlay import FEW, overlay_of, overlays_of
from linecheck.report.figures.table import drawn_series


def _run(number, *, right_line_db=-118.0):
    curves = [spectrum("left", 10 * number), spectrum("right", 10 * number + 1, line_db=right_line_db)]
    check = check_of(curves, SPECTRUM_MASK)
    return view_of(check, masks={"spectrum": SPECTRUM_MASK}, serial=f"PR3-{number:06}")


def _figure(*others):
    view = _run(0)
    (figure,) = figures_of_check(view, view.checks[0], overlays=[overlay_of(run) for run in others])
    return figure


def _colour(text, index):
    path = next(group(text, f"-curve-{index}").iter(f"{SVG}path"))
    return re.search(r"stroke:(#[0-9a-f]{6})", path.get("style"))[1]


def _dash(text, index):
    path = next(group(text, f"-curve-{index}").iter(f"{SVG}path"))
    return re.search(r"stroke-dasharray:([\d.,]+)", path.get("style"))[1]


def test_a_few_have_both_channels_each_in_a_grey_with_a_dash_of_their_own():
    figure = _figure(_run(1), _run(2))
    others = [series for series in figure.series if series.is_reference]
    names = [f"PR3-{number:06} {channel}" for number in (1, 2) for channel in ("left", "right")]
    assert [series.label for series in others] == names
    text = svg(figure, prefix="f")
    colours = (LINES[0][0], LINES[1][0], *OVERLAYS, *OVERLAYS)
    assert [_colour(text, index) for index in range(6)] == [colour.lower() for colour in colours]
    dashes = [_dash(text, index) for index in range(2, 6)]
    assert dashes[0] == dashes[1] != dashes[2] == dashes[3]
    for series in others:
        assert series.label in text
        assert series.label in figure.alt


def test_the_first_runs_curves_lose_no_point_to_the_others():
    alone, beside = drawn_series(_figure()), drawn_series(_figure(*(_run(number) for number in range(1, 31))))
    for one, other in zip(alone, beside, strict=False):
        assert np.array_equal(one.x, other.x)


def test_of_many_one_channel_each_as_a_thin_grey_line():
    figure = _figure(*(_run(number) for number in range(1, FEW + 2)))
    others = [series for series in figure.series if series.is_reference]
    assert [series.label for series in others] == [f"PR3-{number:06} left" for number in range(1, FEW + 2)]
    text = svg(figure, prefix="f")
    assert {_colour(text, index) for index in range(2, 2 + len(others))} == {OVERLAYS[0].lower()}
    # They are more than there are dashes; as many as there are differ.
    assert len({_dash(text, index) for index in range(2, 2 + len(others))}) == len(OVERLAY_DASHES)


def test_of_many_the_one_whose_channels_differ_has_both():
    odd = _run(7, right_line_db=-60.0)
    figure = _figure(*(_run(number) for number in range(1, FEW + 2)), odd)
    assert [series.label for series in figure.series][-2:] == ["PR3-000007 left", "PR3-000007 right"]


@pytest.mark.parametrize("count", [1, 5, 12, 40])
def test_the_names_stay_beside_the_axes_and_above_the_papers_end(count):
    figure = _figure(*(_run(number) for number in range(1, count + 1)))
    text = re.sub("<desc.*?</desc>", "", svg(figure, prefix="f"))
    width, height = (float(end) for end in re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', text).groups())
    named = re.findall(r' x="([\d.]+)" y="([\d.]+)">(PR3-\d{6} \w+|and \d+ more)<', text)
    (right,) = [float(x) for x in re.findall(r"M[\d.]+ [\d.]+L([\d.]+) ", text)[1:2]]
    assert all(right < float(x) < width and float(y) < height for x, y, _ in named)
    more = [int(name.split()[1]) for *_, name in named if name.startswith("and ")]
    assert len(named) - len(more) + sum(more) == sum(series.is_reference for series in figure.series)
    assert bool(more) == (count == 40)


def test_several_runs_of_one_unit_are_told_apart():
    labels = [series.label for series in _figure(_run(1), _run(1)).series]
    assert labels[2:] == [
        "PR3-000001 (1) left",
        "PR3-000001 (1) right",
        "PR3-000001 (2) left",
        "PR3-000001 (2) right",
    ]


def test_a_baselines_units_are_drawn_by_the_extremes_that_it_keeps():
    runs = [unit_run(serial=f"PR3-{number:06}", lines={"left": curve("left", 3.0)}) for number in (1, 2)]
    overlays = overlays_of(baseline_of(*runs))
    assert [overlay.name for overlay in overlays] == ["baseline PR3-000001", "baseline PR3-000002"]
    own = made_run(made_check(curve("left"), curve("right")))
    (figure,) = figures_of_check(own, own.checks[0], overlays=overlays)
    beside = {series.label: series for series in figure.series if series.is_reference}
    assert len(beside) == 4
    for label, level in (("baseline PR3-000001 left", -147.0), ("baseline PR3-000002 right", -150.0)):
        assert beside[label].y == pytest.approx(np.full(len(beside[label].y), level), abs=0.1)
        # A band's middle may lie beyond the curve's end, by less than a band.
        assert beside[label].x[0] == pytest.approx(20.0, rel=0.1)
        assert beside[label].x[-1] == pytest.approx(20_000.0, rel=0.1)
