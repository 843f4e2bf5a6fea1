"""Gauge studies against published ones, and their constants against the published tables.

Sources: the study of ten parts, three appraisers and three trials of the Automotive Industry Action Group's
*Measurement Systems Analysis*, 4th edition, with both methods' figures, as five public transcriptions of its data sheet
agree; d2 and d3 as in ASTM E2587 and public copies of control-chart tables; d2* as in the same manual's appendix C. The
cross table of two appraisers and its kappa are from the same manual's attribute study, from memory; kappa of fourteen
raters is the worked example of Fleiss's kappa in public encyclopaedias, from memory; both follow from their counts.
This makes no claim of conformity to any of them.
"""

from __future__ import annotations

import numpy as np
import pytest

from linecheck.statistics.charts.constants import constants
from linecheck.statistics.gauge.agreement import cohen, fleiss
from linecheck.statistics.gauge.anova import mean_squares, model_of
from linecheck.statistics.gauge.average_range import average_range, d2_star
from linecheck.statistics.gauge.components import SPAN, components

# Appraisers A, B, C, three trials each, of parts 1 to 10.
PRINTED = """
0.29 -0.56 1.34 0.47 -0.80 0.02 0.59 -0.31 2.26 -1.36
0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
0.25 -1.22 0.94 1.03 -1.20 0.22 0.55 0.08 2.12 -1.62
0.07 -0.68 1.34 0.20 -1.28 0.06 0.83 -0.34 2.19 -1.50
0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16
"""
PARTS = np.array(PRINTED.split(), dtype=float).reshape(3, 3, 10).transpose(2, 0, 1)


def table():
    full, (ms,) = mean_squares(PARTS[None], "crossed")
    return full, ms


def test_the_table_with_interaction():
    full, ms = table()
    rows = full.table(ms)
    assert [row.df for row in rows] == [9, 2, 18, 60]
    assert [row.ss for row in rows] == pytest.approx([88.361934, 3.167262, 0.358982, 2.758933], abs=1e-6)
    assert [row.ms for row in rows] == pytest.approx([9.817993, 1.583631, 0.0199435, 0.0459822], abs=1e-6)
    assert [row.f for row in rows[:3]] == pytest.approx([492.2914, 79.4060, 0.433721], rel=1e-6)
    assert rows[2].p == pytest.approx(0.97411, abs=1e-5)
    found = full.components(ms)
    # The interaction's component is negative and counts as zero.
    assert found["interaction"] < 0
    assert [found[name] for name in ("repeat", "level", "unit")] == pytest.approx(
        [0.0459822, 0.0521229, 1.0886722], abs=1e-7
    )


def test_the_pooled_table_and_its_figures():
    pooled, ms = model_of(*table())
    rows = pooled.table(ms)
    assert (pooled.name, rows[2].df) == ("pooled", 78)
    assert rows[2].ms == pytest.approx(0.03997328, abs=1e-8)
    assert [rows[0].f, rows[1].f] == pytest.approx([245.614, 39.617], rel=1e-5)
    found = components(pooled, ms)
    names = ("repeat", "reproducibility", "gauge", "unit", "total")
    printed = [0.03997, 0.05146, 0.09143, 1.08645, 1.17788]
    assert [found.variances[name].value for name in names] == pytest.approx(printed, abs=5e-6)
    # Shares of the study's variation, and of a tolerance of 8.
    shares = [found.studied[name].value for name in ("repeat", "reproducibility", "gauge", "unit")]
    assert shares == pytest.approx([18.42, 20.90, 27.86, 96.04], abs=0.005)
    assert 100 * SPAN * found.deviation("gauge").value / 8 == pytest.approx(22.68, abs=0.005)
    assert found.ndc.value == pytest.approx(4.8605, abs=1e-4)
    assert found.categories == 4


def test_the_same_by_average_and_range():
    found = average_range(PARTS)
    values = [found.repeat, found.reproducibility, found.gauge, found.unit, found.total]
    # The form is filled in with constants of four digits.
    assert values == pytest.approx([0.20188, 0.22963, 0.30575, 1.10456, 1.14610], rel=3e-4)
    names = ("repeat", "reproducibility", "gauge", "unit")
    assert [found.studied(name) for name in names] == pytest.approx([17.62, 20.04, 26.68, 96.38], abs=0.01)
    # One method says five categories and the other four: the figure needs its method beside it.
    assert int(found.ndc) == 5
    assert found.range_limit == pytest.approx(0.8795, abs=3e-4)
    # Appraiser B's ranges of parts 4: 1.02, beyond the limit.
    assert found.beyond == ((3, 1),)


D2 = [1.12838, 1.69257, 2.05875, 2.32593, 2.53441, 2.70436, 2.84720, 2.97003, 3.07751]
D3 = [0.85250, 0.88837, 0.87981, 0.86408, 0.84804, 0.83321, 0.81983, 0.80783, 0.79705]
D2_STAR = {
    1: [1.41421, 1.91155, 2.23887, 2.48124, 2.67253, 2.82981, 2.96288, 3.07794, 3.17905],
    2: [1.27931, 1.80538, 2.15069, 2.40484, 2.60438, 2.76779, 2.90562, 3.02446, 3.12869],
    5: [1.19105, 1.73857, 2.09601, 2.35781, 2.56263, 2.72991, 2.87071, 2.99192, 3.09808],
    10: [1.16014, 1.71573, 2.07746, 2.34192, 2.54856, 2.71717, 2.85898, 2.98100, 3.08781],
    20: [1.14437, 1.70419, 2.06813, 2.33394, 2.54149, 2.71077, 2.85310, 2.97552, 3.08267],
}


def test_the_constants_of_ranges():
    assert [constants(size).d2 for size in range(2, 11)] == pytest.approx(D2, abs=6e-6)
    assert [constants(size).d3 for size in range(2, 11)] == pytest.approx(D3, abs=1.1e-5)
    for groups, printed in D2_STAR.items():
        assert [d2_star(size, groups) for size in range(2, 11)] == pytest.approx(printed, abs=2e-5)
    # K1, K2 and K3 of the form.
    assert 1 / constants(3).d2 == pytest.approx(0.5908, abs=5e-5)
    assert [1 / d2_star(size, 1) for size in (3, 10)] == pytest.approx([0.5231, 0.3146], abs=6e-5)


def test_kappa_of_two_appraisers():
    """150 decisions: 44 both reject, 6 and 3 differ, 97 both accept; kappa 0.86."""
    one = np.repeat([True, True, False, False], [44, 6, 3, 97])[:, None]
    other = np.repeat([True, False, True, False], [44, 6, 3, 97])[:, None]
    assert cohen(one, other).value == pytest.approx(0.863, abs=5e-4)


def test_kappa_of_many_raters():
    """Fourteen raters, ten subjects, five categories: kappa 0.210."""
    counts = [
        [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
        [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
    ]  # fmt: skip
    assert fleiss(np.array(counts)).value == pytest.approx(0.210, abs=5e-4)
