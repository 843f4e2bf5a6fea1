"""A part of a figure: of the curves' own points, thinned within it, on the scale that is asked for."""

import numpy as np
import pytest
from drawn_figures import SPECTRUM_MASK, check_of, drawn_points, spectrum, view_of
from hypothesis import given
from hypothesis import strategies as st

from linecheck.checks.base import Curve
from linecheck.errors import UsageError
from linecheck.report.figures.curves import figures_of_check
from linecheck.report.figures.data import Axis, Figure, LimitLine, Series
from linecheck.report.figures.drawing.canvas import x_ticks
from linecheck.report.figures.drawing.draw import svg
from linecheck.report.figures.drawing.frame import frame_of
from linecheck.report.figures.table import drawn_series
from linecheck.report.figures.zoom import Zoom, zoomed


def _figure(points=20_000):
    check = check_of([spectrum("left", points=points), spectrum("right", 2, points)], SPECTRUM_MASK)
    (figure,) = figures_of_check(view_of(check, masks={"spectrum": SPECTRUM_MASK}), check)
    return figure


def test_nothing_asked_for_changes_nothing():
    figure = _figure(1000)
    assert zoomed(figure, Zoom()) is figure


@given(st.floats(20.0, 19_000.0), st.floats(1.01, 100.0))
def test_every_point_in_the_range_is_there_before_any_is_thinned(low, ratio):
    figure = _figure()
    part = zoomed(figure, Zoom(low, low * ratio))
    for whole, cut in zip(figure.series, part.series, strict=True):
        inside = (whole.x >= low) & (whole.x <= low * ratio)
        assert np.array_equal(cut.x, whole.x[inside])
        assert np.array_equal(cut.y, whole.y[inside])


def test_a_narrow_range_is_drawn_with_all_of_its_points():
    figure = _figure()
    in_whole = [np.count_nonzero((drawn.x >= 1990.0) & (drawn.x <= 2010.0)) for drawn in drawn_series(figure)]
    part = drawn_series(zoomed(figure, Zoom(1990.0, 2010.0)))
    own = [np.count_nonzero((series.x >= 1990.0) & (series.x <= 2010.0)) for series in figure.series]
    assert [len(drawn.x) for drawn in part] == own
    assert max(in_whole) < min(own)


def test_the_y_axis_fits_what_is_inside():
    figure = _figure()
    # Without its mask: noise alone, 4 dB of spread, is what the axis is for.
    quiet = zoomed(Figure(**{**vars(figure), "limits": (), "marks": ()}), Zoom(5000.0, 6000.0))
    frame = frame_of(quiet)
    y = np.concatenate([series.y for series in quiet.series])
    assert frame.y_low <= y.min()
    assert y.max() <= frame.y_high < -120.0
    assert frame_of(figure).y_high > -112.0


def test_masks_and_marks_outside_are_gone_and_masks_inside_are_where_they_were():
    figure = _figure()
    assert figure.marks
    part = zoomed(figure, Zoom(50.0, 150.0))
    assert not part.marks
    for limit in part.limits:
        assert (limit.x[0], limit.x[-1]) == (50.0, 150.0)
        at = {"pass": (-108.0, -112.0), "fail": (-102.0, -106.0)}[limit.zone]
        expected = at[0] + (at[1] - at[0]) * np.log(limit.x / 20.0) / np.log(10.0)
        assert limit.y == pytest.approx(expected, abs=1e-9)


def test_a_mask_that_ends_before_the_range_is_gone():
    x = np.arange(1.0, 100.0)
    limit = LimitLine("pass", "max", np.array([1.0, 10.0]), np.array([0.0, 0.0]))
    figure = Figure("f", "f", "f", Axis("place", "Hz"), Axis("y", "dB"), (Series("a", x, x),), (limit,))
    assert zoomed(figure, Zoom(20.0, 30.0)).limits == ()


@pytest.mark.parametrize("scale", ["linear", "logarithmic"])
def test_the_scale_is_the_one_that_is_asked_for(scale):
    part = zoomed(_figure(2000), Zoom(100.0, 10_000.0, scale))
    assert part.x.log == (scale == "logarithmic")
    drawn = drawn_points(svg(part, prefix="p"), part, "curve-0")
    own = drawn_series(part)[0]
    # A corner is told to a tenth of a point, of some 330 across.
    assert drawn[:, 0] == pytest.approx(own.x, rel=0.003, abs=6.0 if scale == "linear" else 0.0)


@pytest.mark.parametrize(
    ("zoom", "said"),
    [
        (Zoom(100.0, 100.0), "must ascend"),
        (Zoom(200.0, 100.0), "must ascend"),
        (Zoom(float("nan")), "no place on an axis"),
        (Zoom(None, float("inf")), "no place on an axis"),
        (Zoom(0.0, 100.0, "logarithmic"), "no place at 0 or below"),
        (Zoom(None, -5.0, "logarithmic"), "no place at 0 or below"),
    ],
)
def test_ranges_that_no_axis_has_are_refused(zoom, said):
    with pytest.raises(UsageError, match=said):
        zoom.check()


@pytest.mark.parametrize(
    ("zoom", "said"),
    [
        (
            Zoom(30_000.0, 40_000.0),
            "no curve has a point from 30 kHz to 40 kHz: its x axis goes from 20 Hz to 20 kHz",
        ),
        (Zoom(None, 10.0), "no curve has a point to 10 Hz"),
        (Zoom(-5.0, 100.0), "add --scale linear"),
    ],
)
def test_a_range_without_a_point_is_refused_with_how_far_the_curves_go(zoom, said):
    with pytest.raises(UsageError, match=said):
        zoomed(_figure(1000), zoom)


def test_levels_have_no_logarithmic_axis():
    curve = Curve("gain_error", "left", np.arange(-120.0, -59.0), "dBFS", np.zeros(61), "dB")
    check = check_of([curve], None, name="linearity", kind="linearity", log_x=False)
    (figure,) = figures_of_check(view_of(check), check)
    with pytest.raises(UsageError, match="a logarithmic axis has no place at 0 or below"):
        zoomed(figure, Zoom(scale="logarithmic"))


def test_what_is_drawn_is_said_in_words():
    assert zoomed(_figure(1000), Zoom(100.0, 2000.0)).alt.endswith("Drawn from 100 Hz to 2 kHz.")


@pytest.mark.parametrize(("low", "high"), [(900.0, 1100.0), (20.0, 30.0), (100.0, 250.0), (20.0, 20_000.0)])
def test_a_logarithmic_axis_has_numbers_however_narrow_the_part_is(low, high):
    part = zoomed(_figure(2000), Zoom(low, high))
    places = x_ticks(part, frame_of(part))
    assert 3 <= len(places) <= 12
    assert all(low / 1.1 <= place <= high * 1.1 for place in places)
