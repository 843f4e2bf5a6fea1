"""Components of variance of simulated studies whose truth is known: unbiased, and their intervals hold it."""

import numpy as np
import pytest
from repeats import assert_held, repeats

from linecheck.statistics.gauge.anova import mean_squares, model_of, pooled_model
from linecheck.statistics.gauge.components import CATEGORIES, SPAN, components, of_one_side

pytestmark = pytest.mark.parametrize("count", repeats(60, 2000))


def simulated(layout, shape, deviations, count, seed):
    """Return so many studies, (studies, units, levels, repeats)."""
    unit, level, interaction, repeat = deviations
    units, levels, times = shape
    random = np.random.default_rng(seed)
    own = levels if layout == "nested" else 1
    return (
        CENTRE
        + random.normal(0, unit, (count, units, own, 1))
        + random.normal(0, level, (count, 1, levels, 1))
        + random.normal(0, interaction, (count, units, levels, 1))
        + random.normal(0, repeat, (count, units, levels, times))
    )


CENTRE = 5.0
STUDIES = {
    "interaction": ("crossed", (10, 3, 3), (1.0, 0.3, 0.2, 0.2), None),
    "pooled": ("crossed", (10, 3, 3), (1.0, 0.3, 0.0, 0.2), pooled_model),
    "whichever holds": ("crossed", (10, 3, 3), (1.0, 0.3, 0.1, 0.2), model_of),
    "two nests alike": ("crossed", (10, 2, 3), (1.0, 0.0, 0.0, 0.3), model_of),
    "nested": ("nested", (5, 6, 3), (1.0, 0.7, 0.0, 0.3), None),
    "units alone": ("alone", (10, 1, 3), (0.5, 0.0, 0.0, 0.3), None),
    "no unit differs": ("alone", (10, 1, 3), (0.0, 0.0, 0.0, 0.3), None),
}


@pytest.mark.parametrize("name", ["interaction", "nested", "units alone"])
def test_components_are_unbiased(name, count):
    layout, shape, deviations, _ = STUDIES[name]
    values = simulated(layout, shape, deviations, 20 * count, seed=3)
    full, ms = mean_squares(values, layout)
    unit, level, interaction, repeat = np.square(deviations)
    truth = {"unit": unit, "level": level, "interaction": interaction, "repeat": repeat}
    for part, found in full.components(ms).items():
        error = found.std() / np.sqrt(len(found))
        assert abs(found.mean() - truth[part]) <= 3.5 * error, part


def held(found, truth):
    return found.low <= truth and (found.high is None or truth <= found.high)


#: What lies between the process' mean and the limit of a mask with one side.
LEFT = 8.0


@pytest.mark.parametrize("name", STUDIES)
def test_intervals_hold_the_truth(name, count):
    layout, shape, deviations, choose = STUDIES[name]
    values = simulated(layout, shape, deviations, count, seed=7)
    unit, level, interaction, repeat = np.square(deviations)
    added = level + interaction
    true = {"repeat": repeat, "reproducibility": added, "gauge": repeat + added, "unit": unit}
    total = true["gauge"] + unit
    true |= {f"{part} %": 100.0 * np.sqrt(true[part] / total) for part in true} | {"total": total}
    true |= {"level": level, "interaction": interaction, "ndc": CATEGORIES * np.sqrt(unit / true["gauge"])}
    true["% of one side"] = 50.0 * SPAN * np.sqrt(true["gauge"]) / LEFT
    full, squares = mean_squares(values, layout)
    hits = {}
    for ms, mean in zip(squares, values.mean(axis=(1, 2, 3)), strict=True):
        model, own = (full, ms) if choose is None else choose(full, ms)
        found = components(model, own)
        seen = dict(found.variances) | {f"{part} %": of for part, of in found.studied.items()}
        seen |= {"ndc": found.ndc, "% of one side": of_one_side(model, own, mean - (CENTRE - LEFT))}
        for part, interval in seen.items():
            # Of an interaction that was pooled nothing is told.
            if part in true and interval.low is not None and (part != "interaction" or choose is None):
                hits.setdefault(part, []).append(held(interval, true[part]))
    shown = ", ".join(
        f"{number} {what}" for number, what in zip(shape, ("units", "levels", "repeats"), strict=True)
    )
    design = f"study {name}: {shown}"
    # What levels add where they add nothing: only an upper end can miss. So with what it is told by.
    few = {
        part
        for part in hits
        if not true[part] or part.startswith(("reproducibility", "level", "interaction", "ndc", "total"))
    }
    assert_held(design, {part: found for part, found in hits.items() if part not in few})
    assert_held(design, {part: hits[part] for part in hits if part in few}, most=1.0)


def test_it_is_told_which_of_two_sources_is_larger(count):
    """With four times the deviation levels are named; where both are alike, neither is, but for 1 in 20 each way."""
    named = []
    for level in (0.8, 0.0):
        values = simulated("crossed", (10, 6, 3), (1.0, level, 0.0, 0.2), count, seed=11)
        full, squares = mean_squares(values, "crossed")
        sure = np.array([components(*model_of(full, ms)).level_exceeds_repeat for ms in squares])
        named.append((np.mean(sure >= 0.95), np.mean(sure <= 0.05)))
    assert named[0][0] > 0.9
    assert named[0][1] == 0.0
    assert named[1][0] == 0.0
    assert named[1][1] > 0.9
