"""Other runs and stored references in a run's figures: thin and grey, each named, of many one channel.

=========================  =======================================================================
:class:`Overlay`           the curves of one run or unit of a baseline, under a name
:func:`overlay_of`         those of a run
:func:`overlays_of`        those of several, and of baselines' units
:func:`overlaid`           what of some overlays is drawn beside a check's curve
=========================  =======================================================================
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from linecheck.checks.base import Curve
from linecheck.files.text import visible
from linecheck.report.figures.data import Series
from linecheck.run.model import CheckOutcome, Run

if TYPE_CHECKING:
    from linecheck.history.baseline.file import Baseline, CurveEntry

#: Of more overlays than this, each is a line of one channel, unless its channels differ.
FEW = 4
#: Channels differ where their medians, their lower tenths or their highest levels are further apart than this share of
#: what they span. The lowest point of a noise floor is mere chance.
_DIFFERS = 0.05

#: Check, kind, curve: by these a curve finds its like.
_Key = tuple[str, str, str]


@dataclass(frozen=True)
class Overlay:
    """The curves of one run or of one unit of a baseline, by check, kind and metric."""

    name: str
    curves: Mapping[tuple[str, str, str], tuple[Curve, ...]]


def overlay_of(run: Run, name: str = "") -> Overlay:
    """Return the curves of a run, under its unit's serial number or another name."""
    curves: dict[_Key, list[Curve]] = {}
    for check in run.checks:
        for item in check.judged.curves:
            if len(item.curve.x):
                curves.setdefault((check.check, check.kind, item.curve.metric), []).append(item.curve)
    return Overlay(visible(name or run.serial), {key: tuple(own) for key, own in curves.items()})


def overlays_of(*references: Run | Baseline) -> tuple[Overlay, ...]:
    """Return the curves of runs, and of the units of baselines."""
    found: list[Overlay] = []
    for reference in references:
        found += [overlay_of(reference)] if isinstance(reference, Run) else _of_baseline(reference)
    return tuple(found)


def _of_baseline(baseline: Baseline) -> Iterator[Overlay]:
    """Yield the curves of a baseline's units: the extremes of their bands, at the bands' middles."""
    for unit in baseline.file.unit:
        curves: dict[_Key, list[Curve]] = {}
        for check in unit.check:
            for entry in check.curve:
                curves.setdefault((check.name, check.kind, entry.metric), []).extend(_curves_of(entry))
        yield Overlay(visible(f"baseline {unit.serial}"), {key: tuple(own) for key, own in curves.items()})


def _curves_of(entry: CurveEntry) -> Iterator[Curve]:
    """Yield what a baseline keeps of a curve: the worse extremes, or the lowest and the highest ones."""
    profile = entry.profile()
    channel = entry.channel or "pair"
    sides = ("lowest", "highest") if entry.two_sided else ("",)
    for side, x, y in zip(sides, profile.x, profile.inner, strict=True):
        name = f"{channel} {side}".rstrip()
        yield Curve(entry.metric, name, x, entry.x_unit, y, entry.unit)


def told_apart(overlays: Sequence[Overlay]) -> tuple[Overlay, ...]:
    """Return overlays with names that differ: of one unit's several runs, each with its number."""
    names = [overlay.name for overlay in overlays]
    told: list[Overlay] = []
    for at, overlay in enumerate(overlays):
        several = names.count(overlay.name) > 1
        number = f" ({1 + names[:at].count(overlay.name)})" if several else ""
        told.append(Overlay(f"{overlay.name}{number}", overlay.curves))
    return tuple(told)


def overlaid(overlays: Sequence[Overlay], check: CheckOutcome, metric: str) -> list[Series]:
    """Return the curves of the same check and metric; of many overlays one channel of each."""
    many = len(overlays) > FEW
    found = []
    for number, overlay in enumerate(told_apart(overlays)):
        curves = overlay.curves.get((check.check, check.kind, metric), ())
        if many and len(curves) > 1 and not _differ(curves):
            curves = curves[:1]
        found += [
            Series(
                f"{overlay.name} {curve.channel or 'pair'}",
                curve.x,
                curve.y,
                is_reference=True,
                look=number if len(overlays) > 1 else None,
                is_thin=many,
            )
            for curve in curves
        ]
    return found


def _differ(curves: Sequence[Curve]) -> bool:
    """Return whether channels differ by more than their noise."""
    levels = np.array([np.quantile(curve.y, (0.1, 0.5, 1.0)) for curve in curves])
    span = max(np.max(curve.y) for curve in curves) - min(np.min(curve.y) for curve in curves)
    return bool(np.max(np.ptp(levels, axis=0)) > _DIFFERS * span > 0.0)
