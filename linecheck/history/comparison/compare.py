"""Two runs or more side by side: all values, all curves, and what truly differs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from linecheck import __version__
from linecheck.errors import RecordError, UsageError
from linecheck.files.text import visible
from linecheck.files.times import utc_text
from linecheck.history.comparison.differences import compared_curves, compared_values, comparisons_in
from linecheck.history.comparison.findings import find
from linecheck.history.comparison.model import Comparison
from linecheck.history.comparison.notes import notes
from linecheck.history.comparison.sides import MAX_SIDES, Picked, side_of
from linecheck.limits.regression import alarm_sigmas

__all__ = ["compare_sides"]


def compare_sides(picked: Sequence[Picked]) -> Comparison:
    """Return the comparison of two sides or more, the first of which the others are held against.

    Raises
    ------
    UsageError
        There are too few or too many sides, or they are of different models or channels.
    RecordError
        They have nothing in common that was measured.
    """
    _require_comparable(picked)
    count = comparisons_in(picked)
    if not count:
        raise RecordError(
            "the sides have no check in common that was measured alike on both: nothing can be compared. "
            + ("; ".join(notes(picked)) or "Their runs may be invalid (linecheck log show)")
        )
    sigmas = alarm_sigmas(count)
    sides = tuple(side_of(number, side, picked) for number, side in enumerate(picked))
    values, curves = compared_values(picked, sigmas), compared_curves(picked, sigmas)
    first = picked[0].view.limits
    return Comparison(
        created=utc_text(datetime.now(UTC)),
        software=f"linecheck {__version__}",
        limit_path=first.path,
        limit_revision=first.revision,
        limit_sha256=first.sha256,
        channels=first.channels,
        sides=sides,
        sigmas=sigmas,
        comparisons=count,
        values=values,
        curves=curves,
        findings=find(sides, values, curves, _analysis(picked[0])),
        notes=tuple(notes(picked)),
    )


def _analysis(side: Picked) -> dict[str, Mapping[str, Any]]:
    known = {name: side.view.limits_of(check.check) for name, check in side.checks.items()}
    return {name: limits.analysis_values for name, limits in known.items() if limits is not None}


def _require_comparable(picked: Sequence[Picked]) -> None:
    if not 2 <= len(picked) <= MAX_SIDES:
        raise UsageError(f"name two runs or capture sets to compare, {MAX_SIDES} at most")
    models = dict.fromkeys(visible(side.view.model) for side in picked)
    if len(models) > 1:
        raise UsageError(f"are of different models, which cannot be compared: {', '.join(models)}")
    if len({side.view.limits.channels for side in picked}) > 1:
        raise UsageError("were measured in different channels, which cannot be compared")
