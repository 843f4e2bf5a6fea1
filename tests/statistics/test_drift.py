"""What has moved is told rightly, or not at all: simulated lines of which one thing moves by half a standard deviation.

The number of units is what is needed for 95 % at a stated probability of 0.95; ``python -m pytest -m soak`` repeats
each 1,000 times.
"""

from dataclasses import replace

import numpy as np
import pytest
from simulated_line import made

from linecheck.statistics.drift import TOLD_FROM, weigh

REPEATS = [25, pytest.param(1_000, marks=pytest.mark.soak)]
#: What moves, and the line: with a golden unit run in each nest after every 25 units of it.
TOLD = [
    ("product", {"stations": 1, "goldens": 1, "units": 800}),
    ("station", {"stations": 1, "goldens": 1, "units": 800}),
    ("golden", {"stations": 1, "goldens": 1, "units": 800}),
    ("nest", {"stations": 1, "nests": 2, "goldens": 1, "units": 800}),
    ("product", {"stations": 1, "goldens": 3, "units": 800}),
    ("station", {"stations": 1, "goldens": 3, "units": 400}),
    ("product", {"stations": 3, "units": 1_200}),
    ("station", {"stations": 3, "units": 2_400}),
    ("nest", {"stations": 3, "nests": 2, "units": 4_800}),
    ("station", {"stations": 3, "nests": 2, "goldens": 1, "units": 1_200}),
    ("nest", {"stations": 3, "nests": 2, "goldens": 1, "units": 2_400}),
]
IDS = [f"{what} {line}" for what, line in TOLD]


def answers(repeats, moved=None, seed=1, **line):
    random = np.random.default_rng(seed)
    return [weigh(made(random, moved=None if moved is None else (moved, 0), **line)) for _ in range(repeats)]


def share(found, right):
    return float(np.mean([right(each) for each in found]))


def names(what, line):
    return {
        "product": "the product",
        "station": "station line-0",
        "nest": "nest line-0/a",
        "golden": "golden unit G0",
    }[what]


@pytest.mark.parametrize("repeats", REPEATS)
@pytest.mark.parametrize(("what", "line"), TOLD, ids=IDS)
def test_what_has_moved_is_told(what, line, repeats):
    found = answers(repeats, what, **line)
    expected = names(what, line)
    right = share(found, lambda each: each.told is not None and each.told.words == expected)
    wrong = share(found, lambda each: each.told is not None and each.told.words != expected)
    print(f"{what} {line}: right {right:.3f}, wrong {wrong:.3f}")
    # Of 25 one may miss.
    assert right >= (0.95 if repeats > 100 else 0.92)
    assert wrong <= 0.01
    first = [each.told for each in found if each.told is not None and each.told.words == expected]
    covered = share(first, lambda each: abs(each.size - 0.5) < 2.0 * each.uncertainty)
    assert covered >= (0.9 if repeats > 100 else 0.8)


@pytest.mark.parametrize("repeats", REPEATS)
@pytest.mark.parametrize("moved", ["product", "station"])
def test_without_golden_units_and_other_stations_it_cannot_be_told(moved, repeats):
    found = answers(repeats, moved, stations=1, units=800)
    assert share(found, lambda each: each.told is None) == 1.0
    both = share(
        found,
        lambda each: (
            each.hypotheses[0].words == "the product or station line-0"
            and each.hypotheses[0].probability >= TOLD_FROM
        ),
    )
    assert both >= 0.95


@pytest.mark.parametrize("repeats", REPEATS)
@pytest.mark.parametrize(
    "line",
    [
        {"stations": 1, "goldens": 1, "units": 800},
        {"stations": 3, "units": 800},
        {"stations": 3, "nests": 2, "goldens": 3, "units": 1_200},
    ],
)
def test_where_nothing_moves_nothing_is_told(line, repeats):
    found = answers(repeats, **line)
    wrong = share(found, lambda each: each.told is not None and each.told.suspects[0].what != "nothing")
    print(
        f"{line}: wrong {wrong:.4f}, mean probability of a move {np.mean([each.moved for each in found]):.3f}"
    )
    assert wrong <= 0.01


@pytest.mark.parametrize("repeats", REPEATS)
def test_worn_contacts_are_told_by_their_cycles(repeats):
    """They are replaced every 130 cycles: a drift of the nest would not go back."""
    line = {"stations": 1, "nests": 2, "goldens": 1, "units": 1_600, "worn_after": 130, "sigmas": 1.5}
    found = answers(repeats, "wear", **line)
    right = share(
        found,
        lambda each: (
            each.told is not None and each.told.words == "nest line-0/a" and each.told.worn >= TOLD_FROM
        ),
    )
    print(f"worn: right {right:.3f}")
    assert right >= (0.95 if repeats > 100 else 0.92)


def test_too_few_units_are_said():
    (found,) = answers(1, stations=1, units=15)
    assert (found.told, found.why_not) == (None, "it cannot be told with 15 units and 0 runs of golden units")


def test_broken_units_are_no_drift_and_hide_none():
    """One unit in a hundred is broken, 40 standard deviations off."""
    random = np.random.default_rng(3)
    for moved, expected in ((None, set()), (("station", 0), {"station line-0"})):
        told = []
        for _ in range(25):
            runs = made(random, moved=moved, stations=1, goldens=1, units=800)
            broken = (runs.golden < 0) & (random.random(len(runs.values)) < 0.01)
            broken[[0, -1]] = True
            found = weigh(replace(runs, values=runs.values - 40.0 * broken))
            assert found.limited >= broken.sum()
            told.append(found.told.words if found.told is not None else "")
        assert sum(word in (expected or {"", "nothing"}) for word in told) >= 24
