"""Everything that masks judge, as a picture and as a table: a metric a row, its channels side by side.

========================  ====================================================================
:func:`glance`            how far each metric is inside its mask, worst first
:func:`judged_values`     every judged value with its limits, worst verdicts first
:func:`unmeasured`        what should have been judged and was measured in no channel
========================  ====================================================================
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from linecheck.checks.parts.volts import is_uncalibrated
from linecheck.limits.model import Limit
from linecheck.limits.verdict import JudgedReading, Verdict
from linecheck.report.figures.data import COVERAGE
from linecheck.report.figures.strips import UNCALIBRATED
from linecheck.report.figures.words import (
    amount_text,
    limit_text,
    measured_texts,
    metric_name,
    place_text,
    plain_number,
)
from linecheck.report.parts import Part, badge
from linecheck.results.rows import RANKS, Judged, Row, by_verdict

#: A margin of more widths of its mask than this is drawn at the end of the line.
END = 1.25
#: So many metrics are drawn, the worst; the others are counted.
MAX_DRAWN = 40


def glance(rows: Sequence[Row]) -> Part:
    """Return where each judged metric lies, in widths of its mask inside it: negative outside, worst first.

    ``rows`` have a name, verdict, a place for each channel (per cent along the line, whether it lies beyond its end),
    that of the fail limit, and the worst margin in words; ``more`` says what is not drawn, ``pass_at`` where masks end.
    """
    ordered = sorted(by_verdict(rows), key=lambda row: (RANKS.index(row.verdict), row.nearness))
    counted = [row for row in ordered if row.verdict is Verdict.PASS and row.is_count]
    ordered = [
        row for row in ordered if row.is_measured and not (row.verdict is Verdict.PASS and row.is_count)
    ]
    drawn, rest = ordered[:MAX_DRAWN], ordered[MAX_DRAWN:]
    inside = [row.nearness for row in rest if row.verdict is Verdict.PASS]
    wrong = len(rest) - len(inside)
    more = [f"{wrong} more metrics do not pass: see the table."] if wrong else []
    more += [f"{len(inside)} more pass, inside by {min(inside):.2g} widths or more."] if inside else []
    also = ", ".join(f"{row.check} {metric_name(row.metric)}" for row in counted[:MAX_DRAWN])
    more += [f"Also correct: {also}."] if also else []
    return {"rows": tuple(map(_glance_row, drawn)), "more": " ".join(more), "pass_at": _place(0.0)}


def _glance_row(row: Row) -> Part:
    channel, item = row.worst
    marks = []
    for name, own in row.items.items():
        widths = row.widths(own)
        if own.verdict is not None and math.isfinite(widths):
            marks.append((name or "", _place(widths), abs(widths) > END, badge(own.verdict)))
    # The worst channel is drawn last, on top of the others.
    marks.sort(key=lambda mark: mark[0] == (channel or ""))
    said = _margin(item)
    words = " ".join(filter(None, (channel or "", said)))
    return {
        "check": row.check,
        "name": metric_name(row.metric),
        "badge": badge(row.verdict),
        "marks": tuple(marks),
        "fails_at": _fail_place(row),
        "words": words,
        "alt": f"{row.check} {metric_name(row.metric)}: {badge(row.verdict)}, {words}.",
    }


def _fail_place(row: Row) -> float:
    """Return where the worst channel's fail limit lies, per cent along the line."""
    item = row.worst[1]
    if item.limit is None or item.fail_limit is None:
        return _place(0.0)
    return _place(-abs(item.limit - item.fail_limit) / row.width(item, item.limit))


def _place(widths: float) -> float:
    held = min(max(widths, -END), END)
    return round(100.0 * (held + END) / (2.0 * END), 2)


def _margin(item: Judged) -> str:
    """Return how far a value is from its pass limit, and on which side; nothing of what is counted."""
    if item.verdict is Verdict.INVALID:
        return "not judged"
    if item.margin is None:
        return ""
    what = item.measured
    if not what.unit and isinstance(item, JudgedReading):
        return "" if item.margin >= 0.0 else "wrong"
    side = "inside" if item.margin > 0.0 else "outside"
    return f"{amount_text(abs(item.margin), what.unit)} {side}" if item.margin else "on the limit"


def judged_values(rows: Sequence[Row]) -> tuple[Part, ...]:
    """Return a row for each judged metric: its channels' values with their uncertainties, its limits, its margin.

    ``values`` are of channels: whose (empty for the pair), verdict, value, and uncertainty or place; channels that say
    the same share an entry. What was measured in no channel is left to :func:`unmeasured`.
    """
    found = []
    for row in by_verdict(rows):
        if not row.is_measured:
            continue
        told: dict[tuple[str, str, str], list[str]] = {}
        for channel, item in row.items.items():
            if item.verdict is not None:
                told.setdefault((badge(item.verdict), *_value_texts(item)), []).append(channel or "")
        found.append(
            {
                "check": row.check,
                "name": metric_name(row.metric),
                "metric": row.metric,
                "badge": badge(row.verdict),
                "values": tuple((" and ".join(filter(None, names)), *key) for key, names in told.items()),
                "limits": limits_of(row),
                "margin": _margin(row.worst[1]),
                "whose": row.worst[0] or "" if len(row.items) > 1 and _margin(row.worst[1]) else "",
            }
        )
    return tuple(found)


def unmeasured(rows: Sequence[Row]) -> tuple[tuple[str, str], ...]:
    """Return the metrics that a mask judges and that no channel has, check by check."""
    found: dict[str, list[str]] = {}
    for row in rows:
        if row.verdict is not None and not row.is_measured:
            found.setdefault(row.check, []).append(metric_name(row.metric))
    return tuple((check, ", ".join(names)) for check, names in found.items())


def _value_texts(item: Judged) -> tuple[str, str]:
    """Return a value, told apart from its limits, and its expanded uncertainty with the unit; of a curve its place."""
    limits, unit = (item.limit, item.fail_limit), item.measured.unit
    if isinstance(item, JudgedReading):
        reading = item.reading
        if reading.value is None:
            return "not measured", ""
        expanded = COVERAGE * (reading.uncertainty or 0.0)
        value, spread = measured_texts(reading.value, expanded, unit, limits)
        spread = f"{UNCALIBRATED} {unit}" if is_uncalibrated(reading) else spread or unit
        return value.removesuffix(f" {unit}"), spread + " or better" * reading.is_bound
    if item.worst_y is None:
        return "not measured", ""
    value, _ = measured_texts(item.worst_y, None, unit, limits)
    place = "" if item.worst_x is None else f"at {place_text(item.worst_x, item.curve.x_unit)}"
    return value.removesuffix(f" {unit}"), f"{unit} {place}".strip()


def limits_of(row: Row) -> tuple[str, str]:
    """Return what passes and what fails, in signs; of a curve at the place where the worst channel is worst."""
    mask, item, unit = row.mask, row.worst[1], row.unit
    if mask is None:
        return "", ""
    inner, outer = mask.pass_, mask.fail or mask.pass_
    if any(isinstance(limit, tuple) for limit in (inner.min, inner.max)):
        low, high = (item.limit, None) if item.side == "min" else (None, item.limit)
        worse_low, worse_high = (item.fail_limit, None) if item.side == "min" else (None, item.fail_limit)
    else:
        low, high, worse_low, worse_high = map(_flat, (inner.min, inner.max, outer.min, outer.max))
    passes = _between(low, high, unit) or "a curve"
    beyond = [
        f"{sign} {plain_number(limit)}"
        for sign, limit in (("<", worse_low), (">", worse_high))
        if limit is not None
    ]
    return passes, f"{' or '.join(beyond)} {unit}".strip() if beyond else ""


def _between(low: float | None, high: float | None, unit: str) -> str:
    if low is not None and high is not None:
        return (
            f"±{limit_text(high, unit)}"
            if low == -high
            else f"{plain_number(low)} to {limit_text(high, unit)}"
        )
    if low is not None:
        return f"≥ {limit_text(low, unit)}"
    return "" if high is None else f"≤ {limit_text(high, unit)}"


def _flat(limit: Limit | None) -> float | None:
    return None if limit is None or isinstance(limit, tuple) else float(limit)
