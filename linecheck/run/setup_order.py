"""The order of setups: fewest operator actions first, then fewest changes of any setting.

Checks that need the same setup stand together. Which setup follows which is found exactly for up to
:data:`MAX_EXACT` setups, by dynamic programming over the setups that are done and how the unit is set then (Held and
Karp, A dynamic programming approach to sequencing problems, 1962). Above that it begins as the nearest neighbour and is
improved by reversing stretches. What costs the same keeps the limit file's order.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from linecheck.limits.loading.setup_entries import RATE
from linecheck.limits.model import Check

MAX_EXACT: Final = 10
#: With more setups than this, reversing stretches would take longer than it saves.
MAX_IMPROVED: Final = 48
MAX_PASSES: Final = 20

#: Acts of an operator, and changes of settings.
Cost = tuple[int, int]
#: How the unit is set, by setting, None where nobody has set it yet.
_State = tuple[str | None, ...]


def varying_settings(checks: Sequence[Check]) -> tuple[str, ...]:
    """Return the settings that have to change during a run, in the order in which they are first named."""
    values: dict[str, set[str]] = {}
    for check in checks:
        for name, value in check.setup.items():
            values.setdefault(name, set()).add(value)
    return tuple(name for name, found in values.items() if len(found) > 1)


def follows_stimulus(check: Check, setting: str) -> bool:
    """Return whether a setting is made by playing the stimulus: its rate."""
    return setting == RATE and check.setup.get(RATE) == str(getattr(check.stimulus, RATE, None))


def setup_order(checks: Sequence[Check], by_hand: Callable[[str], bool]) -> list[list[Check]]:
    """Return the checks by setup, in the order in which the unit is to be set.

    Parameters
    ----------
    checks : sequence of Check
        In the file's order, which is kept among those of one setup.
    by_hand : callable
        Whether an operator has to make a setting, by its name.
    """
    names = varying_settings(checks)
    groups: dict[_State, list[Check]] = {}
    for check in checks:
        groups.setdefault(tuple(check.setup.get(name) for name in names), []).append(check)
    rated = all(follows_stimulus(check, RATE) for check in checks if RATE in check.setup)
    hands = tuple(by_hand(name) and not (name == RATE and rated) for name in names)
    walk = _Walk(tuple(groups), hands)
    found = list(groups.values())
    return [found[index] for index in walk.best()]


class _Walk:
    """Finds the order of some setups; each is a value by setting, None where it does not matter."""

    def __init__(self, setups: tuple[_State, ...], hands: tuple[bool, ...]) -> None:
        self._setups, self._hands = setups, hands

    def best(self) -> list[int]:
        """Return the order, as indices."""
        if len(self._setups) <= MAX_EXACT:
            return self._exact()
        order = self._nearest()
        return self._improved(order) if len(order) <= MAX_IMPROVED else order

    def _step(self, state: _State, index: int) -> tuple[Cost, _State]:
        acts = changes = 0
        after = []
        for now, wanted, hand in zip(state, self._setups[index], self._hands, strict=True):
            if wanted is not None and wanted != now:
                changes += 1
                acts += hand
            after.append(now if wanted is None else wanted)
        return (acts, changes), tuple(after)

    def _exact(self) -> list[int]:
        count = len(self._setups)
        empty: _State = (None,) * len(self._hands)
        reached: dict[tuple[int, _State], tuple[Cost, tuple[int, ...]]] = {(0, empty): ((0, 0), ())}
        for _ in range(count):
            further: dict[tuple[int, _State], tuple[Cost, tuple[int, ...]]] = {}
            for (done, state), (cost, order) in reached.items():
                for index in range(count):
                    if done >> index & 1:
                        continue
                    (acts, changes), after = self._step(state, index)
                    found = (cost[0] + acts, cost[1] + changes), (*order, index)
                    key = (done | 1 << index, after)
                    if key not in further or found < further[key]:
                        further[key] = found
            reached = further
        return list(min(reached.values())[1])

    def _nearest(self) -> list[int]:
        order, state = [0], self._step((None,) * len(self._hands), 0)[1]
        left = list(range(1, len(self._setups)))
        while left:
            chosen = min(left, key=lambda index: (self._step(state, index)[0], index))
            state = self._step(state, chosen)[1]
            left.remove(chosen)
            order.append(chosen)
        return order

    def _cost(self, order: Sequence[int]) -> Cost:
        state: _State = (None,) * len(self._hands)
        acts = changes = 0
        for index in order:
            cost, state = self._step(state, index)
            acts, changes = acts + cost[0], changes + cost[1]
        return acts, changes

    def _improved(self, order: list[int]) -> list[int]:
        """Reverse stretches for as long as that saves something."""
        cost = self._cost(order)
        for _ in range(MAX_PASSES):
            before = cost
            for first in range(len(order) - 1):
                for last in range(first + 2, len(order) + 1):
                    tried = [*order[:first], *reversed(order[first:last]), *order[last:]]
                    if (new := self._cost(tried)) < cost:
                        order, cost = tried, new
            if cost == before:
                break
        return order
