"""The exact interval of a share, held against scipy's, which is another's code."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from linecheck.statistics.intervals import binomial_interval


@given(among=st.integers(1, 3000), data=st.data(), confidence=st.sampled_from([0.8, 0.95, 0.99]))
def test_as_scipy_has_it(among, data, confidence):
    """Source: Clopper and Pearson 1934, as scipy.stats.binomtest computes it by its own root finding."""
    found = data.draw(st.integers(0, among))
    expected = binomtest(found, among).proportion_ci(confidence, method="exact")
    assert binomial_interval(found, among, confidence) == pytest.approx(
        (expected.low, expected.high), abs=1e-9
    )


def test_none_of_none_says_nothing():
    assert binomial_interval(0, 0) == (0.0, 1.0)


def test_it_holds_at_least_as_often_as_it_says():
    """By the whole binomial distribution, not by draws: Clopper and Pearson's interval never holds less often."""
    from scipy.stats import binom

    for among in (1, 5, 20, 100):
        intervals = [binomial_interval(found, among) for found in range(among + 1)]
        for truth in (0.001, 0.01, 0.1, 0.3, 0.5, 0.9, 0.97):
            holds = [low <= truth <= high for low, high in intervals]
            assert sum(binom.pmf(range(among + 1), among, truth)[holds]) >= 0.95
