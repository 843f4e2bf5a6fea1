"""Parts that pages share: strips, figures with their tables, names that are safe as ids.

A part is plain data under names, as a template lays it out: every text is plain text, only ``svg`` is markup.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from linecheck.checks import kinds
from linecheck.files.text import visible
from linecheck.limits.verdict import JudgedReading, Verdict
from linecheck.report.figures.data import Figure, Strip
from linecheck.report.figures.drawing.draw import svg
from linecheck.report.figures.strips import MAX_DOTS, binned, limits_text, value_texts
from linecheck.report.figures.table import table_of
from linecheck.report.figures.words import amount_text, file_name, metric_name, plain_number

Part = dict[str, Any]

#: So many columns stand beside each other on a telephone; rows of more are blocks, up to as many as the style names.
_MOST_BESIDE, _MOST_NAMED = 3, 24


def about(kind: str) -> str:
    """Return what a kind of check measures; nothing of a kind that is no more."""
    known = kinds().get(kind)
    return "" if known is None else known.text


def badge(verdict: Verdict | None) -> str:
    """Return the name that chooses a verdict's word, shape and colour."""
    return "none" if verdict is None else verdict.value


def hash_text(digest: str | None) -> str:
    """Return a hash, or that there is none."""
    return digest or "none recorded"


def anchors(names: Iterable[str], prefix: str) -> dict[str, str]:
    """Return an id for each name, no two the same."""
    found: dict[str, str] = {}
    taken: set[str] = set()
    for name in dict.fromkeys(names):
        found[name] = free_name(f"{prefix}-{file_name(name)[:60]}", taken)
    return found


def free_name(wanted: str, taken: set[str]) -> str:
    """Return a name that none of these is, also where a file system ignores case, and add it to them."""
    free, number = wanted, 1
    while free.casefold() in taken:
        number += 1
        free = f"{wanted}-{number}"
    taken.add(free.casefold())
    return free


def figure_part(figure: Figure, anchor: str) -> Part:
    """Return a figure drawn, with its title, its words and its numbers as texts; ``figure`` is what was drawn."""
    table = table_of(figure)
    rows = tuple(
        (plain_number(place or 0.0), *("" if value is None else plain_number(value, 5) for value in values))
        for place, *values in table.rows
    )
    return {
        "anchor": anchor,
        "figure": figure,
        "title": figure.title,
        "alt": figure.alt,
        "svg": svg(figure, prefix=anchor, titled=False),
        "table": {"headings": table.headings, "rows": rows, "named": _named_columns(table.headings)},
    }


def _named_columns(headings: Sequence[str]) -> str:
    """Return a table's headings for its style: on a narrow screen each cell says its own; empty where all have room."""
    if not _MOST_BESIDE < len(headings) <= _MOST_NAMED:
        return ""
    return ";".join(f"--c{number}:{_css_string(text)}" for number, text in enumerate(headings, start=1))


def _css_string(text: str) -> str:
    """Return a text as a string of CSS, with all that could mean something there escaped (CSS Syntax 3, 4.3.7)."""
    plain = (
        letter if letter.isalnum() or letter in " ,.+-" else f"\\{ord(letter):x} " for letter in visible(text)
    )
    return f"'{''.join(plain)}'"


def strip_part(strip: Strip) -> Part:
    """Return a strip in words and in places along it, per cent.

    ``label`` is its channel, empty where it is of the pair; ``zones`` are what lies beyond its limits (kind, start,
    width), ``others`` the places of earlier units, for which ``heights`` stand where they are many.
    """
    reading, verdict, spread = strip.reading, strip.judged.verdict, strip.spread
    name = " ".join(filter(None, (metric_name(reading.metric), reading.channel)))
    value, uncertainty = value_texts(strip)
    margin = _margin(strip.judged)
    said = "" if verdict is None else f" {verdict.value.upper()}."
    standing = sentence(strip.standing)
    alt = f"{name}: {value} {uncertainty}.{said} {limits_text(strip)} {margin} {standing}"
    at, ends = None, None
    if reading.value is not None:
        at = _place(strip, reading.value)
        low, high = (_place(strip, reading.value + way * spread) for way in (-1.0, 1.0))
        ends = (low, high) if spread else None
    few = len(strip.others) <= MAX_DOTS
    counts = () if few else binned(strip.others, strip.low, strip.high)
    return {
        "name": " ".join(filter(None, (reading.metric, reading.channel))),
        "label": reading.channel or "",
        "badge": badge(verdict),
        "value": value,
        "uncertainty": uncertainty,
        "margin": margin,
        "alt": " ".join(alt.replace(" .", ".").split()),
        "zones": tuple(_zones(strip)),
        "edges": tuple((kind, _place(strip, edge)) for kind, edge, _ in strip.zones),
        "at": at,
        "spread": ends,
        "others": tuple(_place(strip, other) for other in strip.others) if few else (),
        "heights": tuple(round(100.0 * count / max(counts), 1) for count in counts),
        "standing": standing,
    }


def sentence(text: str) -> str:
    """Return words as a sentence; nothing remains nothing."""
    return f"{text[0].upper()}{text[1:].rstrip('.')}." if text else ""


def _place(strip: Strip, value: float) -> float:
    """Return where a value lies along a strip, per cent."""
    share = (value - strip.low) / (strip.high - strip.low)
    return round(100.0 * min(max(share, 0.0), 1.0), 3)


def _zones(strip: Strip) -> Iterable[tuple[str, float, float]]:
    for kind, one, other in strip.zones:
        start, end = sorted((_place(strip, one), _place(strip, other)))
        yield kind, start, round(end - start, 3)


def _margin(item: JudgedReading) -> str:
    """Return the margin in words: how far from the limit that matters, and on which side of it."""
    if item.margin is None or item.verdict not in (Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL):
        return ""
    return margin_text(item.margin, item.reading.unit) if item.margin else "on the pass limit"


def margin_text(margin: float, unit: str) -> str:
    """Return on which side of its pass limit something is, and how far from it."""
    return f"{amount_text(abs(margin), unit)} {'inside' if margin > 0.0 else 'outside'} the pass limit"
