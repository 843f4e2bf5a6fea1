"""What stands on a paper as an ``<svg>`` element: short, named for screen readers, its ids its own."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

import numpy as np
from numpy.typing import NDArray

from linecheck.files.text import visible
from linecheck.report.figures.data import FloatArray
from linecheck.report.figures.drawing.labels import Box
from linecheck.report.figures.drawing.palette import FONT
from linecheck.report.figures.drawing.paper import Paper, Path, Words

#: Of fewer corners a path is as short either way.
_MANY_CORNERS: Final = 8
#: Lines that hatch an area are so far apart, so wide, and rise to the right.
_HATCH: Final = (
    '<pattern id="{id}" patternUnits="userSpaceOnUse" width="4.2" height="4.2" patternTransform="rotate(45)">'
    '<path d="M0 0H4.2V4.2H0z" style="fill:{fill}"/><path d="M2 0V4.2" style="stroke:{hatch};stroke-width:0.7"/>'
    "</pattern>"
)


def element(paper: Paper, prefix: str, title: str, alt: str) -> str:
    """Return a paper as an ``<svg>`` element.

    Parameters
    ----------
    paper : Paper
    prefix : str
        What every id begins with: letters, digits, hyphens.
    title, alt : str
        The element's name and description; they may hold anything.
    """
    items = list(paper.ordered())
    paths = [item for item in items if isinstance(item, Path)]
    clips = list(dict.fromkeys(path.clip for path in paths if path.clip is not None))
    hatches = list(dict.fromkeys((path.fill, path.hatch) for path in paths if path.hatch))
    defined = [
        *(_clip(box, f"{prefix}-box-{number}", paper.height) for number, box in enumerate(clips)),
        *(
            _HATCH.format(id=f"{prefix}-hatch-{number}", fill=fill, hatch=hatch)
            for number, (fill, hatch) in enumerate(hatches)
        ),
    ]
    drawn = [
        _text(item, paper.height)
        if isinstance(item, Words)
        else _path(item, paper.height, prefix, clips, hatches)
        for item in items
    ]
    width, height = (f"{round(length, 1):g}" for length in (paper.width, paper.height))
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}pt" height="{height}pt" '
        f'role="img" aria-labelledby="{prefix}-title {prefix}-desc" '
        f'font-family="{FONT}" style="max-width:100%;height:auto;stroke-linejoin:round">'
    )
    named = f'<title id="{prefix}-title">{_plain(title)}</title><desc id="{prefix}-desc">{_plain(alt)}</desc>'
    definitions = f"<defs>{''.join(defined)}</defs>" if defined else ""
    return "\n".join((f"{head}{named}{definitions}", *drawn, "</svg>\n"))


def _clip(box: Box, name: str, height: float) -> str:
    left, bottom, right, top = box
    place = f'x="{_number(left)}" y="{_number(height - top)}"'
    size = f'width="{_number(right - left)}" height="{_number(top - bottom)}"'
    return f'<clipPath id="{name}"><rect {place} {size}/></clipPath>'


def _path(
    item: Path, height: float, prefix: str, clips: Sequence[Box], hatches: Sequence[tuple[str, str]]
) -> str:
    looks = [f"fill:{item.fill or 'none'}"]
    if item.hatch:
        looks = [f"fill:url(#{prefix}-hatch-{hatches.index((item.fill, item.hatch))})"]
    if item.stroke:
        looks.append(f"stroke:{item.stroke}")
        looks += [f"stroke-width:{_number(item.width)}"] if item.width != 1.0 else []
        looks += [f"stroke-linecap:{item.cap}"] if item.cap != "butt" else []
        if item.dash:
            looks.append(f"stroke-dasharray:{','.join(_number(item.width * part) for part in item.dash)}")
    looks += [f"opacity:{item.opacity:g}"] if item.opacity != 1.0 else []
    style = f'style="{";".join(looks).lower()}"'
    name = f"{prefix}-{item.name}"
    if item.at is not None:
        shape = _corners(item.lines, 0.0, closed=bool(item.fill), digits=2)
        x, y = _number(item.at[0]), _number(height - item.at[1])
        drawn = f'<defs><path id="{name}-shape" d="{shape}"/></defs><use href="#{name}-shape" x="{x}" y="{y}" {style}/>'
    else:
        corners = _corners(item.lines, height, closed=bool(item.fill))
        inside = "" if item.clip is None else f' clip-path="url(#{prefix}-box-{clips.index(item.clip)})"'
        drawn = f'<path d="{corners}"{inside} {style}/>'
    return f'<g id="{name}">{drawn}</g>' if item.name else drawn


def _corners(lines: Sequence[FloatArray], height: float, *, closed: bool, digits: int = 1) -> str:
    """Return lines as a path's data, to tenths of points: a twentieth is less than any screen or printer shows."""
    unit = 10**digits
    # Steps are between tenths, so that none adds to the error of another.
    places = [
        np.rint(unit * np.column_stack([line[:, 0], height - line[:, 1]])).astype(int) for line in lines
    ]
    if sum(map(len, places)) < _MANY_CORNERS:
        told = ["L".join(f"{_told(x, unit)} {_told(y, unit)}" for x, y in place.tolist()) for place in places]
    else:
        told = [_steps(place, unit) for place in places]
    return "".join(f"M{line}{'z' * closed}" for line in told)


def _steps(places: NDArray[np.int_], unit: int) -> str:
    """Return a line by the steps from each corner to the next, two thirds of the bytes, as short as a path may have it.

    A minus begins a number, and so does the second point of what would be one: .5-12 for 0.5 and -12.
    """
    (x, y), *steps = np.concatenate([places[:1], np.diff(places, axis=0)]).tolist()
    parts = [f"{_told(x, unit)} {_told(y, unit)}", "l" * bool(steps)]
    before = "."
    for step in steps:
        for number in step:
            text = _told(number, unit).replace("0.", ".", 1) if -unit < number < unit else _told(number, unit)
            begins = parts[-1] == "l" or text[0] == "-" or (text[0] == "." and "." in before)
            parts.append(text if begins else f" {text}")
            before = text
    return "".join(parts)


def _told(number: int, unit: int) -> str:
    return str(number / unit).removesuffix(".0")


def _text(item: Words, height: float) -> str:
    looks = [f"font-size:{_number(item.size)}px"]
    looks += [f"text-anchor:{item.anchor}"] if item.anchor != "start" else []
    looks += ["font-weight:bold"] if item.bold else []
    x, y = _number(item.x), _number(height - item.y)
    place = f'transform="translate({x} {y}) rotate(-90)"' if item.turned else f'x="{x}" y="{y}"'
    style = ";".join((*looks, f"fill:{item.colour}"))
    return f'<text style="{style}" {place}>{_plain(item.text)}</text>'


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _plain(text: str) -> str:
    return escape(visible(text), quote=False)
