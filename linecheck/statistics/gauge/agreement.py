"""Agreement of verdicts: within a level, between levels, with a reference; as counts and as kappa.

Kappa is the share of agreement beyond what chance gives (Cohen for two, Fleiss for many ratings of each unit). Its interval
is that of the jackknife over units with Student's t: few units, wide interval. Where every verdict is the same, or all
units agree without exception, there is nothing that an interval could be made of, and none is given.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linecheck.statistics.gauge.components import CONFIDENCE, Interval

Counts = NDArray[np.int64]


@dataclass(frozen=True)
class Share:
    """So many of how many, with the exact binomial interval (Clopper and Pearson)."""

    count: int
    of: int
    low: float
    high: float


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
    between: Share
    kappa_between: Interval | None
    with_reference: Share | None


def agreement(
    rejects: NDArray[np.bool_], levels: tuple[str, ...], reference: NDArray[np.bool_] | None = None
) -> Agreement:
    """Return how verdicts agree.

    Parameters
    ----------
    rejects : array of bool, (units, levels, repeats)
        Whether a run rejected its unit.
    levels : tuple of str
    reference : array of bool, (units,), optional
        Whether the unit should be rejected.
    """
    units = rejects.shape[0]
    told = []
    for at, level in enumerate(levels):
        own = rejects[:, at, :]
        whole = np.all(own == own[:, :1], axis=1)
        found = LevelAgreement(level, share(int(whole.sum()), units), fleiss(_counts(own)))
        if reference is not None:
            right = whole & (own[:, 0] == reference)
            bad, good = own[reference], own[~reference]
            found = LevelAgreement(
                level,
                found.within,
                found.kappa_within,
                share(int(right.sum()), units),
                share(int((~bad).sum()), bad.size) if bad.size else None,
                share(int(good.sum()), good.size) if good.size else None,
                cohen(own, np.broadcast_to(reference[:, None], own.shape)),
            )
        told.append(found)
    flat = rejects.reshape(units, -1)
    all_agree = np.all(flat == flat[:, :1], axis=1)
    right = None
    if reference is not None:
        right = share(int((all_agree & (flat[:, 0] == reference)).sum()), units)
    return Agreement(tuple(told), share(int(all_agree.sum()), units), fleiss(_counts(flat)), right)


def share(count: int, of: int) -> Share:
    """Return so many of how many, with its interval."""
    from scipy.stats import beta  # noqa: PLC0415 - takes a moment to load

    tail = (1 - CONFIDENCE) / 2
    low = 0.0 if count == 0 else float(beta.ppf(tail, count, of - count + 1))
    high = 1.0 if count == of else float(beta.ppf(1 - tail, count + 1, of - count))
    return Share(count, of, low, high)


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


def _jackknifed(kappa, units: int) -> Interval | None:  # type: ignore[no-untyped-def]
    from scipy.stats import t  # noqa: PLC0415 - takes a moment to load

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
