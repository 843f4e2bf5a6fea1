"""In which order the setups of a limit file are walked."""

from dataclasses import replace
from itertools import permutations

import hypothesis.strategies as st
from hypothesis import given, settings
from small_run import small_check

from linecheck.run.setup_order import setup_order

NAMES = ("filter", "input", "output")
SETUPS = st.dictionaries(st.sampled_from(NAMES), st.sampled_from(["a", "b", "c"]))


def checks_of(setups):
    """Return a check for each setup."""
    return [replace(TONE, name=f"tone_{index}", setup=setup) for index, setup in enumerate(setups)]


TONE = small_check("tone", "tone")


def cost_of_walk(setups, by_hand):
    """Return what it costs to set a unit, which nobody has set before, one way after the other."""
    now = {}
    acts = changes = 0
    for setup in setups:
        changed = [name for name, value in setup.items() if now.get(name) != value]
        acts += sum(map(by_hand, changed))
        changes += len(changed)
        now.update(setup)
    return acts, changes


@given(st.lists(SETUPS, min_size=1, max_size=6), st.sets(st.sampled_from(NAMES)))
@settings(max_examples=60, deadline=None)
def test_no_order_costs_less(setups, hands):
    checks = checks_of(setups)
    found = [check for group in setup_order(checks, hands.__contains__) for check in group]
    assert sorted(check.name for check in found) == sorted(check.name for check in checks)
    best = min(cost_of_walk(order, hands.__contains__) for order in permutations(setups))
    assert cost_of_walk([check.setup for check in found], hands.__contains__) == best


@given(st.lists(SETUPS, min_size=11, max_size=20), st.sets(st.sampled_from(NAMES)))
@settings(max_examples=25, deadline=None)
def test_many_setups_cost_no_more_than_the_order_of_the_file(setups, hands):
    checks = checks_of(setups)
    found = [check for group in setup_order(checks, hands.__contains__) for check in group]
    assert sorted(check.name for check in found) == sorted(check.name for check in checks)
    # The nearest neighbour is no promise; a walk by setup never changes more than each check's setting anew.
    acts, changes = cost_of_walk([check.setup for check in found], hands.__contains__)
    assert changes <= sum(len(setup) for setup in setups)
    assert acts <= sum(len(setup.keys() & hands) for setup in setups)


def test_twelve_setups_of_three_settings_change_one_setting_at_a_time():
    setups = [{"filter": f, "input": i, "output": o} for f in "ab" for i in "abc" for o in ("x", "y")]
    jumbled = [setups[index * 5 % 12] for index in range(12)]
    found = [check.setup for group in setup_order(checks_of(jumbled), bool) for check in group]
    # Three to begin with, and one for each of the eleven that follow: the least that is possible.
    assert cost_of_walk(found, lambda name: False) == (0, 14)


def test_what_an_operator_sets_changes_last():
    setups = [{"input": i, "filter": f} for f in ("sharp", "slow") for i in ("usb", "aes", "coax")]
    by_hand = {"input"}.__contains__
    found = [check.setup for group in setup_order(checks_of(setups), by_hand) for check in group]
    assert cost_of_walk(found, by_hand)[0] == 3
    by_hand = {"filter"}.__contains__
    found = [check.setup for group in setup_order(checks_of(setups), by_hand) for check in group]
    assert cost_of_walk(found, by_hand)[0] == 2


def test_checks_of_one_setup_stay_in_the_order_of_the_file():
    checks = checks_of([{"filter": "slow"}, {"filter": "sharp"}, {"filter": "slow"}, {}])
    names = [[check.name for check in group] for group in setup_order(checks, bool)]
    assert names == [["tone_0", "tone_2"], ["tone_1"], ["tone_3"]]
