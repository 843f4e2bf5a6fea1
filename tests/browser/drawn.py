"""What a figure shows, read from the pixels of the page: axes from their ticks, curves from their lines.

====================  ==================================================================
:class:`Drawn`        one figure: its axes, its curves in pixels, its table's numbers
:func:`figures`       all figures of an opened page
====================  ==================================================================
"""

import re
from dataclasses import dataclass

import numpy as np

_PREFIXES = {"k": 1e3, "M": 1e6, "m": 1e-3, "µ": 1e-6}
_NUMBER = re.compile(r"\s*([-+]?[\d,]+\.?\d*(?:e[-+]?\d+)?)\s?([kMmµ]?)(?![A-Za-z])")

# A tick is where its mark is; a curve is the corners of its line. Both are given in pixels of the window.
_READ = r"""
() => [...document.querySelectorAll('figure')].filter(f => f.querySelector('svg [id$="-curve-0"]')).map(figure => {
  const svg = figure.querySelector('svg');
  const box = e => { const r = e.getBoundingClientRect(); return [r.left, r.top, r.right, r.bottom]; };
  const scrolls = e => e !== figure && (getComputedStyle(e).overflowX === 'auto' || scrolls(e.parentElement));
  const place = use => new DOMPoint(+use.getAttribute('x'), +use.getAttribute('y')).matrixTransform(use.getScreenCTM());
  // Of moves and straight lines only (SVG 2, 9.3), from the paper or from the corner before.
  const corners = (path, matrix) => {
    const places = [];
    let here = [0, 0];
    for (const [, letter, numbers] of path.getAttribute('d').matchAll(/([MLml])([^MLmlzZ]*)/g)) {
      const values = numbers.match(/-?(?:\d+\.?\d*|\.\d+)/g).map(Number);
      for (let at = 0; at < values.length; at += 2) {
        const from = letter === letter.toUpperCase() ? [0, 0] : here;
        here = [from[0] + values[at], from[1] + values[at + 1]];
        places.push(here);
      }
    }
    return places.map(([x, y]) => new DOMPoint(x, y).matrixTransform(matrix)).map(at => [at.x, at.y]);
  };
  // A tick is where its line of the grid is; the numbers stand in the same order.
  const ticks = (name, anchor) => {
    const path = svg.querySelector(`g[id$="-grid-${name}"] path`), matrix = path.getScreenCTM();
    const texts = [...svg.querySelectorAll('text')].filter(
      e => e.style.fontSize === '7.5px' && e.style.textAnchor === anchor);
    return corners(path, matrix).filter((_, number) => number % 2 === 0).map(
      ([x, y], number) => [x, y, texts[number].textContent.trim()]);
  };
  const curve = group => [...group.querySelectorAll('path')].filter(p => !p.closest('defs')).map(
    path => corners(path, path.getScreenCTM()));
  const points = group => [...group.querySelectorAll('use')].map(place).map(at => [at.x, at.y]);
  const table = figure.querySelector('table');
  return {
    name: svg.querySelector('title').textContent,
    box: box(svg), figure: box(scrolls(svg) ? svg : figure),
    x: ticks('x', 'middle'), y: ticks('y', 'end'),
    series: [...svg.querySelectorAll('g[id*="-curve-"]')].map(g => ({lines: curve(g), points: points(g)})),
    headings: table ? [...table.querySelectorAll('thead th')].map(e => e.textContent.trim()) : [],
    rows: table ? [...table.querySelectorAll('tbody tr')].map(
      tr => [...tr.children].map(cell => cell.textContent.trim())) : [],
  };
})
"""


def number(text):
    """Return the number of a cell or tick: ``−118.00``, ``20k``, ``5 k``; NaN where there is none."""
    found = _NUMBER.match(text.replace("−", "-"))
    return float(found[1].replace(",", "")) * _PREFIXES.get(found[2], 1.0) if found else float("nan")


@dataclass(frozen=True)
class Axis:
    """Where numbers are along an axis: ``pixel = offset + slope * value``, of the value's logarithm if ``log``."""

    offset: float
    slope: float
    log: bool
    error_pixels: float

    def pixels(self, values):
        """Return where values are."""
        return self.offset + self.slope * (np.log10(values) if self.log else values)


@dataclass(frozen=True)
class Drawn:
    """A figure. Boxes are left, top, right, bottom; ``floor`` is where the x axis is, below which nothing is drawn.

    ``container`` is what the figure must not stick out of: itself, where a reader can scroll it.

    ``rows`` are the table's numbers, NaN for empty cells.
    """

    name: str
    box: tuple
    container: tuple
    x: Axis
    y: Axis
    floor: float
    series: tuple
    headings: tuple
    rows: np.ndarray


def figures(opened):
    """Return what every figure of a page shows."""
    opened.open_details()
    opened.page.evaluate("() => scrollTo(0, 0)")
    return [_drawn(found) for found in opened.page.evaluate(_READ)]


def _drawn(found):
    ticks = [[(at[way], number(at[2])) for at in found["xy"[way]]] for way in (0, 1)]
    series = tuple(
        [np.array(line) for line in [*entry["lines"], entry["points"]] if len(line)]
        for entry in found["series"]
    )
    rows = np.array([[number(cell) for cell in row] for row in found["rows"]], ndmin=2)
    boxes = tuple(found["box"]), tuple(found["figure"])
    return Drawn(
        found["name"], *boxes, *map(_axis, ticks), found["x"][0][1], series, tuple(found["headings"]), rows
    )


def _axis(ticks):
    """Return the axis that these ticks are on: a linear one, or a logarithmic one where that fits better."""
    places, values = np.array(ticks, dtype=float).T
    assert len(values) >= 2
    assert np.all(np.isfinite(values))
    fits = [_fit(places, values, log) for log in ((False, True) if np.all(values > 0) else (False,))]
    return min(fits, key=lambda fit: fit.error_pixels)


def _fit(places, values, log):
    along = np.log10(values) if log else values
    slope, offset = np.polyfit(along, places, 1)
    return Axis(offset, slope, log, float(np.max(np.abs(offset + slope * along - places))))
