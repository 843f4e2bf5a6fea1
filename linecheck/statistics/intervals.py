"""Intervals of shares.

=========================  ===========================================================
:func:`binomial_interval`  of a share that was counted: exact
=========================  ===========================================================
"""

from __future__ import annotations

from typing import Final

#: Two-sided, unless something else is asked for.
CONFIDENCE: Final = 0.95


def binomial_interval(found: int, among: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Return the exact interval of a share, two-sided (Clopper and Pearson 1934): at least as sure as it says.

    Parameters
    ----------
    found, among : int
        So many of so many, 0 <= found <= among.
    confidence : float
        0 to 1.

    Returns
    -------
    tuple of float
        From 0 to 1 where there is none to count.
    """
    from scipy.special import betaincinv

    tail = 0.5 * (1.0 - confidence)
    low = float(betaincinv(found, among - found + 1, tail)) if found else 0.0
    high = float(betaincinv(found + 1, among - found, 1.0 - tail)) if found < among else 1.0
    return low, high
