"""What is tried a few times always and many times as a soak: repeats, with the bounds that follow, and combinations."""

from itertools import combinations, product

import numpy as np
import pytest
from scipy.stats import binom

#: Of a normal distribution, within two standard deviations.
WITHIN_TWO = 0.9545


def repeats(usual, soak):
    """Return both numbers for a fixture or a test, the larger for a soak (``-m soak``) only."""
    return [usual, pytest.param(soak, marks=[pytest.mark.soak, pytest.mark.timeout(0)])]


def covering(*axes, together=1):
    """Return all combinations, for a parametrised test; those that few others stand for are tried by a soak only.

    Always tried are so few that of ``together`` axes each value meets each other one (1: each value is there).
    """
    every = list(product(*(range(len(axis)) for axis in axes)))
    meetings = [
        {tuple((axis, places[axis]) for axis in some) for some in combinations(range(len(axes)), together)}
        for places in every
    ]
    left, kept = set().union(*meetings), set()
    while left:
        best = max(range(len(every)), key=lambda index: len(meetings[index] & left))
        kept.add(best)
        left -= meetings[best]
    return [
        pytest.param(
            *(axis[place] for axis, place in zip(axes, places, strict=True)),
            marks=() if index in kept else (pytest.mark.soak,),
        )
        for index, places in enumerate(every)
    ]


def assert_covers(error, uncertainty):
    """Value ± 2u holds the truth as often as it should, as far as so many repeats tell: within 2 %, or 3 deviations."""
    count = len(error)
    assert count >= 60
    covered = float(np.mean(np.abs(error) <= 2.0 * uncertainty))
    spread = np.sqrt(WITHIN_TWO * (1.0 - WITHIN_TWO) / count)
    assert abs(covered - WITHIN_TWO) <= max(3.0 * spread, 0.022), f"{100.0 * covered:.1f} % of {count}"
    # Coverage of few repeats hides an uncertainty a third too large; the spread of error over uncertainty does not.
    assert_near(float(np.sqrt(np.mean((error / uncertainty) ** 2))), count, 1.06)


def assert_near(ratio, count, most=1.1):
    """A spread over what it should be is about one, as far as so many repeats tell (1 in √(2n)), or up to ``most``."""
    reach = 3.0 / np.sqrt(2.0 * count)
    assert 0.94 - reach <= ratio <= most + reach, f"{ratio:.2f} times what it should be, of {count}"


def assert_held(design, held, least=0.93, most=0.97):
    """Intervals hold the truth as often as they should; fewer than 1,000 repeats tell that less well.

    ``held`` has for each interval whether it held, by repeat. Each share is printed as a row of a table (``-s``).
    """
    for name, found in held.items():
        print(f"\n| {name} | {design} | {len(found)} | {100.0 * np.mean(found):.1f} % |", end="")
    for name, found in held.items():
        hits, count = int(np.sum(found)), len(found)
        text = f"{name}, {design}: {100.0 * hits / count:.1f} % of {count}"
        if count >= 1000:
            assert least <= hits / count <= most, text
        else:
            assert binom.cdf(hits, count, least) > 0.001, text
            assert binom.sf(hits - 1, count, most) > 0.001, text
