"""Figures as data: curves, masks and marks of a run, and the table behind each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_figures import SPECTRUM_MASK, check_of, renamed, spectrum, view_of

from linecheck.checks.base import Curve, Problem, Reading
from linecheck.limits.masks import limit_at
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import Verdict
from linecheck.report.figures.curves import figures_of_check, lobe_energies
from linecheck.report.figures.data import Axis, Figure, LimitLine, Mark, Series
from linecheck.report.figures.drawing.canvas import draw_figure, x_ticks
from linecheck.report.figures.drawing.frame import frame_of
from linecheck.report.figures.drawing.paper import Words
from linecheck.report.figures.overlay import overlay_of
from linecheck.report.figures.strips import strips_of_check
from linecheck.report.figures.table import MAX_DRAWN, MAX_ROWS, drawn_series, shown, table_of


def _figure(mask=SPECTRUM_MASK, **changes):
    check = check_of([spectrum("left", 1, **changes), spectrum("right", 2, **changes)], mask)
    (figure,) = figures_of_check(view_of(check, masks={"spectrum": mask} if mask else {}), check)
    return figure, check


def test_all_channels_are_in_one_figure_with_their_own_numbers():
    figure, check = _figure()
    assert [series.label for series in figure.series] == ["left", "right"]
    for series, judged in zip(figure.series, check.judged.curves, strict=True):
        assert np.array_equal(series.x, judged.curve.x)
        assert np.array_equal(series.y, judged.curve.y)
    assert figure.y.unit == "dB"
    assert figure.x.unit == "Hz"
    assert "5 Hz bandwidth" in figure.y.label


def test_masks_are_where_the_limit_file_has_them():
    figure, _ = _figure()
    assert [(line.zone, line.side) for line in figure.limits] == [("pass", "max"), ("fail", "max")]
    for line, limit in zip(figure.limits, (SPECTRUM_MASK.pass_.max, SPECTRUM_MASK.fail.max), strict=True):
        assert np.allclose(line.y, limit_at(limit, line.x, True))
        assert {20.0, 200.0, 20000.0} <= set(line.x.round(9))


def test_a_flat_limit_without_a_fail_mask_goes_over_the_whole_curve_and_fails():
    figure, check = _figure(Mask(Bounds(max=-110.0, min=-300.0)))
    span = (check.judged.curves[0].curve.x[0], check.judged.curves[0].curve.x[-1])
    zones = {(line.zone, line.side): line for line in figure.limits}
    assert set(zones) == {("pass", "max"), ("pass", "min"), ("fail", "max"), ("fail", "min")}
    for line in zones.values():
        assert (line.x[0], line.x[-1]) == span
    assert set(zones["fail", "max"].y) == {-110.0}


def test_a_mask_with_a_one_sided_fail_mask_never_fails_on_the_other_side():
    figure, _ = _figure(Mask(Bounds(max=-110.0, min=-200.0), Bounds(max=-100.0)))
    assert ("fail", "min") not in {(line.zone, line.side) for line in figure.limits}


@pytest.mark.parametrize(("line_db", "verdict"), [(-118, "pass"), (-109, "marginal"), (-80, "fail")])
def test_the_worst_point_is_the_judged_one(line_db, verdict):
    figure, check = _figure(line_db=float(line_db))
    for mark, judged in zip(figure.marks, check.judged.curves, strict=True):
        assert (mark.x, mark.y, mark.verdict) == (judged.worst_x, judged.worst_y, Verdict(verdict))
        assert judged.verdict is mark.verdict
        side = "inside" if verdict == "pass" else "outside"
    # Both channels are worst at one place: they share the words of the first, with the least margin.
    words, none = (mark.text for mark in figure.marks)
    left, right = check.judged.curves
    values = [f"{curve.curve.channel} {curve.worst_y:.2f} dB".replace("-", "−") for curve in (left, right)]
    assert f": {', '.join(values)}, " in words
    assert f"{abs(min(left.margin, right.margin)):.2f} dB {side}" in words
    assert none == ""
    assert words in figure.alt


def test_channels_that_are_worst_at_one_place_tell_the_least_of_their_margins():
    check = check_of([spectrum("left", 1), spectrum("right", 2)], SPECTRUM_MASK)
    left, right = (
        replace(item, worst_x=1000.0, margin=margin)
        for item, margin in zip(check.judged.curves, (3.0, -7.0), strict=True)
    )
    check = replace(check, judged=replace(check.judged, curves=(left, right)))
    (figure,) = figures_of_check(view_of(check, masks={"spectrum": SPECTRUM_MASK}), check)
    assert figure.marks[0].text.endswith("7.00 dB outside")


def test_channels_that_are_worst_at_other_places_have_their_own_words():
    check = check_of([spectrum("left", 1), spectrum("right", 2)], SPECTRUM_MASK)
    left, right = check.judged.curves
    moved = replace(right, worst_x=float(right.worst_x) * 2.0)
    check = replace(check, judged=replace(check.judged, curves=(left, moved)))
    (figure,) = figures_of_check(view_of(check, masks={"spectrum": SPECTRUM_MASK}), check)
    assert [mark.text.split(": ")[1].split()[0] for mark in figure.marks] == ["left", "right"]


def test_drawn_points_are_the_curves_own_and_few_and_no_line_is_lost():
    x = np.geomspace(20.0, 20000.0, 50_000)
    y = np.full(x.size, -150.0)
    lines = np.array([5, 12_345, 30_001, 49_990])
    y[lines] = -100.0
    figure = Figure(
        "f", "f", "f", Axis("frequency", "Hz", True), Axis("level", "dB"), (Series("left", x, y),)
    )
    (drawn,) = drawn_series(figure)
    assert len(drawn.x) <= MAX_DRAWN
    assert set(x[lines]) <= set(drawn.x)
    place = np.searchsorted(x, drawn.x)
    assert np.array_equal(x[place], drawn.x)
    assert np.array_equal(y[place], drawn.y)
    assert (drawn.x[0], drawn.x[-1]) == (x[0], x[-1])


@pytest.mark.parametrize(("hold", "kept"), [("max", {-100.0}), ("min", {-200.0}), ("both", {-100.0, -200.0})])
def test_the_table_keeps_the_points_that_matter(hold, kept):
    x = np.geomspace(20.0, 20000.0, 50_000)
    y = np.full(x.size, -150.0)
    y[[5, 30_001]], y[[12_345, 49_990]] = -100.0, -200.0
    series = (Series("left", x, y),)
    figure = Figure("f", "f", "f", Axis("frequency", "Hz", True), Axis("y", "dB"), series, hold=hold)
    cells = [row[1] for row in table_of(figure).rows]
    assert {value for value in cells if value != -150.0} == kept
    assert all(cells.count(value) == 2 for value in kept)


@pytest.mark.parametrize("hold", ["max", "min", "both"])
def test_every_row_of_the_table_is_a_point_that_is_drawn(hold):
    figure, _ = _figure(points=20_000)
    figure = Figure(**{**vars(figure), "hold": hold})
    table = table_of(figure)
    assert MAX_ROWS / 2 < len(table.rows) <= 2 * MAX_ROWS + len(figure.marks)
    for number, series in enumerate(drawn_series(figure), start=1):
        points = dict(zip(series.x, series.y, strict=True))
        cells = [(row[0], row[number]) for row in table.rows if row[number] is not None]
        assert len(cells) > MAX_ROWS / 2
        assert all(points[x] == y for x, y in cells)
    assert {mark.x for mark in figure.marks} <= {row[0] for row in table.rows}


def test_the_table_has_the_masks_beside_the_values():
    figure, _ = _figure()
    table = table_of(figure)
    assert table.headings == ("frequency, Hz", "left, dB", "right, dB", "passes up to, dB", "fails above, dB")
    x = np.array([row[0] for row in table.rows])
    passes = np.array([np.nan if row[3] is None else row[3] for row in table.rows])
    expected = limit_at(SPECTRUM_MASK.pass_.max, x, True)
    assert np.allclose(passes, expected, equal_nan=True)


def test_data_and_masks_are_seen_and_a_deep_dip_flattens_nothing():
    curve = spectrum("left")
    y = curve.y.copy()
    y[[10, 700]] = -300.0
    check = check_of([renamed(curve, y=y)], SPECTRUM_MASK)
    (figure,) = figures_of_check(view_of(check, masks={"spectrum": SPECTRUM_MASK}), check)
    frame = frame_of(figure)
    assert frame.y_high > -102.0
    assert -200.0 < frame.y_low < -160.0


def test_a_notch_in_a_response_does_not_hide_its_stop_band():
    x = np.geomspace(25.0, 87000.0, 900)
    y = np.where(x < 20500.0, 0.0, -120.0)
    y[890] = -900.0
    series = Series("left", x, y)
    figure = Figure("f", "f", "f", Axis("x", "Hz", True), Axis("y", "dB"), (series,), hold="both")
    assert -250.0 < frame_of(figure).y_low < -120.0


@pytest.mark.parametrize("value", [1e300, -1e300, 1e-300])
def test_huge_and_tiny_values_have_a_frame(value):
    series = Series("left", np.array([20.0, 2000.0]), np.array([0.0, value]))
    frame = frame_of(Figure("f", "f", "f", Axis("x", "Hz", True), Axis("y", "dB"), (series,)))
    assert np.isfinite([frame.y_low, frame.y_high]).all()
    assert frame.y_low < frame.y_high


def test_what_has_no_place_on_the_axis_is_left_out():
    x = np.array([-1.0, 0.0, 20.0, np.nan, 200.0, 300.0])
    y = np.array([0.0, 1.0, 2.0, 3.0, np.inf, 5.0])
    figure = Figure("f", "f", "f", Axis("x", "Hz", True), Axis("y", "dB"), (Series("left", x, y),))
    assert list(shown(figure, figure.series[0]).x) == [20.0, 300.0]
    assert [row[:2] for row in table_of(figure).rows] == [(20.0, 2.0), (300.0, 5.0)]


def test_an_empty_curve_gives_no_figure_and_an_empty_figure_an_empty_table():
    empty = renamed(spectrum("left"), x=np.zeros(0), y=np.zeros(0), uncertainty=np.zeros(0))
    check = check_of([empty], SPECTRUM_MASK)
    assert figures_of_check(view_of(check), check) == ()
    series = Series("left", np.array([1.0]), np.array([np.nan]))
    assert table_of(Figure("f", "f", "f", Axis("x", "Hz"), Axis("y", "dB"), (series,))).rows == ()


def test_a_logarithmic_axis_has_numbers_as_the_trade_writes_them():
    figure, _ = _figure()
    shown = [place for place in x_ticks(figure, frame_of(figure)) if 19.0 < place < 21_000.0]
    assert shown == [step * 10.0**decade for decade in range(1, 5) for step in (1, 2, 5)][1:-1]
    items = draw_figure(replace(figure, tags=()), 480.0).items
    words = [item.text for item in items if isinstance(item, Words)]
    assert [word for word in words if word[:1].isdigit()] == [
        "20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k",
    ]  # fmt: skip
    # Of so many decades each has one number.
    many = replace(figure, x=replace(figure.x, low=1e-3, high=1e7))
    assert x_ticks(many, frame_of(many)) == [float(f"1e{decade}") for decade in range(-3, 8)]


def test_a_response_is_drawn_at_two_depths():
    x = np.geomspace(25.0, 87000.0, 900)
    y = np.where(x < 20500.0, -0.02, -120.0)
    check = check_of([Curve("response", "left", x, "Hz", y, "dB")], name="reconstruction@filter=slow",
                     kind="reconstruction")  # fmt: skip
    near, deep = figures_of_check(view_of(check), check)
    assert (near.name, deep.name) == ("response-pass-band", "response-full-depth")
    frame = frame_of(near)
    assert -0.1 < frame.y_low < -0.05 < 0.05 < frame.y_high < 0.1
    assert frame.x_high < 21000.0
    assert frame_of(deep).y_low < -120.0
    assert "reconstruction@filter=slow" in near.title


def test_an_impulse_response_says_its_energies():
    """Peak 1, a lobe of 0.5 before it and one of 0.25 after: energies of 0.25 and 0.0625 in 1.3125, by hand."""
    y = np.array([0.0, -0.5, 1.0, -0.25, 0.0])
    curve = Curve("impulse", "left", np.arange(-2.0, 3.0) / 2.0, "ms", y, "")
    before, after = lobe_energies(curve)
    assert before == pytest.approx(10 * np.log10(0.25 / 1.3125))
    assert after == pytest.approx(10 * np.log10(0.0625 / 1.3125))
    check = check_of([curve], kind="reconstruction", log_x=False)
    figure = figures_of_check(view_of(check), check)[0]
    assert "left −7.20 dB and −13.22 dB" in figure.caption


def test_sidebands_say_offset_nature_and_source_on_the_curve():
    x = np.linspace(10.0, 11000.0, 1500)
    y = np.full(x.size, -150.0)
    y[np.argmin(np.abs(x - 3000.0))] = -140.0
    curves = [Curve("sidebands", name, x, "Hz", y, "dB", 5.0) for name in ("left", "right")]
    pair = (
        "sidebands at ±3000.0 Hz, upper -142.5 dB, lower -144.2 dB: jitter of 1.95 ps peak; the offset is "
        "3 × 1 kHz: USB frames"
    )
    line = "a line at 50.0 Hz (1 × 50 Hz: the mains), 10975.0 Hz below the tone, -133.0 dB: added"
    problems = (
        *(Problem("sideband", pair, name, blocks=False) for name in ("left", "right")),
        Problem("sideband", line, "left", blocks=False),
        Problem("sideband", "words of another version", "left", blocks=False),
        Problem("no_sideband", pair, "left", blocks=False),
    )
    check = check_of(curves, kind="jitter", name="jitter", problems=problems)
    figure, _ = figures_of_check(view_of(check), check)
    texts = [mark.text for mark in figure.marks]
    assert texts == [
        "pair at ±3 kHz: jitter, 1.95 ps peak; USB frames, 3 × 1 kHz (left and right)",
        "lone line at −10.975 kHz: 50 Hz (mains, 1 × 50 Hz) (left)",
    ]
    assert figure.marks[0].y == -140.0
    assert abs(figure.marks[0].x - 3000.0) < 5.0


def test_a_sideband_that_the_curve_has_no_point_for_stands_where_its_note_has_it():
    """Two lines 50 Hz apart, of which a curve with fewer points has kept the stronger."""
    x = np.array([10.0, 1000.0, 10800.0, 10975.0])
    curve = Curve("sidebands", "left", x, "Hz", np.array([-150.0, -150.0, -150.0, -133.0]), "dB", 5.0)
    line = "a line at {} Hz (1 × 50 Hz: the mains), {} Hz below the tone, {} dB: added"
    problems = tuple(
        Problem("sideband", line.format(*numbers), "left", blocks=False)
        for numbers in (("50.0", "10975.2", "-133.1"), ("100.0", "10925.1", "-138.8"))
    )
    check = check_of([curve], kind="jitter", problems=problems)
    figure, _ = figures_of_check(view_of(check), check)
    assert [(mark.x, mark.y) for mark in figure.marks] == [(10975.0, -133.0), (10925.1, -138.8)]


def test_a_reference_unit_is_drawn_beside():
    check = check_of([spectrum("left")], SPECTRUM_MASK)
    other = check_of([spectrum("left", 7)], SPECTRUM_MASK)
    reference = view_of(other, serial="PR3-000777")
    (figure,) = figures_of_check(view_of(check), check, overlays=[overlay_of(reference)])
    assert [(series.label, series.is_reference) for series in figure.series] == [
        ("left", False),
        ("PR3-000777 left", True),
    ]
    assert np.array_equal(figure.series[1].y, other.judged.curves[0].curve.y)
    assert "PR3-000777" in figure.alt


def test_strips_show_value_limits_and_uncertainty():
    mask = Mask(Bounds(min=112.0), Bounds(min=108.0))
    reading = Reading("sinad", "left", 112.8, "dB", 0.03)
    lost = Reading("sinad", "right", None, "dB", None)
    bare = Reading("thd", "left", -115.0, "dB", 0.1)
    check = check_of([], readings=[(reading, mask), (lost, mask), (bare, None)])
    strips = strips_of_check(view_of(check, masks={"sinad": mask}), check)
    assert [(strip.reading.channel, strip.judged.verdict) for strip in strips] == [
        ("left", Verdict.PASS),
        ("right", Verdict.INVALID),
    ]
    first = strips[0]
    assert first.edges == (112.0, None, 108.0, None)
    assert first.low < 108.0 < 112.86 < first.high
    assert strips[1].reading.value is None
    assert strips[1].low < 108.0 < 112.0 < strips[1].high


def test_marks_and_limits_stay_on_their_axis_when_only_one_point_is_there():
    series = Series("left", np.array([1000.0]), np.array([-3.0]))
    limit = LimitLine("pass", "max", np.array([1000.0]), np.array([0.0]))
    mark = Mark(1000.0, -3.0, "worst", Verdict.PASS)
    figure = Figure("f", "f", "f", Axis("x", "Hz", True), Axis("y", "dB"), (series,), (limit,), (mark,))
    frame = frame_of(figure)
    assert frame.x_low < 1000.0 < frame.x_high
    assert frame.y_low < -3.0 < 0.0 < frame.y_high
    assert table_of(figure).rows == ((1000.0, -3.0, 0.0),)


def test_the_guarded_rule_is_said_below_the_limits_as_they_are_written():
    check = check_of([spectrum("left")], SPECTRUM_MASK)
    view = view_of(check, masks={"spectrum": SPECTRUM_MASK})
    guarded = replace(view, limits=replace(view.limits, decision="guarded"))
    (plain,), (figure,) = figures_of_check(view, check), figures_of_check(guarded, check)
    assert plain.caption == ""
    assert "twice its own uncertainty" in figure.caption
