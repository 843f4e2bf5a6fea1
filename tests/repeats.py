"""How often a simulation is repeated, few times always and many times as a soak, and the bounds that follow from it."""

import numpy as np
import pytest

#: Of a normal distribution, within two standard deviations.
WITHIN_TWO = 0.9545


def repeats(usual, soak):
    """Return both numbers for a fixture or a test, the larger for a soak (``-m soak``) only."""
    return [usual, pytest.param(soak, marks=[pytest.mark.soak, pytest.mark.timeout(0)])]


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
