"""Figures of a comparison: all sides of a curve in one, and what differs."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from drawn_figures import SVG

from linecheck.checks.base import Curve
from linecheck.history.comparison.model import ComparedCurve, Comparison, CurveDifference, Side
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import Verdict
from linecheck.report.figures.curves import figures_of_comparison
from linecheck.report.figures.drawing.draw import svg
from linecheck.report.figures.drawing.frame import frame_of
from linecheck.report.figures.table import table_of


def _side(label, name):
    return Side(
        label, name, name, "made by hand", label * 8, "PR3-000001", "pellow-r3", Verdict.PASS, None, None, "linecheck",
        "2026-11-20T08:15:00Z", None, "limits/pellow-r3.yaml", 1, "0" * 64, {}, {}, {},
    )  # fmt: skip


def _response(x, droop_db):
    return Curve("response", "left", x, "Hz", -droop_db * (x / 20000.0) ** 2, "dB")


def _compared(curves, differences=(), metric="response", channel="left", unit="dB", x_unit="Hz", log_x=True):
    return ComparedCurve(
        check="reconstruction",
        kind="reconstruction",
        metric=metric,
        text="response re 1 kHz",
        channel=channel,
        x_unit=x_unit,
        unit=unit,
        log_x=log_x,
        better="nominal",
        curves=tuple(curves),
        differences=tuple(differences),
        mask=Mask(Bounds(min=-0.5, max=0.1)) if metric == "response" else None,
    )


def _comparison(*compared, names=("sharp", "slow")):
    sides = tuple(_side(letter, name) for letter, name in zip("ABCDEFGH", names, strict=False))
    return Comparison(
        "2026-11-26",
        "linecheck",
        "limits/pellow-r3.yaml",
        1,
        "0" * 64,
        ("left",),
        sides,
        4.3,
        10,
        (),
        compared,
        (),
    )


def _filters(**changes):
    x = np.geomspace(20.0, 80000.0, 600)
    change = CurveDifference(-3.0, 0.01, True, 3.0, "", float(x[499]), -3.2, -0.2, **changes)
    return _compared([_response(x, 0.2), _response(x, 3.2)], [change])


def test_a_filters_response_is_overlaid_at_two_depths_with_its_difference():
    near, deep, less = figures_of_comparison(_comparison(_filters()))
    assert [figure.name for figure in (near, deep, less)] == [
        "reconstruction-response-pass-band-left",
        "reconstruction-response-full-depth-left",
        "reconstruction-response-difference-left",
    ]
    for figure in (near, deep):
        assert [series.label for series in figure.series] == ["A: sharp", "B: slow"]
        assert {(line.zone, line.side) for line in figure.limits} >= {("pass", "min"), ("fail", "max")}
    frame = frame_of(near)
    # As deep as the slower of them falls in its pass band.
    assert -4.0 < frame.y_low < -3.0 < 0.05 < frame.y_high < 1.0


def test_a_real_difference_is_marked_where_it_is_largest_and_no_other():
    _, deep, _ = figures_of_comparison(_comparison(_filters()))
    (mark,) = deep.marks
    assert mark.text.startswith("B: −3.00 dB re A at ")
    assert mark.y == -3.2
    noise = _compared(_filters().curves, [CurveDifference(0.1, 0.1, False, 0.1, "", 100.0, 0.0, 0.0)])
    assert figures_of_comparison(_comparison(noise))[1].marks == ()


@pytest.mark.parametrize("points", [600, 437])
def test_the_difference_is_the_side_less_the_first(points):
    """3.0 dB · (f / 20 kHz)², as both responses are made; between a side's places by straight lines."""
    x, other = np.geomspace(20.0, 80000.0, 600), np.geomspace(20.0, 80000.0, points)
    less = figures_of_comparison(_comparison(_compared([_response(x, 0.2), _response(other, 3.2)])))[-1]
    (series,) = less.series
    assert series.label == "B: slow"
    assert series.look == 1
    inside = series.x <= 20000.0
    expected = -3.0 * (series.x[inside] / 20000.0) ** 2
    assert np.max(np.abs(series.y[inside] - expected)) < (1e-9 if points == 600 else 0.01)
    assert len(table_of(less).rows) > 50


def test_a_side_without_a_curve_is_left_out_and_without_the_first_there_is_no_difference():
    x = np.geomspace(20.0, 80000.0, 600)
    figures = figures_of_comparison(_comparison(_compared([None, _response(x, 3.2)])))
    assert [[series.label for series in figure.series] for figure in figures] == [["B: slow"], ["B: slow"]]
    assert figures_of_comparison(_comparison(_compared([None, None]))) == ()


def test_impulses_say_each_sides_energy_and_have_no_difference():
    t = np.linspace(-2.0, 2.0, 801)
    curves = [Curve("impulse", "left", t, "ms", np.sinc(width * t), "") for width in (20.0, 10.0)]
    (figure,) = figures_of_comparison(
        _comparison(_compared(curves, metric="impulse", unit="", x_unit="ms", log_x=False))
    )
    assert re.fullmatch(
        r"energy before and after the main lobe: A −[\d.]+ dB and −[\d.]+ dB; B −[\d.]+ dB and −[\d.]+ dB",
        figure.caption,
    )


def test_sides_are_told_apart_and_their_names_are_text():
    x = np.geomspace(20.0, 80000.0, 600)
    curves = [_response(x, droop) for droop in (0.0, 1.0, 2.0, 3.0)]
    comparison = _comparison(_compared(curves), names=("<b>", "&amp;", "$x$", "plain"))
    for figure in figures_of_comparison(comparison):
        text = svg(figure)
        words = [element.text for element in ElementTree.fromstring(text).iter(f"{SVG}text")]
        assert {series.label for series in figure.series} <= set(words)
        looks = re.findall(r'curve-\d">\s*<path [^>]*style="([^"]*)"', text)
        assert len(set(looks)) == len(figure.series)
        assert len(text.encode()) < 40_000


@pytest.mark.parametrize(("names", "figures"), [(("sharp", "slow"), 3), (("sharp", "slow", "none"), 6)])
def test_channels_share_a_figure_unless_that_makes_more_than_four_lines(names, figures):
    x = np.geomspace(20.0, 80000.0, 600)
    channels = [
        _compared([_response(x, droop) for droop in range(len(names))], channel=channel)
        for channel in ("left", "right")
    ]
    found = figures_of_comparison(_comparison(*channels, names=names))
    assert len(found) == figures
    assert max(len(figure.series) for figure in found) == (4 if len(names) == 2 else len(names))
    if len(names) == 2:
        assert [series.label for series in found[0].series] == [
            "A: sharp left", "A: sharp right", "B: slow left", "B: slow right",
        ]  # fmt: skip
        assert [series.look for series in found[-1].series] == [2, 3]
    assert len({figure.name for figure in found}) == figures


def test_as_many_sides_as_can_be_compared_look_different():
    x = np.geomspace(20.0, 80000.0, 600)
    names = tuple(f"filter {number}" for number in range(8))
    comparison = _comparison(_compared([_response(x, droop) for droop in range(8)]), names=names)
    text = svg(figures_of_comparison(comparison)[0])
    assert len(set(re.findall(r'curve-\d">\s*<path [^>]*style="([^"]*)"', text))) == 8


@pytest.mark.parametrize(("significant", "figures"), [(True, 1), (False, 0)])
def test_a_harmonic_has_a_figure_only_where_it_differs(significant, figures):
    x = np.geomspace(20.0, 20000.0, 14)
    sides = [Curve("harmonic_3", "left", x, "Hz", np.full(14, level), "dB") for level in (-120.0, -100.0)]
    change = CurveDifference(20.0, 0.1, significant, 20.0, "", 1000.0, -100.0, -120.0)
    assert len(figures_of_comparison(_comparison(_compared(sides, [change], "harmonic_3")))) == figures
