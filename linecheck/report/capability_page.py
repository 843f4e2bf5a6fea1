"""Whether the process makes units within the masks, as one page: a small histogram of each metric, the worst first."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

from linecheck import __version__
from linecheck.files.text import counted, visible
from linecheck.report.figures.histograms import Histogram, Limits, histogram_svg, legend_svg
from linecheck.report.parts import Part
from linecheck.results.wording import significant
from linecheck.statistics.capability import Interval
from linecheck.statistics.capability_words import (
    Told,
    apart_text,
    beyond_text,
    counts_text,
    index,
    limits_text,
    name_text,
    verdict_text,
)
from linecheck.statistics.readings import Counted

#: Metrics that are drawn; the command lists them all.
MAX_DRAWN: Final = 60
#: The shape of each verdict, the worst first.
_SHAPES: Final = {"not capable": "fail", "cannot be told": "invalid", "capable": "pass"}
#: What is known more closely than this has no more decimals for it.
_MIN_HALF: Final = 1e-9
_METHODS: Final = {
    "normal": "Normal fit",
    "skewed": "Skewed fit",
    "percentiles": "By percentiles, no curve",
    "none": "No fit, no curve",
}


def capability_page_of(
    units: Counted, told: Sequence[Told], required: float, source: str, *, every_run: bool = False
) -> Part:
    """Return what the page of capability shows."""
    worst_first = sorted(told, key=_rank)
    title = f"Capability: {counts_text(told) or 'nothing is judged'}"
    return {
        "title": title,
        "running_head": f"Capability, {units.since} to {units.until}" if units.units else "Capability",
        "software": f"linecheck {__version__}",
        "headline": title,
        "counted": f"{counted(units.units, 'unit')}, {units.since} to {units.until}"
        if units.units
        else "no unit was judged",
        "source": visible(source),
        "every_run": every_run,
        "required": f"{required:g}",
        "within": ", ".join(sorted({each.readings.within.by for each in told if each.readings.within})),
        "has_curves": any(each.readings.is_curve for each in told),
        "legend": legend_svg("legend"),
        "metrics": tuple(_card(each, at) for at, each in enumerate(worst_first[:MAX_DRAWN], 1)),
        "more": max(0, len(told) - MAX_DRAWN),
    }


def _rank(item: Told) -> tuple[int, float, int]:
    """Return what puts the worst first: its verdict, its Ppk, and the units found beyond."""
    of = item.capability
    place = list(_SHAPES).index(of.verdict) if item.is_judged else len(_SHAPES)
    return place, -math.inf if of.ppk is None else of.ppk.value, -of.found_beyond


def _card(item: Told, at: int) -> Part:
    name = name_text(item.readings)
    return {
        "name": name,
        "shape": _SHAPES[item.capability.verdict] if item.is_judged else "none",
        "verdict": verdict_text(item),
        "drawn": _drawn(item, name, f"metric-{at}"),
        "facts": tuple(_facts(item)),
        "method": f"{_METHODS[item.capability.method]}: {item.capability.why}.",
    }


def _drawn(item: Told, name: str, prefix: str) -> str:
    readings = item.readings
    passes, fails = _limits(item)
    drawn = Histogram(readings.sample, visible(readings.unit), passes, fails, item.capability.fit)
    return histogram_svg(drawn, f"{name}, {counted(readings.sample.units, 'unit')}", prefix)


def _limits(item: Told) -> tuple[Limits, Limits]:
    """Return the limits that are drawn: both masks; of a curve the one that it is held by, from which it is told."""
    readings, neither = item.readings, (None, None)
    if readings.mask is None:
        return neither, neither
    if readings.is_curve:
        # A mask without a fail mask fails what it does not pass.
        is_marginal = item.of_pass and readings.mask.fail is not None
        return (item.tolerance.limits, neither) if is_marginal else (neither, item.tolerance.limits)
    return readings.tolerance(of_pass=True).limits, readings.tolerance().limits


def _facts(item: Told) -> Iterator[tuple[str, str]]:
    of, unit = item.capability, item.readings.unit
    for name, told in (("Ppk", of.ppk), ("Pp", of.pp), ("Cpk", of.cpk), ("Cp", of.cp)):
        if told is not None:
            yield name, f"{index(told.value)} ({index(told.low)} to {index(told.high)})"
    if of.mean is not None:
        yield "mean", _with_interval(of.mean, unit)
    if of.spread is not None:
        yield "spread", _with_interval(of.spread, unit)
    if item.is_judged:
        whose = " (pass mask)" if item.of_pass else ""
        yield "held against", f"{limits_text(item.tolerance)} {visible(unit)}".rstrip() + whose
    if of.beyond is not None:
        name = "expected beyond" if of.fit is not None else "counted beyond"
        yield name, f"{beyond_text(of.beyond)}; {counted(of.found_beyond, 'unit')} found"
    if apart := apart_text(item):
        yield "apart", apart


def _with_interval(of: Interval, unit: str) -> str:
    """Return a value with its interval, in as many decimals as its interval has two digits of."""
    half = 0.5 * (of.high - of.low)
    if math.isfinite(half) and half > _MIN_HALF:
        decimals = max(0, 1 - math.floor(math.log10(half)))
        value, low, high = (f"{each:.{decimals}f}" for each in (of.value, of.low, of.high))
    else:
        value, low, high = (significant(each, 6) for each in (of.value, of.low, of.high))
    return f"{value} {visible(unit)}".rstrip() + f" ({low} to {high})"
