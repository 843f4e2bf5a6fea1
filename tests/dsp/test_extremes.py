"""The lowest of several noisy values: near the truth, and as sure as it says."""

import numpy as np
import pytest

from linecheck.dsp.fits.faint_tones import lowest_of

REPEATS = 2000


@pytest.mark.parametrize(
    "truth",
    [
        np.zeros(11),
        np.zeros(31),
        np.zeros(2),
        np.linspace(0.0, 0.3, 11),
        np.linspace(0.0, 2.0, 11),
        np.r_[0.0, np.full(10, 0.1)],
        np.r_[0.0, 0.0, np.full(9, 0.15)],
        np.linspace(0.0, 60.0, 11),
    ],
    ids=["flat", "flat-31", "pair", "gentle", "slope", "one", "two", "steep"],
)
def test_two_uncertainties_hold_the_lowest_true_value(truth):
    generator = np.random.default_rng(20261129)
    held, errors = 0, []
    for _ in range(REPEATS):
        spread = 0.05 * generator.uniform(0.8, 1.2, len(truth))
        value, uncertainty = lowest_of(truth + spread * generator.standard_normal(len(truth)), spread)
        errors.append(value - truth.min())
        held += abs(errors[-1]) <= 2.0 * uncertainty
    # 95 % within 2000 repeats' binomial interval and what no rule can know (a worst that noise hides): 92.5 to 98.5 %.
    assert 0.925 <= held / REPEATS <= 0.985
    assert abs(np.mean(errors)) < 0.06


def test_one_value_is_itself():
    assert lowest_of(np.array([3.0]), np.array([0.1])) == (3.0, 0.1)
