"""A station's own odds: what a Dirichlet prior and counts come to, by closed forms and another library's beta."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from linecheck.causes import prior_odds
from linecheck.history.repairs.odds import COVERED, SHIPPED_UNITS, own_odds

CODES = ("missing_leg", "dead_channel", "supply_hum", "none_of_these")
weights = st.lists(st.integers(1, 100), min_size=len(CODES), max_size=len(CODES))
counts = st.fixed_dictionaries({code: st.integers(0, 500) for code in CODES})
units = st.floats(1.0, 500.0)


def shares(numbers):
    return {code: number / sum(numbers) for code, number in zip(CODES, numbers, strict=True)}


def by_code(entries):
    return {entry.code: entry for entry in entries}


def test_the_posterior_mean_is_prior_and_counts_over_their_sum():
    """Gelman et al., Bayesian Data Analysis, 3rd ed., section 3.4 (from memory): (a + n) / (A + N)."""
    shipped = shares([50, 25, 20, 5])
    own = by_code(own_odds(shipped, {"dead_channel": 20, "supply_hum": 10}, units=100.0))
    assert own["missing_leg"].own == pytest.approx(50 / 130)
    assert own["dead_channel"].own == pytest.approx(45 / 130)
    assert own["supply_hum"].own == pytest.approx(30 / 130)
    assert own["none_of_these"].own == pytest.approx(5 / 130)


def test_a_flat_prior_of_two_gives_laplace_s_rule_of_succession():
    """With one unit for each of two outcomes, s of n seen: (s + 1) / (n + 2)."""
    own = by_code(own_odds({"good": 0.5, "bad": 0.5}, {"good": 9}, units=2.0))
    assert own["good"].own == pytest.approx(10 / 11)
    # Beta(10, 1) has the distribution function x ** 10.
    assert own["good"].low == pytest.approx(0.05**0.1)
    assert own["good"].high == pytest.approx(0.95**0.1)


def test_without_repairs_the_odds_are_the_shipped_ones():
    for entry in own_odds(prior_odds(), {}):
        assert entry.own == pytest.approx(entry.shipped)
        assert entry.low < entry.own < entry.high


def test_what_has_no_shipped_odds_begins_with_none():
    own = by_code(own_odds({"missing_leg": 1.0}, {"new_cause": 10}, units=40.0))
    assert (own["new_cause"].shipped, own["new_cause"].own) == (0.0, pytest.approx(0.2))
    (only,) = own_odds({"missing_leg": 1.0}, {"missing_leg": 3})
    assert (only.own, only.low, only.high) == (1.0, 1.0, 1.0)
    never = by_code(own_odds({"missing_leg": 1.0, "never": 0.0}, {}))["never"]
    assert (never.own, never.low, never.high) == (0.0, 0.0, 0.0)


def test_the_shipped_odds_are_odds():
    assert math.fsum(prior_odds().values()) == pytest.approx(1.0, abs=1e-9)
    assert all(0.0 < share < 1.0 for share in prior_odds().values())


@given(weights, counts, units)
def test_the_odds_sum_to_one_and_lie_within_their_intervals(numbers, found, weight):
    own = own_odds(shares(numbers), found, weight)
    assert math.fsum(entry.own for entry in own) == pytest.approx(1.0, abs=1e-9)
    assert [entry.own for entry in own] == sorted((entry.own for entry in own), reverse=True)
    total = weight + sum(found.values())
    for entry in own:
        assert 0.0 <= entry.low <= entry.high <= 1.0
        marginal = beta(entry.own * total, (1.0 - entry.own) * total)
        ends = marginal.ppf([(1.0 - COVERED) / 2.0, (1.0 + COVERED) / 2.0])
        assert [entry.low, entry.high] == pytest.approx(list(ends), rel=1e-6, abs=1e-9)


@given(weights, counts, st.sampled_from(CODES), st.integers(1, 50))
def test_more_of_a_cause_raises_its_odds_and_lowers_all_others(numbers, found, code, more):
    before = by_code(own_odds(shares(numbers), found))
    after = by_code(own_odds(shares(numbers), found | {code: found[code] + more}))
    for name in CODES:
        assert (after[name].own > before[name].own) is (name == code)


@given(weights, counts, st.permutations(CODES))
def test_the_order_of_causes_does_not_matter(numbers, found, order):
    shipped = shares(numbers)
    assert own_odds(
        {code: shipped[code] for code in order}, {code: found[code] for code in order}
    ) == own_odds(shipped, found)


@given(weights, counts, st.integers(1, 20))
def test_counts_may_be_taken_in_two_steps(numbers, found, more):
    """A posterior is the prior of what is found next."""
    shipped = shares(numbers)
    first = own_odds(shipped, found)
    later = {"dead_channel": more}
    stepped = own_odds({entry.code: entry.own for entry in first}, later, SHIPPED_UNITS + sum(found.values()))
    both = own_odds(shipped, found | {"dead_channel": found["dead_channel"] + more})
    assert {entry.code: entry.own for entry in stepped} == pytest.approx(
        {entry.code: entry.own for entry in both}
    )
