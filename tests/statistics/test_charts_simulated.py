"""Run lengths of charts as they are followed, against their design: simulated, with known truth.

Each repeat is one chart from its start to its first signal. The mean of so many has a standard error of one run length
over the root of their number.
"""

import numpy as np
import pytest

from linecheck.statistics.charts import cusum, ewma
from linecheck.statistics.charts.chart import (
    Design,
    Running,
    advance,
    estimated_run_lengths,
    run_length,
)
from linecheck.statistics.charts.individuals import Level, level
from linecheck.statistics.charts.rules import RULES

SIZES = [pytest.param(300, 0.25), pytest.param(20_000, 0.05, marks=pytest.mark.soak)]
DESIGNS = {
    "ewma": Design("ewma", width=2.962, weight=0.2),
    "slow ewma": Design("ewma", width=2.814, weight=0.1),
    "cusum": Design("cusum"),
    "individuals": Design("individuals"),
}


def lengths(design, shift, repeats, seed=1):
    """Return how many values each of many charts takes until it signals, all at once."""
    random = np.random.default_rng(seed)
    first, second = np.zeros(repeats), np.zeros(repeats)
    found, left = np.zeros(repeats), np.arange(repeats)
    count = 0
    while len(left):
        count += 1
        score = random.standard_normal(len(left)) + shift
        counted = np.clip(score, -design.clip, design.clip)
        if design.kind == "ewma":
            first = ewma.step(first, counted, design.weight)
            out = np.abs(first) > design.limit
        elif design.kind == "cusum":
            first, second = cusum.step(first, second, counted, design.allowance)
            out = np.maximum(first, second) > design.limit
        else:
            out = np.abs(score) > design.limit
        found[left[out]] = count
        left, first, second = left[~out], first[~out], second[~out]
    return found


@pytest.mark.parametrize(("repeats", "tolerance"), SIZES)
@pytest.mark.parametrize("shift", [0.0, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("name", DESIGNS)
def test_run_lengths_are_as_designed(name, shift, repeats, tolerance):
    design = DESIGNS[name]
    found = lengths(design, shift, repeats)
    assert np.mean(found) == pytest.approx(run_length(design, shift), rel=tolerance)


@pytest.mark.parametrize(
    ("repeats", "tolerance"), [(40, 0.45), pytest.param(4_000, 0.05, marks=pytest.mark.soak)]
)
def test_run_lengths_with_runs_rules_are_as_designed(repeats, tolerance):
    """One value after the other, as a station follows them."""
    design = Design("individuals", rules=tuple(RULES))
    random, known = np.random.default_rng(2), Level(0.0, 1.0, 100)
    found = []
    for _ in range(repeats):
        running = Running()
        while not running.out:
            running, _ = advance(design, known, running, random.standard_normal())
        found.append(running.count)
    assert np.mean(found) == pytest.approx(run_length(design), rel=tolerance)


@pytest.mark.parametrize(
    ("repeats", "tolerance"), [(60, 0.5), pytest.param(1_500, 0.2, marks=pytest.mark.soak)]
)
@pytest.mark.parametrize("name", DESIGNS)
def test_how_well_a_set_of_fifty_is_known_to_give_false_alarms(name, repeats, tolerance):
    """Sets are drawn anew: 80 % of them give a run length within what is told."""
    random, design = np.random.default_rng(3), DESIGNS[name]
    levels = [level(random.standard_normal(50)) for _ in range(repeats)]
    found = [run_length(design, each.centre, each.sigma) for each in levels]
    low, high = estimated_run_lengths(design, 50)
    assert np.quantile(found, [0.1, 0.9]) == pytest.approx([low, high], rel=tolerance)
    inside = np.mean((np.array(found) >= low) & (np.array(found) <= high))
    assert inside == pytest.approx(0.8, abs=4.0 * np.sqrt(0.16 / repeats))


@pytest.mark.parametrize("name", DESIGNS)
def test_one_value_after_the_other_is_the_same_as_many_at_once(name):
    design, known = DESIGNS[name], Level(10.0, 2.0, 100)
    for seed in range(5):
        running, random = Running(), np.random.default_rng(seed)
        while not running.out:
            running, _ = advance(design, known, running, 10.0 + 2.0 * (random.standard_normal(1)[0] + 0.5))
        assert running.count == lengths(design, 0.5, 1, seed)[0]
