"""Figures and strips drawn: as SVG that stands in a page, and as PNG.

=====================  ===============================================================
:func:`svg`            a figure as an ``<svg>`` element, the same bytes every time
:func:`png`            a figure as PNG
:func:`strips_svg`     judged values between their limits, one below the other
:func:`strips_png`     the same as PNG
=====================  ===============================================================

An ``<svg>`` refers to nothing outside itself, and its ids begin with a prefix of its own, so that many share a page.
The line of curve number n is the path in the group ``PREFIX-curve-n``: a corner at every point that the table lists.
"""

from __future__ import annotations

import hashlib
import io
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from linecheck.report.figures.data import Figure, Strip
from linecheck.report.figures.drawing.canvas import draw_figure
from linecheck.report.figures.drawing.palette import INK, QUIET_INK
from linecheck.report.figures.drawing.strip_canvas import draw_strips, strips_alt
from linecheck.report.figures.drawing.svg_text import finished_svg
from linecheck.report.figures.words import file_name

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Canvas

__all__ = ["png", "strips_png", "strips_svg", "svg"]

#: A figure's width where nothing else is asked for, inches: what A4 has between its margins.
WIDTH_INCHES = 6.7
_MAX_PIXELS, _MAX_DPI = 8000, 1200
_RC = {
    "svg.fonttype": "none",
    "path.simplify": False,
    "text.parse_math": False,
    "text.usetex": False,
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "axes.unicode_minus": True,
    "axes.edgecolor": QUIET_INK,
    "axes.linewidth": 0.6,
    "hatch.linewidth": 0.5,
    "xtick.color": QUIET_INK,
    "ytick.color": QUIET_INK,
    "text.color": INK,
    "axes.labelcolor": INK,
    "figure.facecolor": "white",
    "axes.facecolor": "white",
    "savefig.facecolor": "white",
}


def svg(figure: Figure, *, prefix: str | None = None, titled: bool = True) -> str:
    """Return a figure as an ``<svg>`` element.

    Parameters
    ----------
    figure : Figure
    prefix : str, optional
        What its ids begin with: give one for each figure of a page. By default its title and name.
    titled : bool
        Whether its title is drawn; it is there for screen readers in any case.
    """
    prefix = file_name(prefix if prefix is not None else _own_prefix(figure))[:80]
    with _style(prefix):
        return _as_svg(draw_figure(figure, WIDTH_INCHES, titled=titled), prefix, figure.title, figure.alt)


def png(figure: Figure, width_px: int = 1340, dpi: float = 200.0, *, titled: bool = True) -> bytes:
    """Return a figure as PNG, so many pixels wide; ``dpi`` says how large its text is among them."""
    with _style("png"):
        return _as_png(draw_figure(figure, _inches(width_px, dpi), titled=titled), dpi)


def strips_svg(strips: Sequence[Strip], *, prefix: str = "strips", named: bool = True) -> str:
    """Return strips as one ``<svg>`` element; ``named`` whether each says its check."""
    prefix = file_name(prefix)[:80]
    with _style(prefix):
        canvas = draw_strips(strips, WIDTH_INCHES, named=named)
        return _as_svg(canvas, prefix, "values between their limits", strips_alt(strips))


def strips_png(
    strips: Sequence[Strip], width_px: int = 1340, dpi: float = 200.0, *, named: bool = True
) -> bytes:
    """Return strips as PNG."""
    with _style("png"):
        return _as_png(draw_strips(strips, _inches(width_px, dpi), named=named), dpi)


def _own_prefix(figure: Figure) -> str:
    """Return a prefix that hardly another figure has."""
    digest = hashlib.sha256(figure.title.encode("utf-8", "backslashreplace")).hexdigest()
    return f"{figure.name[:40]}-{digest[:8]}"


def _inches(width_px: int, dpi: float) -> float:
    if not (200 <= width_px <= _MAX_PIXELS and 50.0 <= dpi <= _MAX_DPI):
        raise ValueError(
            f"{width_px} px at {dpi:g} dpi: expected 200 to {_MAX_PIXELS} px, 50 to {_MAX_DPI} dpi"
        )
    return max(width_px / dpi, 1.0)


@contextmanager
def _style(salt: str) -> Iterator[None]:
    """Set matplotlib to what figures need, for as long as one is drawn."""
    import matplotlib as mpl

    with mpl.rc_context(), warnings.catch_warnings():
        # A letter that the font lacks is a box in a PNG, and itself in an SVG.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        mpl.rcdefaults()
        settings: Any = mpl.rcParams
        settings.update(_RC | {"svg.hashsalt": salt})
        yield


def _as_svg(canvas: Canvas, prefix: str, title: str, alt: str) -> str:
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    stream = io.StringIO()
    nothing = dict.fromkeys(("Creator", "Date", "Format", "Type"))
    drawing: Any = FigureCanvasSVG(canvas)
    drawing.print_svg(stream, metadata=nothing)
    return finished_svg(stream.getvalue(), prefix, title, alt)


def _as_png(canvas: Canvas, dpi: float) -> bytes:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    stream = io.BytesIO()
    canvas.set_dpi(dpi)
    drawing: Any = FigureCanvasAgg(canvas)
    drawing.print_png(stream, metadata={"Software": None})
    return stream.getvalue()
