"""Judged metrics and curves of a check, each once with all its channels."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from linecheck.history.population import Population
from linecheck.limits.verdict import JudgedCurve, Verdict
from linecheck.report.figures.data import Strip
from linecheck.report.figures.strips import limits_text, strips_of_check
from linecheck.report.figures.words import limit_text, measured_texts, metric_name, place_text
from linecheck.report.model import Badge, MetricPart
from linecheck.report.parts import badge, margin_text, sentence, strip_part
from linecheck.results.wording import judgement
from linecheck.run.model import CheckOutcome, Run

__all__ = ["metric_parts"]

Others = Mapping[tuple[str, str, str | None], Population]
_BEYOND = {"min": "below", "max": "above"}


def metric_parts(
    view: Run,
    check: CheckOutcome,
    others: Others | None,
    *,
    verdict: Verdict | None = None,
    named: bool = False,
) -> Iterable[MetricPart]:
    """Yield each judged metric of a check, then each judged curve.

    Parameters
    ----------
    view : Run
    check : CheckOutcome
    others : mapping of Population, optional
        Where its readings lie among other units. What no mask judges is there too where it can be seen among them.
    verdict : Verdict, optional
        Only channels of this verdict.
    named : bool
        Whether each says its check.
    """
    strips = [
        strip
        for strip in strips_of_check(view, check, population=others)
        if verdict in (None, strip.verdict) and (strip.verdict is not None or _can_be_seen(strip))
    ]
    for metric in dict.fromkeys(strip.metric for strip in strips):
        yield _of_strips([strip for strip in strips if strip.metric == metric], named)
    curves = [item for item in check.judged.curves if item.verdict is not None]
    curves = [item for item in curves if verdict in (None, item.verdict)]
    for metric in dict.fromkeys(item.curve.metric for item in curves):
        yield _of_curves(check, [item for item in curves if item.curve.metric == metric])


def _can_be_seen(strip: Strip) -> bool:
    """Return whether a value's place among others is more than its own uncertainty."""
    values = [*strip.others, *(() if strip.value is None else (strip.value,))]
    return float(np.ptp(values)) > 8.0 * (strip.uncertainty or 0.0)


def _of_strips(strips: Sequence[Strip], named: bool) -> MetricPart:
    first = strips[0]
    parts = tuple(strip_part(strip, named=named) for strip in strips)
    return MetricPart(
        name=metric_name(first.metric),
        metric=first.metric,
        badge=_common([part.badge for part in parts]),
        limits=limits_text(first),
        strips=parts,
    )


def _of_curves(check: CheckOutcome, items: Sequence[JudgedCurve]) -> MetricPart:
    """Return a curve's channels in words, once where the words are the same."""
    told: dict[tuple[Badge, str], list[str]] = {}
    for item in items:
        told.setdefault((badge(item.verdict), _curve_text(check, item)), []).append(item.curve.channel or "")
    metric = items[0].curve.metric
    return MetricPart(
        name=metric_name(metric),
        metric=metric,
        badge=_common([mark for mark, _ in told]),
        limits="",
        lines=tuple((" and ".join(filter(None, names)), mark, text) for (mark, text), names in told.items()),
    )


def _common(badges: Sequence[Badge]) -> Badge | None:
    return badges[0] if len(set(badges)) == 1 else None


def _curve_text(check: CheckOutcome, item: JudgedCurve) -> str:
    """Return where a curve is nearest to its limit or furthest beyond, and what the limit is there."""
    unit = item.curve.unit
    if item.verdict is Verdict.INVALID or item.worst_y is None:
        return sentence(judgement(item, check.judged.problems))
    limits = (item.limit, item.fail_limit)
    value, _ = measured_texts(item.worst_y, None, unit, limits)
    where = "" if item.worst_x is None else f" at {place_text(item.worst_x, item.curve.x_unit)}"
    if item.limit is None or item.margin is None or item.side not in _BEYOND:
        return f"{value}{where}."
    text = f"{value}{where}: {margin_text(item.margin, unit)} of {limit_text(item.limit, unit)}"
    if item.fail_limit is not None and item.fail_limit != item.limit:
        text += f"; fails {_BEYOND[item.side]} {limit_text(item.fail_limit, unit)}"
    return f"{text}."
