"""What matplotlib writes as SVG, made fit to stand in a page."""

from __future__ import annotations

import re
from html import escape

from linecheck.files.text import visible
from linecheck.report.figures.drawing.palette import FONT

__all__ = ["finished_svg"]

#: Groups that matplotlib names for itself; only these of ours, and what is referred to, keep an id.
_OURS = re.compile(r"(?:curve|limit|mark)-")
_GROUP = re.compile(r'<g id="([^"]*)"')
_ID = re.compile(r'(<[^<>]*?\s)id="([^"]*)"')
_REFERENCE = re.compile(r'(?:xlink:)?href="#([^"]*)"')
_URL = re.compile(r"url\(#([^)\"]*)\)")
_PATH = re.compile(r' d="([^"]*)"')
_NUMBER = re.compile(r"-?\d+\.\d{3,}(?:e-?\d+)?")
_COORDINATE = re.compile(r'( (?:x|y|width|height)=")(-?\d+\.\d{3,})"')
_TRANSFORM = re.compile(r' transform="([^"]*)"')
_FONT = re.compile(r" ?font-family: [^;\"]*;")


def finished_svg(text: str, prefix: str, title: str, alt: str) -> str:
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
    rest = _PATH.sub(lambda found: f' d="{_short(found[1])}"', rest)
    rest = _COORDINATE.sub(lambda found: f'{found[1]}{float(found[2]):.2f}"', rest)
    rest = _TRANSFORM.sub(_turned, rest)
    rest = _FONT.sub("", rest)
    rest = re.sub(r"\n\s*", "\n", rest)
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
    return _NUMBER.sub(lambda found: f"{float(found[0]):.2f}", " ".join(numbers.split()))


def _plain(text: str) -> str:
    return escape(visible(text), quote=False)
