"""Interactive figures of a page: zoom, a cursor with values, curves on and off, all within the page's one file.

=======================  ==============================================================================
:func:`require_library`  refuses where the plotting library is not installed, before anything is read
:func:`make_live`        gives every figure of a page its interactive twin, and the page what runs them
=======================  ==============================================================================

The library (Bokeh, of the extra ``interactive``) brings its own scripts, which are put into the page as they are. The
page's policy names these and our own by their hashes: nothing else runs, and nothing is asked for from anywhere. A
figure's still drawing stands in the page as in any other; a script that runs puts the interactive one before it.

Whatever comes from a run reaches the library as plain text or as numbers only: its markup, TeX and code stay unused.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from linecheck.errors import UsageError
from linecheck.files.text import visible
from linecheck.report.figures.data import Figure, FloatArray, Guide, Mark
from linecheck.report.figures.drawing.canvas import GUIDES, look_of
from linecheck.report.figures.drawing.frame import frame_of
from linecheck.report.figures.drawing.palette import FAILS, INK, MARGINAL, QUIET_INK
from linecheck.report.figures.table import shown, with_unit
from linecheck.report.parts import Part

#: In pixels.
_HEIGHT = 340
#: Widths of the y axis beyond which nobody zooms out.
_FAR = 100.0
#: The library's dashes are whole pixels: these of a point are read well.
_PIXELS_A_POINT = 1.5


#: The number of a mark, which is no harmonic's.
_FRAMED: dict[str, Any] = {"x_offset": -7, "text_align": "right", "border_line_color": INK, "padding": 1}
#: How much of the axes the name of a peak takes on a telephone, across and up.
_NAME = (0.15, 0.05)


def require_library() -> None:
    """Refuse where the plotting library is not installed.

    Raises
    ------
    UsageError
    """
    if find_spec("bokeh") is None:
        raise UsageError(
            "--interactive needs a plotting library: install linecheck with the extra it is in, "
            "pip install 'linecheck[interactive]'"
        )


def make_live(page: Part) -> None:
    """Add ``live`` to every figure of a page, and to the page itself its scripts and the policy that allows them.

    A figure's ``live`` has its ``json`` for the library, the ``unit`` of its x axis, the words of its ``marks`` in the
    order of their numbers, and its ``curves``: label, colour, and dashes of each.
    """
    require_library()
    parts = list(_figure_parts(page))
    if not parts:
        return
    for part in parts:
        part["live"] = _live(part["figure"])
    scripts = (_library(), (Path(__file__).parent / "templates" / "interactive.js").read_text("utf-8"))
    hashes = " ".join(f"'sha256-{_digest(script)}'" for script in scripts)
    page["live"] = {"scripts": scripts, "policy": f"script-src {hashes}"}


def _figure_parts(part: object) -> Iterator[Part]:
    """Yield the parts that are figures, wherever they stand in a page."""
    if isinstance(part, dict):
        if isinstance(part.get("figure"), Figure):
            yield part
        for inner in part.values():
            yield from _figure_parts(inner)
    elif isinstance(part, list | tuple):
        for inner in part:
            yield from _figure_parts(inner)


def _digest(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")


def _library() -> str:
    """Return the library's script."""
    from bokeh.resources import Resources

    parts = Resources(mode="inline", components=["bokeh"], log_level="error").js_raw
    script = "\n".join(parts).replace("\r\n", "\n")
    if "</script" in script.lower() or "<!--" in script:
        raise UsageError("--interactive: this release of bokeh cannot stand inside a page; install another")
    return script


def _live(figure: Figure) -> Part:
    """Return a figure for the library, and what its curves look like."""
    from bokeh.embed import json_item

    drawn = tuple(shown(figure, series) for series in figure.series)
    looks = [look_of(drawn, index) for index in range(len(drawn))]
    item = json_item(_plot(figure))
    return {
        "json": _in_a_script(item),
        "unit": figure.x.unit,
        "marks": tuple(entry.text for entry in _worded(figure)),
        "curves": tuple(
            (series.label, colour, " ".join(map(str, _pixels(dash))))
            for series, (colour, dash) in zip(drawn, looks, strict=True)
        ),
    }


def _in_a_script(item: object) -> str:
    """Return data as JSON that ends no element and opens none, whatever its texts hold."""
    text = json.dumps(item, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _plot(figure: Figure) -> Any:  # noqa: ANN401 - the library's own
    """Return the figure as the library's plot: curves, masks and marks."""
    from bokeh.models import CrosshairTool, LogTickFormatter
    from bokeh.plotting import figure as new_plot

    frame = frame_of(figure)
    plot = new_plot(
        height=_HEIGHT,
        sizing_mode="stretch_width",
        x_axis_type="log" if figure.x.log else "linear",
        x_range=(frame.x_low, frame.x_high),
        y_range=(frame.y_low, frame.y_high),
        x_axis_label=_plain(with_unit(figure.x.label, figure.x.unit)),
        y_axis_label=_plain(with_unit(figure.y.label, figure.y.unit)),
        tools="box_zoom,pan,wheel_zoom,reset",
        active_drag="box_zoom",
        active_scroll=None,
        toolbar_location="above",
        lod_threshold=None,
    )
    plot.toolbar.logo = None
    if figure.x.log:
        plot.xaxis.formatter = LogTickFormatter(min_exponent=7)
    for axis in plot.axis:
        axis.axis_label_text_font_style = "normal"
        axis.axis_label_text_color = axis.major_label_text_color = INK
    _add_limits(plot, figure, abs(frame.y_high - frame.y_low))
    _add_curves(plot, figure)
    _add_marks(plot, figure)
    plot.add_tools(CrosshairTool(dimensions="height", line_color=QUIET_INK))
    return plot


def _plain(text: str) -> Any:  # noqa: ANN401 - the library's own
    """Return a text that the library takes for no TeX."""
    from bokeh.models import PlainText

    return PlainText(text=visible(text))


def _add_limits(plot: Any, figure: Figure, span: float) -> None:  # noqa: ANN401
    """Draw the edges of the mask, and tint what lies beyond them as far as anybody zooms out."""
    for limit in figure.limits:
        tint, colour = FAILS if limit.zone == "fail" else MARGINAL
        x, y = _short(limit.x), _short(limit.y)
        beyond = _short(limit.y + (_FAR if limit.side == "max" else -_FAR) * span)
        plot.varea(x, y, beyond, fill_color=tint, level="underlay")
        plot.line(x, y, line_color=colour, line_width=1.5, level="underlay")


def _add_curves(plot: Any, figure: Figure) -> None:  # noqa: ANN401
    """Draw the curves with all of their points, each tagged with its number."""
    drawn = tuple(shown(figure, series) for series in figure.series)
    frame = frame_of(figure)
    below = frame.y_low - _FAR * (frame.y_high - frame.y_low)
    # References first: what is looked at lies over them.
    for index, series in sorted(enumerate(drawn), key=lambda entry: not entry[1].is_reference):
        colour, dash = look_of(drawn, index)
        width = 0.8 if series.is_thin else 1.4
        x, y = series.x, series.y
        if series.style == "stems":
            # From each point down and off the paper.
            floor = np.full_like(y, below)
            x, y = np.repeat(x, 3), np.column_stack([y, floor, np.full_like(y, np.nan)]).ravel()
        line = plot.line(_short(x), _short(y), line_color=colour, line_dash=_pixels(dash), line_width=width)
        line.tags = [index]


def _worded(figure: Figure) -> tuple[Mark | Guide, ...]:
    """Return what has words of its own: marks, then places along the x axis. Each is numbered by its place here."""
    entries: tuple[Mark | Guide, ...] = (*figure.marks, *figure.guides)
    return tuple(entry for entry in entries if entry.text)


def _add_marks(plot: Any, figure: Figure) -> None:  # noqa: ANN401
    """Draw the points and places worth a word with their numbers, whose words stand below, and the names of peaks.

    Words may be long, and whoever looks closer moves what is under them: numbers have room anywhere. They stand framed
    on the left of their points; the names of peaks, which may be numbers too, on the right.
    """
    from bokeh.models import Span

    for guide in figure.guides:
        colour, _, dash = GUIDES[guide.zone]
        plot.add_layout(
            Span(
                location=guide.x,
                dimension="height",
                line_color=colour,
                line_dash=_pixels(dash),
                level="underlay",
            )
        )
    if figure.marks:
        x, y = (np.array([getattr(mark, name) for mark in figure.marks]) for name in ("x", "y"))
        plot.scatter(_short(x), _short(y), size=9, line_color=INK, fill_color=QUIET_INK)
    for number, entry in enumerate(_worded(figure), start=1):
        top = {} if isinstance(entry, Mark) else {"y": 4 + 14 * (number % 3), "y_units": "screen"}
        _write(
            plot, {"x": entry.x, "y": getattr(entry, "y", 0.0)} | top, str(number), tags=[number], **_FRAMED
        )
    for tag, lines, share in zip(figure.tags, _lines_up(figure), _across(figure), strict=True):
        # The axes' end would cut what begins there.
        aside = {"x_offset": -5, "text_align": "right"} if share > 1.0 - _NAME[0] else {}
        _write(plot, {"x": tag.x, "y": tag.y}, tag.text, y_offset=4 + 13 * lines, **aside)


def _across(figure: Figure) -> FloatArray:
    """Return how far along the x axis each named peak is: 0 to 1."""
    x, ends = (np.array(part) for part in ([tag.x for tag in figure.tags], frame_of(figure)[:2]))
    if figure.x.log:
        x, ends = np.log10(x), np.log10(ends)
    across: FloatArray = (x - ends[0]) / (ends[1] - ends[0])
    return across


def _lines_up(figure: Figure) -> list[int]:
    """Return how many lines above its peak each name stands, so that on a telephone it covers no other's."""
    frame, across = frame_of(figure), _across(figure)
    up = np.array([tag.y for tag in figure.tags]) / (frame.y_high - frame.y_low)
    found = np.zeros(len(across), dtype=int)
    order = np.argsort(across).tolist()
    for place, index in enumerate(order):
        near = [other for other in order[:place] if across[index] - across[other] < _NAME[0]]
        taken = {round((up[other] - up[index]) / _NAME[1] + found[other]) for other in near}
        found[index] = next(lines for lines in range(len(order)) if lines not in taken)
    return found.tolist()


def _write(plot: Any, place: dict[str, Any], text: str, **own: Any) -> None:  # noqa: ANN401
    """Write a few letters right above a place."""
    from bokeh.models import Label

    look: dict[str, Any] = {"text_font_size": "11px", "text_color": INK, "x_offset": 5, "y_offset": 4}
    look |= {"background_fill_color": "white", "background_fill_alpha": 0.75}
    plot.add_layout(Label(**place, text=_plain(text), **look | own))


def _short(values: FloatArray) -> Any:  # noqa: ANN401 - an array of single precision
    """Return values in single precision: seven digits, more than a screen shows, in half of the room."""
    return np.ascontiguousarray(values, dtype=np.float32)


def _pixels(dash: Sequence[float]) -> list[int]:
    """Return a dash in whole pixels."""
    return [max(1, round(_PIXELS_A_POINT * part)) for part in dash]
