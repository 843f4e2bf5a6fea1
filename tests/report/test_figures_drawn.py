"""Figures as they are drawn: what stands in the SVG is what the data say, and nothing else gets in."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from xml.etree import ElementTree

import numpy as np
import pytest
from drawn_figures import (
    SPECTRUM_MASK,
    SVG,
    check_of,
    corners_of,
    distances,
    drawn_points,
    group,
    spectrum,
    view_of,
)
from PIL import Image, ImageDraw

from linecheck.checks.base import Reading
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import Verdict
from linecheck.report.figures.curves import figures_of_check
from linecheck.report.figures.data import Axis, Figure, Mark, Series
from linecheck.report.figures.drawing.canvas import _apart
from linecheck.report.figures.drawing.draw import png, svg
from linecheck.report.figures.drawing.frame import frame_of
from linecheck.report.figures.drawing.palette import FAILS, INK, LINES, MARGINAL, QUIET_INK, REFERENCE
from linecheck.report.figures.drawing.svg import _corners
from linecheck.report.figures.strips import strips_of_check
from linecheck.report.figures.table import MAX_ROWS, table_of

#: A tenth of a point on axes of some 380 by 180 points.
_ROUNDING = 0.05 / 178 * 1.05
_LARGEST_BYTES = 40_000


def _figure(points=1626, channels=("left", "right")):
    curves = [spectrum(name, seed, points) for seed, name in enumerate(channels)]
    check = check_of(curves, SPECTRUM_MASK)
    return figures_of_check(view_of(check, masks={"spectrum": SPECTRUM_MASK}), check)[0]


def test_every_row_of_the_table_lies_on_a_corner_of_the_line_that_is_drawn():
    figure = _figure()
    text, table = svg(figure), table_of(figure)
    frame = frame_of(figure)
    for number in range(2):
        drawn = drawn_points(text, figure, f"curve-{number}")
        rows = [(row[0], row[1 + number]) for row in table.rows if row[1 + number] is not None]
        seen = np.array([row for row in rows if frame.y_low <= row[1] <= frame.y_high])
        assert len(seen) > MAX_ROWS / 2
        assert np.max(distances(seen, figure, drawn)) < _ROUNDING


@pytest.mark.parametrize("closed", [False, True])
@pytest.mark.parametrize("seed", range(20))
def test_steps_from_corner_to_corner_lead_to_the_very_corners(seed, closed):
    draw = np.random.default_rng(seed)
    lines = [
        draw.uniform(-5.0, 480.0, (length, 2)) * draw.choice([1.0, 1e-3, 1e3], (length, 1))
        for length in (1, 5, 34)
    ]
    places = np.concatenate(lines) * [1.0, -1.0] + [0.0, 236.0]
    path = _corners(lines, 236.0, closed=closed)
    assert np.allclose(corners_of(path), places, atol=0.05 + 1e-9)
    assert [path.upper().count(letter) for letter in "MZ"] == [3, 3 * closed]


def test_a_curve_takes_less_room_by_steps():
    points = np.column_stack([np.linspace(50.0, 400.0, 500), 100.0 + 30.0 * np.sin(np.arange(500.0))])
    path = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    assert len(_corners([points], 236.0, closed=False)) < 0.85 * len(path)


def test_names_at_ends_keep_apart_and_in_order():
    heights = _apart([100.0, 99.0, 98.0, 20.0], 10.0, 102.0, 12.0)
    assert heights[0] > heights[1] > heights[2] > heights[3]
    assert min(np.diff(sorted(heights))) >= 12.0 - 1e-9
    assert 10.0 <= min(heights) <= max(heights) <= 102.0
    crowded = _apart([12.0, 11.0, 10.0], 10.0, 102.0, 12.0)
    assert crowded == pytest.approx([34.0, 22.0, 10.0])


def test_masks_are_drawn_where_they_are():
    figure = _figure()
    text = svg(figure)
    for line, ending in zip(figure.limits, ("limit-pass-max", "limit-fail-max"), strict=True):
        drawn = drawn_points(text, figure, ending)
        corners = np.column_stack([line.x, line.y])
        assert np.max(distances(corners, figure, drawn)) < _ROUNDING
        assert np.max(distances(drawn, figure, corners)) < _ROUNDING


def test_a_dip_out_of_the_axes_leaves_what_lies_inside_as_it_is():
    curve = spectrum("left")
    y = curve.y.copy()
    y[800:803] = -300.0
    series = Series("left", curve.x, y)
    figure = Figure("f", "f", "f", Axis("frequency", "Hz", True), Axis("level", "dB"), (series,))
    frame = frame_of(figure)
    drawn = drawn_points(svg(figure), figure, "curve-0")
    rows = np.array([row for row in table_of(figure).rows if row[1] is not None and row[1] >= frame.y_low])
    assert np.max(distances(rows, figure, drawn)) < _ROUNDING


def test_the_worst_point_is_marked_with_shape_and_words():
    figure = _figure()
    text = svg(figure)
    root = ElementTree.fromstring(text)
    words = [element.text for element in root.iter(f"{SVG}text")]
    assert len(figure.marks) == 2
    for number, mark in enumerate(figure.marks):
        assert (mark.text in words) == (number == 0)  # one place, one text
        use = next(group(text, f"mark-{number}").iter(f"{SVG}use"))
        frame = frame_of(figure)
        share = np.log(mark.x / frame.x_low) / np.log(frame.x_high / frame.x_low)
        box = re.search(r'<path d="M([\d.]+) [\d.]+L([\d.]+) [\d.]+L[\d.]+ 22', text)
        left, right = float(box[1]), float(box[2])
        assert float(use.get("x")) == pytest.approx(left + share * (right - left), abs=0.06)
    assert {"fails above", "marginal above"} <= set(words)


@pytest.mark.parametrize(("y", "end", "words"), [(-300.0, 0, "below"), (50.0, 1, "above")])
def test_a_mark_beyond_the_axes_stands_at_their_end_and_says_so(y, end, words):
    series = Series("left", np.array([20.0, 20000.0]), np.array([0.0, 0.0]))
    axes = Axis("frequency", "Hz", True), Axis("level", "dB", low=-1.0, high=1.0)
    figure = Figure("f", "f", "f", *axes, (series,), (), (Mark(1000.0, y, "worst", Verdict.FAIL),))
    text = svg(figure)
    assert f"worst ({words} what is drawn)" in text
    use = next(group(text, "mark-0").iter(f"{SVG}use"))
    bottom, top = (float(value) for value in re.findall(r"L[\d.]+ ([\d.]+)L[\d.]+ ([\d.]+)L", text)[1])
    assert float(use.get("y")) == pytest.approx((bottom, top)[end], abs=0.06)


def test_it_is_one_element_that_refers_to_nothing_outside_and_is_named():
    figure = _figure()
    text = svg(figure, prefix="tone-1")
    assert text.startswith("<svg ")
    root = ElementTree.fromstring(text)
    assert root.get("role") == "img"
    title, description = (root.find(f"{SVG}title"), root.find(f"{SVG}desc"))
    assert root.get("aria-labelledby") == f"{title.get('id')} {description.get('id')}"
    assert (title.text, description.text) == (figure.title, figure.alt)
    assert set(re.findall(r"https?://[^\"]+", text)) == {"http://www.w3.org/2000/svg"}
    assert "<style" not in text
    assert "<script" not in text
    assert "<image" not in text


def test_ids_are_its_own_and_every_reference_is_met():
    texts = [svg(_figure(), prefix="one"), svg(_figure(), prefix="two")]
    every = [set(re.findall(r'\bid="([^"]+)"', text)) for text in texts]
    assert not every[0] & every[1]
    for ids, text, prefix in zip(every, texts, ("one-", "two-"), strict=True):
        assert all(entry.startswith(prefix) for entry in ids)
        assert len(ids) == len(re.findall(r'\bid="', text))
        referred = set(re.findall(r'href="#([^"]+)"', text)) | set(re.findall(r"url\(#([^)]+)\)", text))
        assert referred
        assert referred <= ids


def test_the_same_figure_gives_the_same_bytes_whatever_is_set():
    import matplotlib as mpl

    figure, strips = _figure(), _strips()
    before = svg(figure), png(figure, 600, 90), svg(strips)
    with mpl.rc_context({"font.size": 20, "svg.fonttype": "path", "lines.linewidth": 9, "axes.grid": False}):
        kept = dict(mpl.rcParams)
        assert (svg(figure), png(figure, 600, 90), svg(strips)) == before
        assert dict(mpl.rcParams) == kept


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    "name", ["<script>&\"'", "$\\frac{1}$", "]]>", "左", "a\x00b\x1b[31m", "x" * 500, "‮abc"]
)
def test_any_name_is_text(name):
    series = Series(name, np.array([20.0, 200.0]), np.array([0.0, -3.0]))
    figure = Figure(
        "f",
        name,
        name,
        Axis(name, name, True),
        Axis(name, "dB"),
        (series,),
        (),
        (Mark(20.0, 0.0, name),),
        caption=name,
    )
    text = svg(figure, prefix=name)
    root = ElementTree.fromstring(text)
    assert not [element.tag for element in root.iter() if "script" in element.tag]
    shown = [element.text for element in root.iter(f"{SVG}text")]
    if name == "<script>&\"'":
        assert name in shown
        assert root.find(f"{SVG}title").text == name
    if name.startswith("$"):
        assert name in shown
    png(figure, 400, 60)


@pytest.mark.parametrize(
    ("points", "channels"),
    [(800, "a"), (30_000, "a"), (2, "ab"), (30_000, "ab"), (800, "abcdefgh"), (30_000, "abcdefgh")],
)
def test_a_figure_is_small(points, channels):
    assert len(svg(_figure(points, channels)).encode()) <= _LARGEST_BYTES


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    ("x", "y"),
    [
        ([], []),
        ([20.0], [1.0]),
        ([np.nan, 3.0], [1.0, np.nan]),
        ([-5.0, 0.0], [1.0, 2.0]),
        ([20.0, 2e4], [1e300, -1e300]),
        ([20.0, 2e4], [5.0, 5.0]),
        ([1e-9, 1e12], [0.0, 1.0]),
        ([1000.0, 1000.0], [0.0, 1.0]),
    ],
)
@pytest.mark.parametrize(
    ("log", "style"), [(True, "line"), (False, "line"), (True, "points"), (False, "stems")]
)
def test_odd_curves_are_drawn(x, y, log, style):
    series = Series("left", np.array(x), np.array(y), style)
    figure = Figure("f", "f", "f", Axis("x", "Hz", log), Axis("y", "dB"), (series,))
    assert ElementTree.fromstring(svg(figure)).tag == f"{SVG}svg"
    assert table_of(figure).headings == ("x, Hz", "left, dB")


def test_a_png_is_as_wide_as_was_asked():
    for width_px, dpi in ((1340, 200.0), (701, 96.0)):
        image = Image.open(io.BytesIO(png(_figure(), width_px, dpi)))
        assert abs(image.width - width_px) <= 1
        assert np.array(image.convert("L")).std() > 1.0
    with pytest.raises(ValueError, match="expected 200 to"):
        png(_figure(), 100_000)


def _contrast(first: str, second: str) -> float:
    """Return the contrast of two colours (WCAG 2.2, definition of contrast ratio and relative luminance)."""
    luminances = []
    for colour in (first, second):
        parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        luminances.append(0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2])
    return (max(luminances) + 0.05) / (min(luminances) + 0.05)


def test_lines_and_words_stand_out_from_their_ground_and_differ_without_colour():
    assert _contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    for colour in [INK, QUIET_INK, REFERENCE[0], *(line[0] for line in LINES), MARGINAL[1], FAILS[1]]:
        assert _contrast(colour, "#FFFFFF") >= 4.5
    for ground in (MARGINAL[0], FAILS[0]):
        assert all(_contrast(colour, ground) >= 3.0 for colour, _ in LINES)
    assert _contrast(MARGINAL[1], MARGINAL[0]) >= 4.5
    assert _contrast(FAILS[1], FAILS[0]) >= 4.5
    assert len({str(dash) for _, dash in (*LINES, REFERENCE)}) == len(LINES) + 1


def _strips(channel="left"):
    mask = Mask(Bounds(min=112.0), Bounds(min=108.0))
    readings = [
        (Reading("sinad", channel, value, "dB", 0.03), mask) for value in (112.8, 110.0, 100.0, None, -1e300)
    ]
    check = check_of([], readings=readings)
    return strips_of_check(view_of(check, masks={"sinad": mask}), check)


@pytest.mark.filterwarnings("error")
def test_strips_say_value_and_verdict_in_words():
    strips = _strips()
    assert [strip.judged.verdict for strip in strips] == [
        Verdict.PASS,
        Verdict.MARGINAL,
        Verdict.FAIL,
        Verdict.INVALID,
        Verdict.FAIL,
    ]
    root = ElementTree.fromstring(svg(strips))
    words = [element.text for element in root.iter(f"{SVG}text")]
    assert {"112.80 dB, pass", "110.00 dB, marginal", "100.00 dB, fail", "invalid", "not measured"} <= set(
        words
    )
    assert {"108", "112"} <= set(words)
    assert "112.80 dB, pass. Passes from 112 dB up; fails below 108 dB." in root.find(f"{SVG}desc").text
    assert Image.open(io.BytesIO(png(strips))).width == 1340


@pytest.mark.filterwarnings("error")
def test_a_strip_shows_any_channel_as_text():
    assert "&lt;script&gt;&amp;" in svg(_strips("<script>&"))
    assert ElementTree.fromstring(svg([])).tag == f"{SVG}svg"


def test_drawing_a_page_loads_no_plotting_library():
    """A page's figures are written as they are: a library for that takes longer to load than all of them to draw."""
    script = (
        "import sys; import linecheck.report.render, linecheck.report.figures.drawing.draw as draw;"
        "from linecheck.report.figures.data import Axis, Figure, Series; import numpy as np;"
        "series = Series('left', np.array([20.0, 200.0]), np.array([0.0, -3.0]));"
        "print(len(draw.svg(Figure('f', 'f', 'f', Axis('x', 'Hz', True), Axis('y', 'dB'), (series,)))));"
        "sys.exit('matplotlib' in sys.modules)"
    )
    made = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert int(made.stdout) > 1000


@pytest.mark.parametrize("verdict", [None, *Verdict])
def test_a_bitmap_shows_the_same_shape_as_a_page(verdict):
    series = Series("left", np.array([0.0, 1.0]), np.array([5.0, 5.0]))
    axes = Axis("x", "Hz", low=0.0, high=1.0), Axis("y", "dB", low=-1.0, high=9.0)
    figure = Figure("f", "f", "f", *axes, (series,), (), (Mark(0.5, 2.0, "", verdict),))
    text = svg(figure)
    drawn = group(text, "mark-0")
    corners = corners_of(next(drawn.iter(f"{SVG}path")).get("d"))
    use = next(drawn.iter(f"{SVG}use"))
    middle = np.array([float(use.get("x")), float(use.get("y"))])
    scale = 8.0
    image = Image.open(io.BytesIO(png(figure, round(482.4 * scale), 72 * scale))).convert("L")
    left, top = (scale * (middle - 6.0)).round().astype(int).tolist()
    ink = np.array(image)[top : top + 96, left : left + 96] < 128
    shape = Image.new("1", (96, 96))
    ImageDraw.Draw(shape).polygon([(x, y) for x, y in (scale * (6.0 + corners)).tolist()], fill=1)
    expected = np.array(shape)
    if verdict is Verdict.PASS:
        # White within its edge.
        ring = np.hypot(*np.indices((96, 96)) - 48)
        expected = (ring > 3.0 * scale - 0.5 * scale) & (ring < 3.0 * scale + 0.5 * scale)
    assert np.sum(ink & expected) > 0.9 * np.sum(expected)
    assert np.sum(ink & ~expected) < 0.35 * np.sum(ink)  # its edge is half a point wide
