"""The guarded rule against the arithmetic of JCGM 106, ILAC-G8 and published risks.

The rule under test accepts or rejects a reading; conformance probabilities and risks follow from where it
begins to accept, which is searched for here and never taken from its own constants.

Sources: JCGM 106:2012 (ISO/IEC Guide 98-4), examples from memory, recomputed; ILAC-G8:09/2019, 4.2; ISO
14253-1:2017, from memory; global risks as printed by Deaver (pages 7 and 10), as quoted in the tests of
SUNCAL (Sandia National Laboratories), test_risk.py. This makes no claim of conformity to any of them.
"""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest

from linecheck.checks.base import Reading
from linecheck.limits.decision import judge_reading
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import Verdict


def verdict(bounds, value, uncertainty, decision):
    return judge_reading(Mask(bounds), Reading("r", None, value, "V", uncertainty), decision).verdict


def accepts(bounds, value, uncertainty, decision):
    return verdict(bounds, value, uncertainty, decision) is Verdict.PASS


def acceptance_edge(bounds, inside, outside, uncertainty, decision):
    """Return the value at which passing ends, by bisection."""
    assert accepts(bounds, inside, uncertainty, decision)
    assert not accepts(bounds, outside, uncertainty, decision)
    for _ in range(80):
        middle = 0.5 * (inside + outside)
        inside, outside = (
            (middle, outside) if accepts(bounds, middle, uncertainty, decision) else (inside, middle)
        )
    return inside


def conformance(bounds, value, uncertainty):
    """JCGM 106: the probability that the true value lies within the limits (normal distribution)."""
    spread = NormalDist(value, uncertainty)
    low = 0.0 if bounds.min is None else spread.cdf(bounds.min)
    high = 1.0 if bounds.max is None else spread.cdf(bounds.max)
    return high - low


# JCGM 106, from memory, recomputed: Zener diode, at most -5.40 V, read -5.47 V, u = 0.05 V: p = 0.92; engine
# oil, 12.5 to 16.3 mm²/s, read 13.6, u = 1.8: p = 0.66. Simple acceptance takes both, and neither has the
# 97.7 % that a guard of U asks for.
@pytest.mark.parametrize(
    ("bounds", "value", "uncertainty", "printed", "computed"),
    [(Bounds(max=-5.40), -5.47, 0.05, 0.92, 0.9192), (Bounds(12.5, 16.3), 13.6, 1.8, 0.66, 0.6626)],
)
def test_examples_of_conformance_probability(bounds, value, uncertainty, printed, computed):
    probability = conformance(bounds, value, uncertainty)
    assert round(probability, 2) == printed
    assert probability == pytest.approx(computed, abs=5e-5)
    assert verdict(bounds, value, uncertainty, "simple") is Verdict.PASS
    assert verdict(bounds, value, uncertainty, "guarded") is Verdict.MARGINAL


# ILAC-G8:09/2019, 4.2: specific risk at most 50 % for w = 0, less than 2.5 % for w = U. Φ(-2) = 0.02275.
@pytest.mark.parametrize("bounds", [Bounds(max=10.0), Bounds(min=10.0), Bounds(min=10.0, max=100.0)])
def test_the_specific_risk_at_the_edge_of_acceptance(bounds):
    inside, outside = (0.0, 20.0) if bounds.min is None else (50.0, 0.0)
    uncertainty = 0.37
    simple = acceptance_edge(bounds, inside, outside, uncertainty, "simple")
    assert 1.0 - conformance(bounds, simple, uncertainty) == pytest.approx(0.5, abs=1e-9)
    guarded = acceptance_edge(bounds, inside, outside, uncertainty, "guarded")
    assert 1.0 - conformance(bounds, guarded, uncertainty) == pytest.approx(0.02275, abs=5e-6)
    assert 1.0 - conformance(bounds, guarded, uncertainty) < 0.025


# ILAC-G8:09/2019, 4.2: pass up to TL - w, conditional pass up to TL, conditional fail up to TL + w, fail
# beyond. A conditional fail is a fail here: outside the limit as written.
@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (9.49, Verdict.PASS),
        (9.51, Verdict.MARGINAL),
        (9.99, Verdict.MARGINAL),
        (10.01, Verdict.FAIL),
        (10.49, Verdict.FAIL),
        (10.51, Verdict.FAIL),
    ],
)
def test_the_bands_of_the_non_binary_rule(value, expected):
    assert verdict(Bounds(max=10.0), value, 0.25, "guarded") is expected


# Guard multiplier r = w/U (U = 2u) for a wanted one-sided conformance probability: computed. 0.83 is ISO
# 14253-1:2017's 1.65 u for 95 %; 1.0 and 1.5 stand in ILAC-G8's table of rules (all three from memory).
@pytest.mark.parametrize(
    ("multiplier", "probability"),
    [
        (0.6408, 0.90),
        (0.8224, 0.95),
        (0.83, 0.9515),
        (0.9800, 0.975),
        (1.0, 0.97725),
        (1.1632, 0.99),
        (1.5, 0.99865),
        (1.5451, 0.999),
    ],
)
def test_guard_multipliers(multiplier, probability):
    """A guard of r·U is that of an uncertainty r times as large; what it accepts conforms with p at least."""
    bounds, uncertainty = Bounds(max=100.0), 1.5
    edge = acceptance_edge(bounds, 0.0, 200.0, multiplier * uncertainty, "guarded")
    assert conformance(bounds, edge, uncertainty) == pytest.approx(probability, abs=5e-5)


def global_risks(low, high, deviation, uncertainty, guard, decision):
    """Return the global consumer's and producer's risk (JCGM 106) of what the rule accepts.

    The true value is normal about 0; the reading is normal about it with ``uncertainty``. ``guard`` is the
    uncertainty that the rule is told.
    """
    bounds = Bounds(low, high)
    accept_low = acceptance_edge(bounds, 0.0, 2 * low, guard, decision)
    accept_high = acceptance_edge(bounds, 0.0, 2 * high, guard, decision)
    grid = np.linspace(-8 * deviation, 8 * deviation, 200_001)
    prior = np.exp(-0.5 * (grid / deviation) ** 2) / (deviation * np.sqrt(2 * np.pi))
    accept = _cdf((accept_high - grid) / uncertainty) - _cdf((accept_low - grid) / uncertainty)
    conforming = (grid >= low) & (grid <= high)
    step = grid[1] - grid[0]
    return float(np.sum(prior * accept * ~conforming) * step), float(
        np.sum(prior * (1 - accept) * conforming) * step
    )


def _cdf(values):
    from scipy.special import ndtr

    return ndtr(values)


# JCGM 106, from memory, recomputed: resistors, 1500 Ω ± 0.2 Ω, u0 = 0.12 Ω, um = 0.04 Ω. Simple acceptance,
# and a guard of w = U/2 = 0.04 Ω, which the rule draws when it is told u = 0.02 Ω.
@pytest.mark.parametrize(
    ("guard", "decision", "consumer", "producer"),
    [(0.04, "simple", 0.018942, 0.037208), (0.02, "guarded", 0.004334, 0.114657)],
)
def test_global_risks_of_the_resistors(guard, decision, consumer, producer):
    risks = global_risks(-0.2, 0.2, 0.12, 0.04, guard, decision)
    assert risks == (pytest.approx(consumer, abs=2e-5), pytest.approx(producer, abs=2e-5))


# Deaver, pages 7 and 10, as quoted by SUNCAL: limits at ± SL σ, measurement σ / ratio, acceptance limits
# drawn in by the guard factor. False accept and false reject probabilities as printed, and as
# recomputed.
@pytest.mark.parametrize(
    ("limit", "ratio", "factor", "false_accept", "false_reject", "accept_computed", "reject_computed"),
    [
        (2.0, 4.0, 1.0, 0.008, 0.015, 0.008006, 0.014851),
        (2.5, 4.0, 1.0, 0.0025, None, 0.002445, 0.005319),
        (2.5, 1.0, 1.0, 0.005, None, 0.004724, 0.069404),
        (2.0, 2.0, 0.91, 0.008, 0.066, 0.008052, 0.066106),
    ],
)
def test_published_global_risks(
    limit, ratio, factor, false_accept, false_reject, accept_computed, reject_computed
):
    decision = "simple" if factor == 1.0 else "guarded"
    guard = 0.5 * (1.0 - factor) * limit
    accepted, rejected = global_risks(-limit, limit, 1.0, 1.0 / ratio, guard, decision)
    assert accepted == pytest.approx(false_accept, abs=5e-4)
    assert false_reject is None or rejected == pytest.approx(false_reject, abs=5e-4)
    assert (accepted, rejected) == (
        pytest.approx(accept_computed, abs=5e-6),
        pytest.approx(reject_computed, abs=2e-5),
    )
