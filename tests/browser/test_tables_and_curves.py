"""Figures as the browser draws them say the same as the tables behind them."""

import numpy as np
import pytest

from browser.drawn import figures, number
from browser.opened import WIDTHS, boxes, overlapping
from browser.pages import FULL

#: Corners of lines are written to a hundredth of a point; tables to a few digits.
WITHIN_PIXELS = 1.0


def distance(points, lines):
    """Return how far each point is from the nearest of these lines (or single points), in pixels."""
    least = np.full(len(points), np.inf)
    for line in lines:
        start, end = (line[:-1], line[1:]) if len(line) > 1 else (line, line)
        along = end - start
        length = np.maximum(np.sum(along**2, axis=1), 1e-12)
        share = np.clip(np.einsum("psk,sk->ps", points[:, None] - start, along) / length, 0.0, 1.0)
        nearest = start + share[..., None] * along
        gaps = np.linalg.norm(points[:, None] - nearest, axis=2)
        least = np.minimum(least, np.min(gaps, axis=1))
    return least


@pytest.mark.parametrize("text", ["-118.00", "−118.00"])
def test_a_number_is_read(text):
    assert number(text) == -118.0
    assert (number("20k"), number("1,000.5"), number("2 k")) == (20e3, 1000.5, 2e3)
    assert np.isnan(number("–"))


def furthest(figure):
    """Return how far, at most, a number of a figure's table lies from its curve, in pixels."""
    assert max(figure.x.error_pixels, figure.y.error_pixels) < 0.5, figure.name
    apart = []
    for column, lines in enumerate(figure.series, start=1):
        x, y = figure.rows[:, 0], figure.rows[:, column]
        there = np.isfinite(x) & np.isfinite(y)
        points = np.column_stack([figure.x.pixels(x[there]), figure.y.pixels(y[there])])
        points = points[(points[:, 1] > figure.box[1]) & (points[:, 1] < figure.floor)]
        assert len(points), figure.name
        corners = np.concatenate(lines)[:, 0]
        assert np.min(points[:, 0]) < np.min(corners) + 0.2 * np.ptp(corners) + 2.0, figure.name
        assert np.max(points[:, 0]) > np.max(corners) - 0.2 * np.ptp(corners) - 2.0, figure.name
        apart.append(np.max(distance(points, lines)))
    return max(apart)


@pytest.mark.parametrize(
    ("name", "width"), [("figures", max(WIDTHS)), (FULL, min(WIDTHS)), ("comparison", max(WIDTHS))]
)
def test_every_figure_is_drawn_in_its_place_and_says_what_its_table_says(opened, name, width):
    page = opened(name, width=width)
    drawn = figures(page)
    assert (page.requests, page.console, page.errors) == ([page.path.as_uri()], [], [])
    assert page.points_elsewhere() == []
    assert overlapping(*boxes(page)) == []
    assert len(drawn) >= 4
    assert len({figure.name for figure in drawn}) == len(drawn)
    for figure in drawn:
        left, top, right, bottom = figure.box
        assert right - left > 250, figure.name
        assert bottom - top > 100, figure.name
        assert left >= figure.container[0] - 0.5, figure.name
        assert right <= figure.container[2] + 0.5, figure.name
        assert figure.series, figure.name
        for lines in figure.series:
            corners = np.concatenate(lines)
            assert np.all((corners[:, 0] > left) & (corners[:, 0] < right)), figure.name
        assert furthest(figure) < WITHIN_PIXELS, figure.name


def test_a_number_that_is_not_the_one_drawn_is_found(opened):
    page = opened("set")
    page.page.evaluate(
        "() => { document.querySelector('figure tbody tr:nth-child(20) td:nth-child(3)').textContent = '-140.5' }"
    )
    assert [furthest(figure) >= WITHIN_PIXELS for figure in figures(page)].count(True) == 1


_WIDER = """
() => [...document.querySelectorAll('.wide')].filter(e => e.querySelector('table') && e.scrollWidth > e.clientWidth + 1)
  .map(e => e.getAttribute('aria-label'))
"""


@pytest.mark.parametrize("name", [FULL, "among_others", "comparison", "five_filters", "hostile", "referred"])
def test_no_table_of_numbers_scrolls_sideways_on_a_telephone(opened, name):
    page = opened(name, width=min(WIDTHS))
    page.open_details(most_rows=3)
    assert page.page.evaluate(_WIDER) == []


def test_on_a_telephone_each_cell_of_a_wide_table_says_what_it_is(opened):
    page = opened("referred", width=min(WIDTHS))
    page.open_details(most_rows=3)
    told = page.page.evaluate(
        """
        () => [...document.querySelectorAll('.blocks')].map(table => [
          [...table.querySelectorAll('thead th')].map(e => e.textContent.trim()),
          [...table.querySelector('tbody tr').children].map(e => getComputedStyle(e, '::before').content)])
        """
    )
    assert len(told) > 5
    for headings, before in told:
        assert [text.split('"')[1].rstrip() for text in before] == headings
