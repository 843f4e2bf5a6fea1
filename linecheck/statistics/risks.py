"""What measuring costs whom: the risks of deciding by a reading that has an uncertainty (JCGM 106:2012).

============================  ==========================================================================
:func:`conformity`            probability that a unit with this reading is within limits
:func:`global_risks`          consumer's and producer's risk of a rule over all units that are made
:func:`guard_for`             how far beyond a pass mask the fail mask has to lie for both to be small
============================  ==========================================================================

True values and errors of measurement are taken as normal. Then a true value and its reading are bivariate normal, and
each risk is an integral over the true value of what readings it can give (clause 9.5), to ten digits by quadrature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from linecheck.dsp.arrays import FloatArray

#: Limits; infinite where there is none.
Span = tuple[float, float]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(60)
#: Beyond so many standard deviations nothing is left.
_REACH: Final = 9.0
_HALVINGS: Final = 50


@dataclass(frozen=True)
class Risks:
    """The share of all units made that a rule decides wrongly, and the share that truly is within the tolerance.

    ``consumer``: beyond the tolerance and accepted. ``producer``: within the tolerance and rejected.
    """

    consumer: float
    producer: float
    conforming: float


def conformity(value: float, uncertainty: float, tolerance: Span) -> float:
    """Return the probability that the true value behind a reading is within limits (clause 7): 1 - specific risk."""
    low, high = ((limit - value) / uncertainty for limit in tolerance)
    # From the side where less is left, so that small risks keep their digits.
    return float(
        special.ndtr(-low) - special.ndtr(-high) if low > 0.0 else special.ndtr(high) - special.ndtr(low)
    )


def global_risks(mean: float, spread: float, uncertainty: float, tolerance: Span, acceptance: Span) -> Risks:
    """Return the risks over all units that are made.

    Parameters
    ----------
    mean, spread : float
        Of the true values of units.
    uncertainty : float
        Standard uncertainty of a reading, k = 1.
    tolerance : (float, float)
        Within these a unit conforms.
    acceptance : (float, float)
        Within these a reading is accepted; inclusive, as masks are.
    """
    conforming = _share(mean, spread, tolerance)
    if not uncertainty > 0.0:
        both = (max(tolerance[0], acceptance[0]), min(tolerance[1], acceptance[1]))
        within = _share(mean, spread, both) if both[0] < both[1] else 0.0
        return Risks(_share(mean, spread, acceptance) - within, conforming - within, conforming)
    if not spread > 0.0:
        accepted = _share(mean, uncertainty, acceptance)
        conforms = tolerance[0] <= mean <= tolerance[1]
        return Risks(0.0 if conforms else accepted, 1.0 - accepted if conforms else 0.0, float(conforms))
    low, high = tolerance
    consumer = sum(
        _integral(mean, spread, uncertainty, outside, acceptance)
        for outside in ((-math.inf, low), (high, math.inf))
    )
    producer = sum(
        _integral(mean, spread, uncertainty, tolerance, rejected)
        for rejected in ((-math.inf, acceptance[0]), (acceptance[1], math.inf))
    )
    return Risks(consumer, producer, conforming)


def _share(mean: float, spread: float, span: Span) -> float:
    if not spread > 0.0:
        return float(span[0] <= mean <= span[1])
    return conformity(mean, spread, span)


def _integral(mean: float, spread: float, uncertainty: float, true: Span, read: Span) -> float:
    """Return the probability of a true value within one span whose reading is within another.

    The integrand bends where the true value passes a limit of the readings: pieces end there, and a few uncertainties
    to either side.
    """
    low, high = (min(max(limit, mean - _REACH * spread), mean + _REACH * spread) for limit in true)
    if not low < high:
        return 0.0
    bends = [
        limit + step * uncertainty
        for limit in read
        if math.isfinite(limit)
        for step in (-8.0, -3.0, 0.0, 3.0, 8.0)
    ]
    even = np.linspace(low, high, 7)
    ends = np.unique(np.concatenate([even, [bend for bend in bends if low < bend < high]]))
    half = 0.5 * np.diff(ends)[:, None]
    at: FloatArray = ends[:-1, None] + half * (_NODES + 1.0)
    z = (at - mean) / spread
    below, above = (read[0] - at) / uncertainty, (read[1] - at) / uncertainty
    held = np.where(
        below > 0.0, special.ndtr(-below) - special.ndtr(-above), special.ndtr(above) - special.ndtr(below)
    )
    density = np.exp(-0.5 * z * z) / (math.sqrt(2.0 * math.pi) * spread)
    return float(np.sum(half * (density * held * _WEIGHTS)))


def guard_for(
    mean: float, spread: float, uncertainty: float, accepted: Span, *, consumer: float, producer: float
) -> float:
    """Return the smallest distance of a fail mask from a pass mask at which neither risk is larger than wanted.

    A unit conforms where its true value is within the fail mask. The consumer's risk is that it does not and its
    reading is within the pass mask all the same; the producer's that it does and its reading is beyond the fail mask.
    Both only fall as the fail mask moves out.

    Parameters
    ----------
    mean, spread : float
        Of the true values of units.
    uncertainty : float
    accepted : (float, float)
        The pass mask.
    consumer, producer : float
        The largest risks, as shares of all units.
    """

    def is_enough(guard: float) -> bool:
        outer = (accepted[0] - guard, accepted[1] + guard)
        return (
            global_risks(mean, spread, uncertainty, outer, accepted).consumer <= consumer
            and global_risks(mean, spread, uncertainty, outer, outer).producer <= producer
        )

    if is_enough(0.0):
        return 0.0
    low, high = 0.0, uncertainty
    while not is_enough(high):
        low, high = high, 2.0 * high
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if is_enough(middle) else (middle, high)
    return high
