"""Agreement of verdicts: within a level, between levels, with a reference; as counts and as kappa.

Kappa is the share of agreement beyond what chance gives (Cohen for two, Fleiss for many ratings of each unit). Its
interval is that of the jackknife over units with Student's t: few units, wide interval. Where all verdicts are alike,
or all units agree without exception, there is nothing that an interval could be made of, and none is given.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linecheck.statistics.gauge.components import CONFIDENCE, Interval
from linecheck.statistics.yields import Share

Counts = NDArray[np.int64]


@dataclass(frozen=True)
class LevelAgreement:
    """How the verdicts at one level agree: with each other, and with the reference where there is one.

    ``missed`` counts verdicts that accept a unit which the reference rejects, ``false_alarms`` the other way round.
    """

    level: str
    within: Share
    kappa_within: Interval | None
    with_reference: Share | None = None
    missed: Share | None = None
    false_alarms: Share | None = None
    kappa_reference: Interval | None = None


@dataclass(frozen=True)
class Agreement:
    """How verdicts agree; a kappa is None where every verdict is the same."""

    levels: tuple[LevelAgreement, ...]
    between: Share | None = None
    kappa_between: Interval | None = None
    with_reference: Share | None = None


def agreement(
    rejects: Sequence[NDArray[np.bool_]],
    levels: Sequence[str],
    references: Sequence[NDArray[np.bool_]] | None = None,
    *,
    nested: bool = False,
) -> Agreement:
    """Return how verdicts agree.

    Parameters
    ----------
    rejects : sequence of array of bool, (units, repeats)
        By level, whether a run rejected its unit.
    levels : sequence of str
    references : sequence of array of bool, (units,), optional
        By level, whether the unit should be rejected.
    nested : bool
        Each level has units of its own: nothing is told between levels.
    """
    given = [None] * len(levels) if references is None else references
    told = tuple(map(_of_level, levels, rejects, given))
    if nested or len(levels) < 2:
        return Agreement(told)
    flat = np.concatenate(rejects, axis=1)
    whole = np.all(flat == flat[:, :1], axis=1)
    right = None if given[0] is None else Share(int((whole & (flat[:, 0] == given[0])).sum()), len(flat))
    return Agreement(told, Share(int(whole.sum()), len(flat)), fleiss(_counts(flat)), right)


def _of_level(level: str, rejects: NDArray[np.bool_], reference: NDArray[np.bool_] | None) -> LevelAgreement:
    units = len(rejects)
    whole = np.all(rejects == rejects[:, :1], axis=1)
    within = Share(int(whole.sum()), units), fleiss(_counts(rejects))
    if reference is None:
        return LevelAgreement(level, *within)
    right = whole & (rejects[:, 0] == reference)
    bad, good = rejects[reference], rejects[~reference]
    return LevelAgreement(
        level,
        *within,
        Share(int(right.sum()), units),
        Share(int((~bad).sum()), bad.size) if bad.size else None,
        Share(int(good.sum()), good.size) if good.size else None,
        cohen(rejects, np.broadcast_to(reference[:, None], rejects.shape)),
    )


def fleiss(counts: Counts) -> Interval | None:
    """Return kappa of units that were each rated equally often; counts are (units, categories)."""
    many = counts.sum(axis=1)[0]
    if many < 2:
        return None
    agree = ((counts**2).sum(axis=1) - many) / (many * (many - 1))
    units = len(counts)

    def kappa(weights: NDArray[np.float64]) -> float:
        shares = weights @ counts / (weights.sum() * many)
        chance = float((shares**2).sum())
        return math.nan if chance >= 1 else (float(weights @ agree / weights.sum()) - chance) / (1 - chance)

    return _jackknifed(kappa, units)


def cohen(one: NDArray[np.bool_], other: NDArray[np.bool_]) -> Interval | None:
    """Return kappa of two ratings, (units, repeats) each; repeats of one unit are left out together."""
    same = (one == other).mean(axis=1)
    yes, yes_other = one.mean(axis=1), other.mean(axis=1)

    def kappa(weights: NDArray[np.float64]) -> float:
        total = weights.sum()
        first, second = weights @ yes / total, weights @ yes_other / total
        chance = float(first * second + (1 - first) * (1 - second))
        return math.nan if chance >= 1 else (float(weights @ same / total) - chance) / (1 - chance)

    return _jackknifed(kappa, len(one))


def _jackknifed(kappa: Callable[[NDArray[np.float64]], float], units: int) -> Interval | None:
    from scipy.stats import t

    value = kappa(np.ones(units))
    if math.isnan(value):
        return None
    weights = np.ones((units, units)) - np.eye(units)
    without = np.array([kappa(row) for row in weights])
    if units < 3 or np.isnan(without).any():
        return Interval(value)
    error = math.sqrt((units - 1) / units * float(((without - without.mean()) ** 2).sum()))
    if error == 0:
        return Interval(value)
    reach = float(t.ppf(1 - (1 - CONFIDENCE) / 2, units - 1)) * error
    return Interval(value, max(-1.0, value - reach), min(1.0, value + reach))


def _counts(rejects: NDArray[np.bool_]) -> Counts:
    yes = rejects.sum(axis=1)
    return np.stack([yes, rejects.shape[1] - yes], axis=1).astype(np.int64)
