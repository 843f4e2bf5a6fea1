"""Values of all sides of a comparison, each with its difference from the first side's.

========================  ==================================================================
:func:`compared_rows`     a row for each metric, channels that say the same together
:func:`side_by_side`      the same with a cell for each side, as a page has it
========================  ==================================================================
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from linecheck.checks.base import Reading
from linecheck.checks.parts.declared import difference_unit
from linecheck.history.comparison.findings import accuracy_of, is_worse
from linecheck.history.comparison.model import Compared, ComparedCurve, ComparedValue
from linecheck.report.figures.data import COVERAGE
from linecheck.report.figures.words import (
    measured_texts,
    metric_name,
    place_text,
    plain_number,
    signed_texts,
    value_text,
)
from linecheck.report.parts import Part
from linecheck.results.wording import response_at

#: Which way a difference goes: for the worse, or neither.
WAYS = {True: "worse", False: "better", None: "other"}
#: What is said of a difference that is real; after it stands which way it goes.
SIGNIFICANT = "significant"
_NOTHING = "–"
_PAIR = 2

#: A metric of all sides: its check, its name in limit files, for which channels, a value for each side, and for each
#: but the first its difference, and whether that is real.
Row = tuple[str, str, str, tuple[str, ...], tuple[tuple[str, str], ...]]


def is_response_at(item: Compared) -> bool:
    """Return whether a metric is the response at a frequency that its name says."""
    return bool(response_at(item.metric))


def differs(item: Compared) -> bool:
    """Return whether a metric or curve of any side truly differs from the first side's."""
    return any(difference.significant for difference in item.differences)


def side_by_side(rows: Iterable[Row]) -> Iterator[Part]:
    """Yield a row for each metric; ``cells`` has for each side what its channels say.

    That is: whose it is (empty where all channels say the same), the value, its difference from the first side's, what
    that means, and whether it is real.
    """
    for (check, metric), group in groupby(rows, lambda row: row[:2]):
        own = list(group)
        yield {
            "check": check,
            "metric": metric,
            "name": metric_name(metric),
            "cells": [_cell(own, at) for at in range(len(own[0][3]))],
        }


def _cell(rows: Sequence[Row], at: int) -> list[tuple[str, str, str, str, bool]]:
    said: dict[tuple[str, str, str], list[str]] = {}
    for _, _, channels, values, differences in rows:
        difference, meaning = differences[at - 1] if at else ("", "")
        said.setdefault((values[at], difference, meaning), []).append(channels)
    found = []
    for (value, difference, meaning), names in said.items():
        is_real = meaning.startswith(SIGNIFICANT)
        word = meaning.removeprefix(SIGNIFICANT).removeprefix(", ") or "differs" if is_real else meaning
        label = " and ".join(filter(None, names)) if len(said) > 1 else ""
        found.append((label, value, "" if difference == _NOTHING else difference, word, is_real))
    return found


def compared_rows(items: Iterable[Compared]) -> tuple[Row, ...]:
    """Return a row for each metric; channels that have the same texts share one."""
    found: dict[tuple[str, str, tuple[str, ...], tuple[tuple[str, str], ...]], list[str]] = {}
    for item in items:
        values, differences = _value_texts(item) if isinstance(item, ComparedValue) else _curve_texts(item)
        found.setdefault((item.check, item.metric, values, differences), []).append(item.channel or "")
    return tuple(
        (check, metric, " and ".join(filter(None, channels)), values, differences)
        for (check, metric, values, differences), channels in found.items()
    )


def _value_texts(value: ComparedValue) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    least = accuracy_of(value)
    return (
        tuple(_reading(reading, least) for reading in value.readings),
        tuple(_difference(value, at, least) for at in range(1, len(value.readings))),
    )


def _reading(reading: Reading | None, least: float) -> str:
    if reading is None:
        return _NOTHING
    if reading.value is None:
        return "not measured"
    expanded = max(COVERAGE * (reading.uncertainty or 0.0), least)
    text, _ = measured_texts(reading.value, expanded, reading.unit)
    return text + " or better" * reading.is_bound


def _difference(compared: Compared, at: int, least: float) -> tuple[str, str]:
    """Return a difference ± its expanded uncertainty (no less than the accuracy of its check), and what it means."""
    item, unit = compared.differences[at - 1], compared.unit
    if item.difference is None:
        return _NOTHING, item.why
    spread = None if item.uncertainty is None else COVERAGE * item.uncertainty
    text, told = signed_texts(item.difference, spread and max(spread, least), unit)
    if spread and spread < least:
        told = f"± below {plain_number(least)} {difference_unit(unit)}".rstrip()
    if told.endswith(f" {difference_unit(unit)}"):
        text = text.removesuffix(f" {difference_unit(unit)}")
    if not item.significant:
        return f"{text} {told}".rstrip(), item.why or "not significant"
    worse = is_worse(compared, at)
    return f"{text} {told}".rstrip(), f"{SIGNIFICANT}{'' if worse is None else f', {WAYS[worse]}'}"


def _curve_texts(curve: ComparedCurve) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """Return a curve's values where each side differs most from the first."""
    least = accuracy_of(curve)
    told, values = [], [_NOTHING if item is None or not len(item.x) else "" for item in curve.curves]
    for at, item in enumerate(curve.differences, start=1):
        text, meaning = _difference(curve, at, least)
        where = "" if item.x is None else f" at {place_text(item.x, curve.x_unit)}"
        told.append((f"{text}{where}", meaning))
        if item.value is not None:
            values[at] = f"{value_text(item.value, curve.unit)}{where}"
        if item.base_value is not None and len(curve.curves) == _PAIR:
            values[0] = f"{value_text(item.base_value, curve.unit)}{where}"
    return tuple(text or "measured" for text in values), tuple(told)
