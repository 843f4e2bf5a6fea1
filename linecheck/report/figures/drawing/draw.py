"""Figures and strips drawn: as SVG that stands in a page, as PNG and as PDF.

===============  ===============================================================
:func:`svg`      a figure, or strips, as an ``<svg>`` element, the same bytes every time
:func:`png`      the same as PNG
:func:`pdf`      the same as PDF, the same bytes every time
===============  ===============================================================

An ``<svg>`` refers to nothing outside itself, and its ids begin with a prefix of its own, so that many share a page.
The line of curve number n is the path in the group ``PREFIX-curve-n``: a corner at every point that the table lists.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np

from linecheck.files.text import visible
from linecheck.report.figures.data import Figure, Strip
from linecheck.report.figures.drawing.canvas import draw_figure
from linecheck.report.figures.drawing.paper import DOTS_AN_INCH, Paper, Path, Words
from linecheck.report.figures.drawing.strip_canvas import draw_strips, strips_alt
from linecheck.report.figures.drawing.svg import element
from linecheck.report.figures.words import file_name

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.figure import Figure as Canvas

Drawing = Figure | Sequence[Strip]

#: A figure's width where nothing else is asked for, inches: what A4 has between its margins.
WIDTH_INCHES = 6.7
_MAX_PIXELS, _MAX_DPI = 8000, 1200
_RC = {
    # TrueType: a text of the PDF can be searched and copied.
    "pdf.fonttype": 42,
    "path.simplify": False,
    "text.parse_math": False,
    "text.usetex": False,
    "font.family": "DejaVu Sans",
    "hatch.linewidth": 0.5,
}
_ANCHORS = {"start": "left", "middle": "center", "end": "right"}
_CAPS = {"butt": "butt", "round": "round", "square": "projecting"}


def svg(drawing: Drawing, *, prefix: str | None = None, titled: bool = True) -> str:
    """Return a figure, or strips one below the other, as an ``<svg>`` element.

    Parameters
    ----------
    drawing : Figure or sequence of Strip
    prefix : str, optional
        What its ids begin with: give one for each figure of a page. By default its title.
    titled : bool
        Whether a figure's title is drawn; it is there for screen readers in any case.
    """
    if isinstance(drawing, Figure):
        title, alt = drawing.title, drawing.alt
    else:
        title, alt = "values between their limits", strips_alt(drawing)
    prefix = file_name(title if prefix is None else prefix)[:80]
    return element(_paper(drawing, WIDTH_INCHES, titled), prefix, title, alt)


def png(drawing: Drawing, width_px: int = 1340, dpi: float = 200.0) -> bytes:
    """Return the same as PNG, so many pixels wide; ``dpi`` says how large its text is among them."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    stream = io.BytesIO()
    with style():
        made = painted(_paper(drawing, _inches(width_px, dpi), titled=True))
        made.set_dpi(dpi)
        canvas: Any = FigureCanvasAgg(made)
        canvas.print_png(stream, metadata={"Software": None})
    return stream.getvalue()


def pdf(drawing: Drawing) -> bytes:
    """Return the same as PDF, one page; it carries no date."""
    from matplotlib.backends.backend_pdf import FigureCanvasPdf

    stream = io.BytesIO()
    title = drawing.title if isinstance(drawing, Figure) else "values between their limits"
    metadata = {"Title": visible(title), "Creator": None, "Producer": None, "CreationDate": None}
    with style():
        canvas: Any = FigureCanvasPdf(painted(_paper(drawing, WIDTH_INCHES, titled=True)))
        canvas.print_pdf(stream, metadata=metadata)
    return stream.getvalue()


def _paper(drawing: Drawing, width_inches: float, titled: bool) -> Paper:
    width = DOTS_AN_INCH * width_inches
    return (
        draw_figure(drawing, width, titled=titled)
        if isinstance(drawing, Figure)
        else draw_strips(drawing, width)
    )


def _inches(width_px: int, dpi: float) -> float:
    if not (200 <= width_px <= _MAX_PIXELS and 50.0 <= dpi <= _MAX_DPI):
        raise ValueError(
            f"{width_px} px at {dpi:g} dpi: expected 200 to {_MAX_PIXELS} px, 50 to {_MAX_DPI} dpi"
        )
    return max(width_px / dpi, 1.0)


@contextmanager
def style() -> Iterator[None]:
    """Set matplotlib to what figures need, for as long as one is drawn."""
    import matplotlib as mpl

    with mpl.rc_context(), warnings.catch_warnings():
        # A letter that the font lacks is a box in a PNG, and itself in an SVG.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        mpl.rcdefaults()
        settings: Any = mpl.rcParams
        settings.update(_RC)
        yield


def painted(paper: Paper) -> Canvas:
    """Return what stands on a paper as matplotlib draws it, with :data:`DOTS_AN_INCH`."""
    from matplotlib.figure import Figure as Canvas
    from matplotlib.patches import Rectangle
    from matplotlib.transforms import Affine2D

    size = (paper.width / DOTS_AN_INCH, paper.height / DOTS_AN_INCH)
    canvas = Canvas(figsize=size, dpi=DOTS_AN_INCH)
    points: Any = Affine2D().scale(1.0 / DOTS_AN_INCH) + canvas.dpi_scale_trans
    for order, item in enumerate(paper.ordered()):
        artist = _patch(item) if isinstance(item, Path) else _text(item)
        artist.set(transform=points, zorder=order)
        canvas.add_artist(artist)
        if isinstance(item, Path) and item.clip is not None:
            left, bottom, right, top = item.clip
            artist.set_clip_path(Rectangle((left, bottom), right - left, top - bottom, transform=points))
    return canvas


def _patch(item: Path) -> Artist:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Lines

    lines = [line + np.asarray(item.at or (0.0, 0.0)) for line in item.lines]
    if item.fill:
        lines = [np.concatenate([line, line[:1]]) for line in lines]
    made = Lines.make_compound_path(*(Lines(line, closed=bool(item.fill)) for line in lines))
    stroke = item.stroke or "none"
    return PathPatch(
        made,
        facecolor=item.fill or "none",
        edgecolor=item.hatch or stroke,
        hatch="////" if item.hatch else None,
        linewidth=item.width if item.stroke else 0.0,
        linestyle=(0, item.dash) if item.dash else "solid",
        capstyle=_CAPS[item.cap],
        joinstyle="round",
        alpha=item.opacity,
        gid=item.name or None,
        # Dots have hardly a length.
        snap=None if item.cap != "round" else False,
    )


def _text(item: Words) -> Artist:
    from matplotlib.text import Text

    return Text(
        item.x,
        item.y,
        item.text,
        fontsize=item.size,
        color=item.colour,
        weight="bold" if item.bold else "normal",
        ha=_ANCHORS[item.anchor],
        va="baseline",
        rotation=90.0 if item.turned else 0.0,
        rotation_mode="anchor",
    )
