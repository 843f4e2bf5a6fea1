"""How far a golden unit's readings may differ from its own history.

==========================  ==================================================================
:func:`golden_margins`      the margin of every metric and curve that is compared, by check
:func:`unused_margins`      what the station config names and a limit file does not have
:class:`Margin`             a margin, and whether anybody has chosen it
==========================  ==================================================================

The station config's own margin counts first, by ``check.metric``, by metric, by unit; then the limit file's margins of
regression, where it has any; else a default of the metric's unit, for whatever a mask judges.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from linecheck.checks import kinds
from linecheck.checks.base import CurveSpec, MetricSpec
from linecheck.errors import FileError, UsageError
from linecheck.limits.loading.regression_entries import class_names
from linecheck.limits.model import Check, LimitFile

#: By unit of a metric. Common practice, no source: what a line output of 2 to 4 V moves by when it is plugged anew and
#: the day is warmer is less. What is read in another unit, and curves, have no default.
DEFAULT_MARGINS: Final[Mapping[str, float]] = {
    "dB": 0.5,
    "dBFS": 0.5,
    "bit": 0.1,
    "V": 0.02,
    "mV": 0.2,
    "µV": 0.3,
    "ppm": 2.0,
    "Hz": 20.0,
    "ps": 3.0,
    "ms": 0.1,
    "samples": 0.05,
    "": 0.5,
}


@dataclass(frozen=True)
class Margin:
    """By how much a metric may differ, in its unit; ``chosen`` where the station config or the limit file says so."""

    size: float
    chosen: bool


def golden_margins(limits: LimitFile, own: Mapping[str, float]) -> dict[str, dict[str, Margin]]:
    """Return the margins by check (its whole name) and metric or curve.

    Parameters
    ----------
    limits : LimitFile
    own : mapping of str to float
        The station config's.

    Raises
    ------
    UsageError
        The station config names a metric or a unit that no check has.
    FileError
        Nothing of this limit file would be compared.
    """
    _require_known(own)
    declared = any(check.regression for check in limits.checks)
    found = {
        check.name: {
            spec.name: margin
            for spec in check.kind.specs
            if (margin := _of_spec(check, spec, own, declared)) is not None
        }
        for check in limits.checks
    }
    if not any(found.values()):
        raise FileError(
            limits.path,
            "has nothing to compare a golden unit by: give it masks or regression margins, or set "
            "margins in the station config's [golden]",
        )
    return found


def unused_margins(limits: LimitFile, own: Mapping[str, float]) -> tuple[str, ...]:
    """Return the margins of the station config that name a check which a limit file does not have."""
    names = {name for check in limits.checks for name in (check.name, check.entry)}
    return tuple(name for name in own if "." in name and name.rpartition(".")[0] not in names)


def _require_known(own: Mapping[str, float]) -> None:
    """Refuse a name that never applies: a typo must not leave a margin at its default."""
    metrics, units = class_names(kinds())
    for name in own:
        known = metrics if "." in name else (*units, *metrics)
        last = name.rpartition(".")[2]
        if last not in known:
            close = difflib.get_close_matches(last, known, n=1, cutoff=0.5)
            hint = f"did you mean {close[0]}?" if close else f"the units are: {', '.join(units)}"
            raise UsageError(
                f"the station config's golden.margins: {name!r} is neither a metric nor a unit; {hint}"
            )


def _of_spec(
    check: Check, spec: MetricSpec | CurveSpec, own: Mapping[str, float], declared: bool
) -> Margin | None:
    for name in (f"{check.name}.{spec.name}", f"{check.entry}.{spec.name}", spec.name):
        if name in own:
            return Margin(own[name], True)
    is_curve = isinstance(spec, CurveSpec)
    if spec.name in check.masks and not is_curve and spec.unit in own:
        return Margin(own[spec.unit], True)
    if spec.name in check.regression:
        return Margin(check.regression[spec.name], True)
    if declared or is_curve or spec.name not in check.masks:
        return None
    default = DEFAULT_MARGINS.get(spec.unit)
    return None if default is None else Margin(default, False)
