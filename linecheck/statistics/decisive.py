"""What masks come to on units that were measured: which decide, which never do, which say the same, what each costs.

=========================  ===========================================================================
:func:`judged_units`       the counted units by the masks of a limit file, from their readings
:class:`JudgedUnits`       their levels, as arrays
:func:`outcome`            before and after, counted
:func:`mask_costs`         the units that each mask fails, and fails alone
:func:`dominated`          masks that never fail a unit that another one does not fail too
:func:`alike`              metrics that say the same of units
=========================  ===========================================================================
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from linecheck.dsp.arrays import BoolArray, FloatArray, IntArray
from linecheck.limits.bulk import LEVELS, UNJUDGED, FlatMasks, judge_readings, level_of
from linecheck.limits.model import LimitFile, Mask
from linecheck.limits.verdict import Verdict
from linecheck.statistics.readings import Key, judged_columns, specs_of

if TYPE_CHECKING:
    from linecheck.statistics.columns import Columns

#: At most so many of the newest units are judged anew.
MAX_UNITS: Final = 20_000
#: Fewer fails are no pattern.
_MIN_FAILS: Final = 3
#: From this correlation on two metrics say the same, if there are so many units.
ALIKE: Final = 0.95
_MIN_ALIKE: Final = 20
_FAIL, _MARGINAL, _INVALID = (
    level_of(verdict) for verdict in (Verdict.FAIL, Verdict.MARGINAL, Verdict.INVALID)
)


@dataclass(frozen=True, eq=False)
class JudgedUnits:
    """Units by their readings, arrays of shape (units, metrics).

    ``keys`` name the metrics and channels. ``values`` are NaN where there is none. ``before`` and ``after`` are levels
    (:data:`~linecheck.limits.bulk.LEVELS`) by the mask that judged them and by the other one; a metric whose mask is
    the same, or that is a curve, keeps its level.
    """

    keys: tuple[Key, ...]
    values: FloatArray
    before: NDArray[np.int8]
    after: NDArray[np.int8]

    def unit_levels(self, levels: NDArray[np.int8]) -> NDArray[np.int8]:
        """Return the level of each unit: that of its worst reading."""
        return np.asarray(np.max(levels, axis=1, initial=UNJUDGED))


def judged_units(columns: Columns, limits: LimitFile, other: Mapping[tuple[str, str], Mask]) -> JudgedUnits:
    """Return the newest of the counted units by the masks that judged them, and by other ones.

    Parameters
    ----------
    columns : Columns
        After :func:`~linecheck.statistics.readings.count_units`.
    limits : LimitFile
    other : mapping of Mask
        By check and metric, those that change.
    """
    found = judged_columns(columns, limits, MAX_UNITS)
    units, unit = np.unique(found["nth"], return_inverse=True)
    named = zip(found["check"].tolist(), found["metric"].tolist(), found["channel"].tolist(), strict=True)
    labels: list[Key] = [(check, metric, channel or None) for check, metric, channel in named]
    keys = tuple(sorted(set(labels), key=lambda key: (key[0], key[1], key[2] or "")))
    number = {key: at for at, key in enumerate(keys)}
    metric = np.array([number[key] for key in labels], dtype=np.intp)
    before = np.array([_level(verdict) for verdict in found["verdict"]], dtype=np.int8)
    better = {(check.name, spec.name): spec.better for check in limits.checks for spec in specs_of(check)}
    masks = FlatMasks.of((other.get(key[:2]), better.get(key[:2], "nominal")) for key in keys)
    value = np.where(found["is_void"], np.nan, found["value"])
    after = judge_readings(masks, metric, value, found["uncertainty"], found["is_bound"], limits.decision)
    after = np.where(masks.masked[metric] & ~found["is_curve"], after, before)
    shape = (len(units), len(keys))
    values, was, now = (
        np.full(shape, np.nan),
        np.full(shape, UNJUDGED, np.int8),
        np.full(shape, UNJUDGED, np.int8),
    )
    values[unit, metric], was[unit, metric], now[unit, metric] = value, before, after
    return JudgedUnits(keys, values, was, now)


def _level(verdict: str) -> int:
    return level_of(Verdict(verdict))


def outcome(units: JudgedUnits) -> dict[tuple[Verdict, Verdict], int]:
    """Return how many units come to which verdict, by the masks that judged them and by the others."""
    pairs = zip(
        units.unit_levels(units.before).tolist(), units.unit_levels(units.after).tolist(), strict=True
    )
    counted = Counter(pair for pair in pairs if UNJUDGED not in pair)
    return {(LEVELS[was], LEVELS[now]): count for (was, now), count in sorted(counted.items())}


@dataclass(frozen=True)
class Cost:
    """What a mask costs in yield: the units that it does not pass, those that it fails, and those it alone does."""

    check: str
    metric: str
    not_passed: int
    failed: int
    alone: int


def mask_costs(units: JudgedUnits, levels: NDArray[np.int8]) -> tuple[list[Cost], int]:
    """Return what each mask costs, most first, and how many units fail in all; a mask judges all its channels."""
    masks, failed = _by_mask(units, levels == _FAIL)
    _, missed = _by_mask(units, (levels == _FAIL) | (levels == _MARGINAL))
    alone = failed & (np.sum(failed, axis=1) == 1)[:, None]
    counts = (np.sum(of, axis=0).tolist() for of in (missed, failed, alone))
    costs = [Cost(*mask, *found) for mask, *found in zip(masks, *counts, strict=True)]
    order = sorted(costs, key=lambda cost: (-cost.failed, -cost.not_passed))
    return order, int(np.sum(np.any(failed, axis=1)))


def _by_mask(units: JudgedUnits, what: BoolArray) -> tuple[list[tuple[str, str]], BoolArray]:
    masks = list(dict.fromkeys(key[:2] for key in units.keys))
    columns = [np.any(what[:, [key[:2] == mask for key in units.keys]], axis=1) for mask in masks]
    return masks, np.stack(columns, axis=1) if columns else np.zeros((len(what), 0), dtype=bool)


def dominated(
    units: JudgedUnits, levels: NDArray[np.int8]
) -> list[tuple[tuple[str, str], tuple[str, str], int]]:
    """Return masks that fail no unit which another does not fail too: the mask, the other, and how many they share.

    Of two masks that fail the very same units the later one is named.
    """
    masks, failed = _by_mask(units, levels == _FAIL)
    together: IntArray = failed.T.astype(np.int64) @ failed.astype(np.int64)
    found = []
    for at, mask in enumerate(masks):
        own = int(together[at, at])
        if own < _MIN_FAILS:
            continue
        others = [
            other
            for other in range(len(masks))
            if other != at
            and together[at, other] == own
            and (together[other, other] > own or (together[other, other] == own and other < at))
        ]
        if others:
            widest = max(others, key=lambda other: int(together[other, other]))
            found.append((mask, masks[widest], own))
    return found


def alike(units: JudgedUnits) -> Iterator[tuple[Key, Key, float, int]]:
    """Yield pairs of metrics that say the same of units, with their correlation and how many units have both."""
    there = np.isfinite(units.values)
    count = np.sum(there, axis=0)
    usable = [at for at in range(len(units.keys)) if count[at] >= _MIN_ALIKE]
    centred = np.where(there, units.values - _means(units.values, there), 0.0)
    spread = np.sqrt(np.sum(centred**2, axis=0))
    with np.errstate(divide="ignore", invalid="ignore"):
        r = (centred.T @ centred) / np.outer(spread, spread)
    for first, second in _pairs(usable):
        if abs(r[first, second]) >= ALIKE:
            both = int(np.sum(there[:, first] & there[:, second]))
            yield units.keys[first], units.keys[second], float(r[first, second]), both


def _means(values: FloatArray, there: BoolArray) -> FloatArray:
    total = np.sum(np.where(there, values, 0.0), axis=0)
    return np.asarray(total / np.maximum(np.sum(there, axis=0), 1))


def _pairs(places: Sequence[int]) -> Iterator[tuple[int, int]]:
    return ((first, second) for at, first in enumerate(places) for second in places[at + 1 :])
