"""Agreement of verdicts: counts, what kappa cannot tell, and that its interval holds the truth."""

import numpy as np
import pytest
from repeats import assert_held, repeats

from linecheck.statistics.gauge.agreement import agreement, cohen, fleiss


def test_verdicts_at_each_level_between_them_and_against_a_reference():
    reference = np.array([True, True, False, False])
    first = np.array([[1, 1], [1, 1], [0, 0], [0, 0]], dtype=bool)
    second = np.array([[1, 1], [0, 1], [0, 0], [1, 1]], dtype=bool)
    found = agreement([first, second], ["a", "b"], [reference, reference])
    one, other = found.levels
    assert (one.within.found, one.with_reference.found, one.missed.found, one.false_alarms.found) == (
        4,
        4,
        0,
        0,
    )
    # Unit 2 is let pass once, unit 4 fails each time: it agrees with itself, and not with the reference.
    assert (other.within.found, other.with_reference.found) == (3, 2)
    assert (other.missed.found, other.missed.among) == (1, 4)
    assert (other.false_alarms.found, other.false_alarms.among) == (2, 4)
    assert (found.between.found, found.with_reference.found) == (2, 2)
    assert one.kappa_reference.value == 1.0
    # Nothing varies in it: an interval of no width would say that no unit ever disagrees.
    assert one.kappa_reference.low is None


def test_levels_with_units_of_their_own_are_not_compared():
    table = np.array([[1, 1], [0, 0]], dtype=bool)
    found = agreement([table, table], ["a", "b"], nested=True)
    assert found.between is None
    assert found.levels[0].within.found == 2


def test_kappa_of_one_verdict_alone_cannot_be_told():
    found = agreement([np.zeros((5, 3), dtype=bool)], [""])
    assert found.levels[0].kappa_within is None
    assert found.levels[0].within.found == 5


#: Units that fail with 0.05, 0.5 or 0.95, a third each.
CHANCES = np.array([0.05, 0.5, 0.95])


@pytest.mark.parametrize("count", repeats(100, 2000))
@pytest.mark.parametrize("units", [20, 50])
def test_the_interval_of_kappa_holds_the_truth(units, count):
    """Of three runs of each unit kappa is 1 - mean(2pq) / (2 mean(p) mean(q))."""
    truth = 1 - np.mean(2 * CHANCES * (1 - CHANCES)) / (2 * 0.5 * 0.5)
    random = np.random.default_rng(5)
    hits = []
    for _ in range(count):
        rejects = random.random((units, 3)) < random.choice(CHANCES, (units, 1))
        yes = rejects.sum(axis=1)
        found = fleiss(np.stack([yes, 3 - yes], axis=1))
        hits.append(found.low <= truth <= found.high)
    assert_held(f"{units} units, 3 runs each", {"kappa": hits})


@pytest.mark.parametrize("count", repeats(100, 2000))
@pytest.mark.parametrize("units", [20, 50])
def test_the_interval_of_kappa_against_a_reference_holds_the_truth(units, count):
    """One unit in two is bad, and 15 % of all verdicts are wrong: kappa is 0.85 less 0.5, over 0.5."""
    random, truth = np.random.default_rng(6), (0.85 - 0.5) / 0.5
    hits = []
    for _ in range(count):
        reference = np.broadcast_to(random.random((units, 1)) < 0.5, (units, 3))
        found = cohen(reference ^ (random.random((units, 3)) < 0.15), reference)
        hits.append(found.low <= truth <= found.high)
    assert_held(f"{units} units, 3 runs each, a reference", {"kappa": hits})
