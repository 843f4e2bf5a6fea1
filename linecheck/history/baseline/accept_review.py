"""What a person should know of a baseline before relying on it, and what it changes.

==================  ==================================================================
:func:`doubts`      masks that are failed, margins that are too small, units that left
:func:`changes`     each value against the baseline that is replaced, worst first
==================  ==================================================================
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator

import numpy as np

from linecheck.errors import listed
from linecheck.history.baseline.accept import MAX_NAMED, Acceptance
from linecheck.history.baseline.file import CheckEntry, CurveEntry, ReadingEntry
from linecheck.history.baseline.regression import Comparison, by_badness, compare_units
from linecheck.history.baseline.unit_entry import uncompared_texts
from linecheck.limits.regression import alarm_sigmas, margin_needed
from linecheck.limits.verdict import Verdict
from linecheck.results.wording import number

__all__ = ["changes", "doubts"]


def doubts(acceptance: Acceptance) -> Iterator[str]:
    """Yield, a sentence each, what a person should know of a baseline before relying on it."""
    for run in acceptance.runs:
        if run.verdict is not Verdict.PASS:
            yield f"{run.serial} is accepted although its masks say {run.verdict.value}"
    if acceptance.replaced is not None:
        kept = {unit.serial for unit in acceptance.file.unit}
        left = [serial for serial in acceptance.replaced.units if serial not in kept]
        if left:
            yield f"no longer in the baseline: {', '.join(listed(left, MAX_NAMED))}"
    yield from _small_margins(acceptance)
    bounds = [
        f"{check.name} {item.metric}"
        for unit in acceptance.file.unit
        for check in unit.check
        for item in check.readings
        if item.bound
    ]
    if bounds:
        yield (
            f"known to be so good or better, and no more: {', '.join(listed(list(dict.fromkeys(bounds)), MAX_NAMED))}. "
            "What is worse than this will be found; what stays so inside its mask counts as unchanged"
        )
    yield from uncompared_texts(acceptance.runs[0].limits)


def _small_margins(acceptance: Acceptance) -> Iterator[str]:
    """Yield the margins of which twice may go unnoticed between this baseline and one more capture set."""
    margins = {check.name: check.regression for check in acceptance.runs[0].limits.checks}
    sets = Counter(run.serial for run in acceptance.runs)
    found: dict[str, tuple[float, float, str]] = {}
    for unit in acceptance.file.unit:
        sigmas = alarm_sigmas(unit.comparisons)
        for check in unit.check:
            for item, needed in _needed(check, math.sqrt(1.0 + sets[unit.serial]), sigmas):
                name, margin = f"{check.name} {item.metric}", margins[check.name][item.metric]
                if needed > max(margin, found[name][1] if name in found else 0.0):
                    found[name] = (margin, needed, item.unit)
    for name, (margin, needed, unit_name) in sorted(found.items(), key=lambda item: -item[1][1] / item[1][0]):
        yield (
            f"{name}: twice its margin of {number(margin, unit_name)} may go unnoticed; it needs a margin of "
            f"{number(needed, unit_name, 2)}, a longer stimulus or several sets"
        )


def _needed(
    check: CheckEntry, spread: float, sigmas: float
) -> Iterator[tuple[ReadingEntry | CurveEntry, float]]:
    """Yield the margin that each reading needs which is no bound, and of a curve the one that suits half of its bands.

    ``spread`` is the uncertainty of a change in parts of that of what is kept.
    """
    for reading in check.readings:
        if not reading.bound:
            yield reading, margin_needed(spread * reading.uncertainty, sigmas)
    for curve in check.curve:
        profile = curve.profile()
        hidden = np.abs(profile.outer - profile.inner)
        needed = margin_needed(1.0, sigmas) * spread * profile.uncertainty + 0.5 * hidden
        yield curve, float(np.median(needed))


def changes(acceptance: Acceptance) -> tuple[Comparison, ...]:
    """Return everything of the units that the replaced baseline has too, compared with it, worst first."""
    replaced = acceptance.replaced
    if replaced is None:
        return ()
    old = replaced.units
    found: list[Comparison] = []
    runs = {run.serial: run for run in acceptance.runs}
    both = [unit for unit in acceptance.file.unit if unit.serial in old]
    sigmas = alarm_sigmas(sum(old[unit.serial].comparisons for unit in both))
    for unit in both:
        found += compare_units(unit, old[unit.serial], runs[unit.serial], sigmas)
    return tuple(by_badness(found))
