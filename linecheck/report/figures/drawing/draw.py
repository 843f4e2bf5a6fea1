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
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from html import escape
from typing import TYPE_CHECKING, Any

from linecheck.files.text import visible
from linecheck.report.figures.data import Figure, Strip
from linecheck.report.figures.drawing.canvas import draw_figure
from linecheck.report.figures.drawing.palette import FONT, INK, QUIET_INK
from linecheck.report.figures.drawing.strip_canvas import draw_strips, strips_alt
from linecheck.report.figures.words import file_name

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Canvas

Drawing = Figure | Sequence[Strip]


#: A figure's width where nothing else is asked for, inches: what A4 has between its margins.
WIDTH_INCHES = 6.7
_MAX_PIXELS, _MAX_DPI = 8000, 1200
_RC = {
    "svg.fonttype": "none",
    # TrueType: a text of the PDF can be searched and copied.
    "pdf.fonttype": 42,
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


#: Groups that matplotlib names for itself; only these of ours, and what is referred to, keep an id.
_OURS = re.compile(r"(?:curve|grid|limit|mark)-")
_GROUP = re.compile(r'<g id="([^"]*)"')
_ID = re.compile(r'(<[^<>]*?\s)id="([^"]*)"')
_REFERENCE = re.compile(r'(?:xlink:)?href="#([^"]*)"')
_URL = re.compile(r"url\(#([^)\"]*)\)")
_PATH = re.compile(r' d="([^"]*)"')
_NUMBER = re.compile(r"-?\d+\.\d{2,}(?:e-?\d+)?")
_CORNER = re.compile(r"([ML])(-?[\d.]+) (-?[\d.]+)")
#: Of fewer corners a path is as short either way.
_MANY_CORNERS = 8
_SPACED = re.compile(r" ?([A-Za-z]) ?(?=-?\d|$)")
_COORDINATE = re.compile(r'( (?:x|y|width|height)=")(-?\d+\.\d{3,})"')
_TRANSFORM = re.compile(r' transform="([^"]*)"')
_LONE = re.compile(r"<g>\n(<(?:path|text)[^\n]*)\n</g>")
_STYLE = re.compile(r' style="[^"]*"')
_FONT = re.compile(r" ?font-family: [^;\"]*;")


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
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    if isinstance(drawing, Figure):
        title, alt = drawing.title, drawing.alt
    else:
        title, alt = "values between their limits", strips_alt(drawing)
    prefix = file_name(title if prefix is None else prefix)[:80]
    stream = io.StringIO()
    with style(prefix):
        canvas: Any = FigureCanvasSVG(_canvas(drawing, WIDTH_INCHES, titled))
        canvas.print_svg(stream, metadata=dict.fromkeys(("Creator", "Date", "Format", "Type")))
    return _finished(stream.getvalue(), prefix, title, alt)


def png(drawing: Drawing, width_px: int = 1340, dpi: float = 200.0) -> bytes:
    """Return the same as PNG, so many pixels wide; ``dpi`` says how large its text is among them."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    stream = io.BytesIO()
    with style("png"):
        made = _canvas(drawing, _inches(width_px, dpi), titled=True)
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
    with style("pdf"):
        canvas: Any = FigureCanvasPdf(_canvas(drawing, WIDTH_INCHES, titled=True))
        canvas.print_pdf(stream, metadata=metadata)
    return stream.getvalue()


def _canvas(drawing: Drawing, width_inches: float, titled: bool) -> Canvas:
    if isinstance(drawing, Figure):
        return draw_figure(drawing, width_inches, titled=titled)
    return draw_strips(drawing, width_inches)


def _inches(width_px: int, dpi: float) -> float:
    if not (200 <= width_px <= _MAX_PIXELS and 50.0 <= dpi <= _MAX_DPI):
        raise ValueError(
            f"{width_px} px at {dpi:g} dpi: expected 200 to {_MAX_PIXELS} px, 50 to {_MAX_DPI} dpi"
        )
    return max(width_px / dpi, 1.0)


@contextmanager
def style(salt: str) -> Iterator[None]:
    """Set matplotlib to what figures need, for as long as one is drawn."""
    import matplotlib as mpl

    with mpl.rc_context(), warnings.catch_warnings():
        # A letter that the font lacks is a box in a PNG, and itself in an SVG.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        mpl.rcdefaults()
        settings: Any = mpl.rcParams
        settings.update(_RC | {"svg.hashsalt": salt})
        yield


def _finished(text: str, prefix: str, title: str, alt: str) -> str:
    """Return the ``<svg>`` element alone: named for screen readers, its ids its own, its numbers short.

    Parameters
    ----------
    text : str
        A whole SVG file as matplotlib writes it.
    prefix : str
        What every id begins with: letters, digits, hyphens.
    title, alt : str
        The element's name and description; they may hold anything.
    """
    body = text[text.index("<svg") :]
    opening, _, rest = body.partition(">")
    rest = re.sub(r"<metadata>.*?</metadata>", "", rest, flags=re.DOTALL)
    # A style element would hold for the whole page.
    rest = re.sub(r"\s*<defs>\s*<style[^>]*>[^<]*</style>\s*</defs>", "", rest)
    rest = _GROUP.sub(lambda found: found[0] if _OURS.match(found[1]) else "<g", rest)
    rest = _ID.sub(lambda found: f'{found[1]}id="{prefix}-{found[2]}"', rest)
    rest = _REFERENCE.sub(lambda found: f'href="#{prefix}-{found[1]}"', rest)
    rest = _URL.sub(lambda found: f"url(#{prefix}-{found[1]})", rest)
    rest = _PATH.sub(lambda found: f' d="{_from_corner_to_corner(_short(found[1]))}"', rest)
    rest = _COORDINATE.sub(lambda found: f'{found[1]}{float(found[2]):.2f}"', rest)
    rest = _TRANSFORM.sub(_turned, rest)
    rest = _FONT.sub("", rest)
    rest = _STYLE.sub(lambda found: found[0].replace(": ", ":").replace("; ", ";"), rest)
    rest = re.sub(r"\s*\n\s*", "\n", rest)
    # A group around a single element, without a name, says nothing.
    rest = _LONE.sub(r"\1", rest)
    box = re.search(r'viewBox="([^"]*)"', opening)
    width, height = (box[1].split() if box else ["0", "0", "475", "230"])[2:]
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}pt" height="{height}pt" '
        f'role="img" aria-labelledby="{prefix}-title {prefix}-desc" '
        f'font-family="{FONT}" style="max-width:100%;height:auto;stroke-linejoin:round;stroke-linecap:butt">'
    )
    named = f'<title id="{prefix}-title">{_plain(title)}</title><desc id="{prefix}-desc">{_plain(alt)}</desc>'
    return f"{head}{named}{rest.strip()}\n"


def _turned(found: re.Match[str]) -> str:
    """Return a transform with short numbers; none where it turns nothing."""
    return "" if found[1].startswith("rotate(-0 ") else f' transform="{_short(found[1])}"'


def _short(numbers: str) -> str:
    """Return a path or transform with tenths of points: a twentieth is less than any screen or printer shows."""
    kept = _NUMBER.sub(lambda found: f"{float(found[0]):.1f}".removesuffix(".0"), " ".join(numbers.split()))
    return _SPACED.sub(r"\1", kept)


def _from_corner_to_corner(path: str) -> str:
    """Return a path of many straight lines by the steps from each corner to the next: two thirds of the bytes.

    Steps are between tenths of points, so that none adds to the error of another.
    """
    corners = _CORNER.findall(path)
    if len(corners) < _MANY_CORNERS or "".join(f"{letter}{x} {y}" for letter, x, y in corners) != path:
        return path
    places = [(letter, round(10.0 * float(x)), round(10.0 * float(y))) for letter, x, y in corners]
    (_, across, up), *others = places
    parts, last = [f"M{corners[0][1]} {corners[0][2]}"], ""
    for letter, x, y in others:
        command, step = letter.lower(), _steps(x - across, y - up)
        parts.append(
            step if command == last and step[0] == "-" else f"{command if command != last else ' '}{step}"
        )
        across, up = x, y
        # What follows a move without a letter is a line.
        last = "l" if command == "l" else ""
    return "".join(parts)


def _steps(across: int, up: int) -> str:
    """Return two tenths as short as a path may have them: .5-12 for 0.5 and -12.0."""
    first, second = (
        f"{number / 10:g}".replace("0.", ".", 1) if abs(number) < 10 and number else f"{number / 10:g}"
        for number in (across, up)
    )
    # A second point begins a second number.
    close = second[0] == "-" or (second[0] == "." and "." in first)
    return f"{first}{second}" if close else f"{first} {second}"


def _plain(text: str) -> str:
    return escape(visible(text), quote=False)
