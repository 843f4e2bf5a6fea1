"""The odds of a station's causes by its own repairs: the shipped ones, drawn towards what was found there.

Findings are taken as independent draws of one cause each (multinomial), the shipped odds as a Dirichlet prior that
counts as :data:`SHIPPED_UNITS` units. The posterior is a Dirichlet distribution too, with the findings added to its
parameters; each cause's own odds are a beta distribution (Gelman et al., Bayesian Data Analysis, 3rd ed., section 3.4;
from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

#: As so many units the shipped odds count: with as many repairs, a station's own weigh the same.
SHIPPED_UNITS: Final = 50.0
#: The share of its probability that an interval holds, as much beyond either end.
COVERED: Final = 0.9


@dataclass(frozen=True)
class OwnOdds:
    """A cause's odds: as shipped, by a station's own findings (the posterior mean), and within which interval."""

    code: str
    found: int
    shipped: float
    own: float
    low: float
    high: float


def own_odds(
    shipped: Mapping[str, float], found: Mapping[str, int], units: float = SHIPPED_UNITS
) -> tuple[OwnOdds, ...]:
    """Return the odds of all causes, the most likely first.

    Parameters
    ----------
    shipped : mapping of str to float
        By code; they sum to 1.
    found : mapping of str to int
        How many repairs found what; a code that has no shipped odds begins with none.
    units : float
        As how many units the shipped odds count, more than 0.
    """
    total = units + sum(found.values())
    entries = [
        _odds(code, found.get(code, 0), shipped.get(code, 0.0), units, total)
        for code in dict.fromkeys((*shipped, *found))
    ]
    return tuple(sorted(entries, key=lambda entry: (-entry.own, entry.code)))


def _odds(code: str, found: int, shipped: float, units: float, total: float) -> OwnOdds:
    weight = units * shipped + found
    low, high = _interval(weight, total - weight)
    return OwnOdds(code, found, shipped, weight / total, low, high)


def _interval(weight: float, others: float) -> tuple[float, float]:
    """Return the ends of the interval of a beta distribution; one that is all on one side has no width."""
    from scipy.special import betaincinv

    if weight <= 0.0 or others <= 0.0:
        sure = float(weight > 0.0)
        return sure, sure
    tail = (1.0 - COVERED) / 2.0
    low, high = betaincinv(weight, others, (tail, 1.0 - tail))
    return float(low), float(high)
