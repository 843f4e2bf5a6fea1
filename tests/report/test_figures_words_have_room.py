"""Words in a figure cover neither a curve nor each other, by the pixels of what is drawn."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from drawn_figures import SPECTRUM_MASK, check_of, spectrum, view_of

from linecheck.checks.base import Curve, Problem, Reading
from linecheck.limits.model import Bounds, Mask
from linecheck.report.figures.curves import figures_of_check
from linecheck.report.figures.data import Axis, Figure, Guide, Mark, Series, Tag
from linecheck.report.figures.drawing.canvas import draw_figure
from linecheck.report.figures.drawing.draw import WIDTH_INCHES, painted, style
from linecheck.report.figures.drawing.labels import Labels
from linecheck.report.figures.drawing.paper import DOTS_AN_INCH, Path, Words

DPI = 144.0


def _drawn(figure, *, edges=False):
    """Return the boxes of the words inside a figure's axes, in pixels, and where its curves have ink.

    With ``edges`` also where the edges of its masks have.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.text import Text

    paper = draw_figure(figure, DOTS_AN_INCH * WIDTH_INCHES)
    inked = ("curve-", "limit-") if edges else "curve-"
    # What stands beside the axes covers nothing.
    words = [item for item in paper.items if isinstance(item, Words) and item.order > 5.0]
    curves = [item for item in paper.items if isinstance(item, Path) and item.name.startswith(inked)]
    assert curves
    with style():
        made = painted(replace(paper, items=[*words, *curves]))
        made.patch.set_visible(False)
        made.set_dpi(DPI)
        canvas = FigureCanvasAgg(made)
        canvas.draw()
        texts = [artist for artist in made.artists if isinstance(artist, Text)]
        boxes = {text.get_text(): text.get_window_extent(canvas.get_renderer()).extents for text in texts}
        for text in texts:
            text.set_visible(False)
        canvas.draw()
        ink = np.asarray(canvas.buffer_rgba())[::-1, :, 3] > 0
    assert np.any(ink)
    return boxes, ink


def _covered(box, ink):
    left, bottom, right, top = (round(edge) for edge in box)
    return int(np.sum(ink[bottom:top, left:right]))


def _of(curves, kind, mask=None, metric="", readings=()):
    of_curve = mask if metric in [curve.metric for curve in curves] else None
    check = check_of(curves, of_curve, kind=kind, name=kind, readings=[(entry, None) for entry in readings])
    view = view_of(check, masks={metric: mask} if mask else {}, stimulus={"rate_hz": 44100})
    return figures_of_check(view, check)


def _spectrum_figure(line_db, floor_db=0.0):
    curves = [spectrum(name, seed, line_db=line_db) for seed, name in enumerate(("left", "right"))]
    for curve in curves:
        curve.y[:] += floor_db
        for frequency, level in ((50.0, -125.0), (997.0 * 3, -120.0), (997.0 * 5, -118.0), (7000.0, -119.0)):
            curve.y[int(np.argmin(np.abs(curve.x - frequency)))] = level
    frequency = Reading("frequency", "left", 997.0, "Hz", 1e-3)
    return _of(curves, "tone", SPECTRUM_MASK, "spectrum", [frequency])[0]


def _transition_figure(mask=None):
    x = np.arange(25.0, 87000.0, 50.0)
    fall = np.clip(-(np.maximum(x - 20000.0, 0.0) ** 2) / 2e5, -110.0, 0.0)
    curve = Curve("response", "left", x, "Hz", fall + 0.5 * np.sin(x), "dB")
    drawn = _of([curve], "reconstruction", mask, "corner_3db")
    return next(figure for figure in drawn if figure.name == "response-transition")


def _limited_transition_figure():
    mask = Mask(Bounds(21550.0, 21900.0), Bounds(21300.0, 22000.0))
    figure = _transition_figure(mask)
    assert len(figure.guides) == 5
    return figure


def _both_sides_figure():
    x = np.concatenate([np.linspace(-11000.0, -10.0, 280), np.linspace(10.0, 9000.0, 280)])
    y = -147.0 + np.random.default_rng(1).standard_normal(560)
    for place in (-3000.0, 3000.0):
        y[int(np.argmin(np.abs(x - place)))] = -141.0
    curve = Curve("both_sides", "left", x, "Hz", y, "dB", 5.0)
    words = "sidebands at ±3000.0 Hz, upper -141.0 dB, lower -141.5 dB: jitter of 2 ps peak; the offset is 3 × 1 kHz"
    note = Problem("sideband", words, "left", blocks=False)
    check = check_of([curve], kind="jitter", name="jitter", log_x=False, problems=(note,))
    return figures_of_check(view_of(check), check)[0]


def _harmonics_figure():
    levels = np.arange(-120.0, 1.0, 5.0)
    curves = [
        Curve(metric, "left", levels, "dBFS", level - levels, "dB")
        for metric, level in (
            ("gain_error", 0.0),
            ("thd_n", -112.0),
            ("harmonic_2", -118.0),
            ("harmonic_3", -119.0),
        )
    ]
    return _of(curves, "linearity")[-1]


def _crowded_figure():
    """Return a curve that swings through most of the axes, with marks of many words, tags and a guide."""
    x = np.linspace(0.0, 100.0, 300)
    series = Series("left", x, -60.0 + 35.0 * np.sin(x))
    marks = tuple(
        Mark(float(at), -60.0, f"worst at {at} kHz: left −60.00 dB, fails, 9.00 dB outside")
        for at in (9, 50, 95)
    )
    tags = tuple(Tag(float(at), -25.0, f"{at} Hz") for at in range(5, 95, 9))
    axes = Axis("x", "Hz"), Axis("y", "dB", low=-120.0, high=0.0)
    return Figure(
        "f", "f", "f", *axes, (series,), (), marks, tags=tags, guides=(Guide(40.0, "half the rate"),)
    )


FIGURES = {
    "passes": lambda: _spectrum_figure(-118.0),
    "fails": lambda: _spectrum_figure(-80.0),
    "noise at the mask": lambda: _spectrum_figure(-80.0, 35.0),
    "transition": _transition_figure,
    "limits of corners": _limited_transition_figure,
    "both sides": _both_sides_figure,
    "harmonics": _harmonics_figure,
    "crowded": _crowded_figure,
}


@pytest.mark.parametrize("name", FIGURES)
def test_words_cover_no_curve_and_no_other_words(name):
    figure = FIGURES[name]()
    boxes, ink = _drawn(figure)
    _, with_edges = _drawn(figure, edges=True)
    names = {tag.text for tag in figure.tags}
    told = [entry.text for entry in (*figure.marks, *figure.guides) if entry.text]
    assert set(told) <= set(boxes)
    # The name of a peak may stand on the edge of a mask, so that it stands at its peak.
    covered = {text: _covered(box, ink if text in names else with_edges) for text, box in boxes.items()}
    assert {text: number for text, number in covered.items() if number} == {}
    for (one, first), (other, second) in combinations(boxes.items(), 2):
        apart = (
            first[0] >= second[2] or second[0] >= first[2] or first[1] >= second[3] or second[1] >= first[3]
        )
        assert apart, (one, other)


@pytest.mark.parametrize("name", FIGURES)
def test_a_line_from_words_crosses_no_other_words(name):
    figure = FIGURES[name]()
    boxes, _ = _drawn(figure)
    scale = DPI / DOTS_AN_INCH
    items = draw_figure(figure, DOTS_AN_INCH * WIDTH_INCHES).items
    leaders = [
        item.lines[0] for item in items if isinstance(item, Path) and (item.order, item.width) == (4, 0.6)
    ]
    assert leaders or not any(mark.text for mark in figure.marks)
    for (x, y), (to_x, to_y) in leaders:
        along = scale * np.linspace((x, y), (to_x, to_y), 200)[1:]
        for text, (left, bottom, right, top) in boxes.items():
            inside = (along > [left, bottom]) & (along < [right, top])
            assert not np.any(inside.all(axis=1)), text


def test_a_line_from_words_goes_around_other_words_where_it_can():
    labels = Labels(0.0, 0.0, 300.0, 180.0)
    above, point = (145.0, 15.0, 200.0, 25.0), (150.0, 5.0)
    labels.take((0.0, 0.0, 300.0, 10.0))
    labels.take(above)
    assert labels.near(point, "word", 7.0)[1] == point[1] + 28.0
    labels.take(above, words=True)
    assert labels.near(point, "word", 7.0)[2] < above[0]
    labels.join((200.0, 10.0), (240.0, 50.0))
    assert labels.free(250.0, 25.0, "word", 7.0) is not None
    assert labels.free(220.0, 25.0, "word", 7.0) is None


def test_limits_of_corners_are_named_also_where_long_names_of_curves_leave_less_room():
    mask = Mask(Bounds(21550.0, 21900.0), Bounds(21300.0, 22000.0))
    figure = _transition_figure(mask)
    many = replace(figure, series=(*figure.series, replace(figure.series[0], label="PR3-000021 right side")))
    sizes = {item.text: item.size for item in draw_figure(many, 370.0).items if isinstance(item, Words)}
    assert sizes["−3 dB passes from 21.55 kHz"] < sizes["half the rate, 22.05 kHz"]


def test_names_of_peaks_may_stand_on_an_edge_and_nothing_else():
    labels = Labels(0.0, 0.0, 100.0, 100.0)
    labels.avoid(np.array([0.0, 100.0]), np.array([50.0, 50.0]), edge=True)
    assert labels.free(10.0, 45.0, "3", 6.5) is None
    assert labels.free(10.0, 45.0, "3", 6.5, on_edges=True) is not None
    labels.avoid(np.array([0.0, 100.0]), np.array([50.0, 50.0]))
    assert labels.free(10.0, 45.0, "3", 6.5, on_edges=True) is None


def test_a_zone_too_narrow_for_its_name_has_it_on_the_other_side_of_its_edge():
    mask = Mask(Bounds(max=-104.0), Bounds(max=-100.0))
    curves = [spectrum("left", 1, line_db=-118.0)]
    figure = _of(curves, "multitone", mask, "spectrum")[0]
    paper = draw_figure(figure, DOTS_AN_INCH * WIDTH_INCHES)
    word = next(item for item in paper.items if isinstance(item, Words) and item.text == "marginal above")
    edges = [
        next(item for item in paper.items if isinstance(item, Path) and item.name == f"limit-{zone}-max")
        for zone in ("pass", "fail")
    ]
    low, high = (edge.lines[0][0, 1] for edge in edges)
    assert high - low < 1.25 * word.size
    assert word.y + word.size < low


def test_ink_under_words_is_found():
    """The proof that the pixels tell: where the peak of a curve is, there is ink."""
    _, ink = _drawn(_spectrum_figure(-118.0))
    rows, columns = np.nonzero(ink)
    assert _covered((columns[0] - 3, rows[0] - 3, columns[0] + 3, rows[0] + 3), ink) > 0


def test_words_keep_off_a_curve_that_rises_within_a_column():
    labels = Labels(0.0, 0.0, 100.0, 100.0)
    labels.avoid(np.array([0.0, 50.0, 50.2, 100.0]), np.array([10.0, 10.0, 90.0, 90.0]))
    assert labels.free(45.0, 40.0, "word", 7.0) is None
    assert labels.free(52.0, 40.0, "word", 7.0) is not None
    assert labels.free(10.0, 40.0, "word", 7.0) is not None
    assert labels.free(10.0, 5.0, "word", 7.0) is None


def test_where_nothing_near_is_free_the_nearest_free_place_is_taken():
    labels = Labels(0.0, 0.0, 300.0, 180.0)
    labels.take((0.0, 15.0, 300.0, 180.0))
    box = labels.near((150.0, 170.0), "word", 7.0)
    assert box is not None
    assert box[3] <= 15.0
    labels.take((0.0, 0.0, 300.0, 15.0))
    assert labels.near((150.0, 170.0), "word", 7.0) is None
