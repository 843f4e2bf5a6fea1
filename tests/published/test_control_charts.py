"""Control charts against published examples and tables.

- NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2 (individuals), 6.3.2.3 (cumulative sums), 6.3.2.4 (moving
  average): data and results as public transcriptions of these pages have them
- constants: ASTM E2587 and Montgomery, Introduction to Statistical Quality Control, appendix VI; computed here to 1e-9,
  since printed copies differ in their third decimals
- run lengths: Lucas and Crosier, Technometrics 24 (1982), table 1; Waldmann, Technometrics 28 (1986); Vance, Journal of
  Quality Technology 18 (1986); Crowder, Journal of Quality Technology 21 (1989); as a public statistics package quotes
  them. Lucas and Saccucci, Technometrics 32 (1990), and Champ and Woodall, Technometrics 29 (1987): from memory
"""

import numpy as np
import pytest

from linecheck.statistics.charts import run_length
from linecheck.statistics.charts.chart import Design, Running, advance
from linecheck.statistics.charts.constants import constants
from linecheck.statistics.charts.individuals import Level, level

INDIVIDUALS = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
AVERAGED = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, *INDIVIDUALS]
SUMMED = [
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
]

#: n: d2, d3, c4, A2, D3, D4, A3, B3, B4, E2.
TABLE = {
    2: (1.12838, 0.85250, 0.797885, 1.8800, 0, 3.2665, 2.6587, 0, 3.2665, 2.6587),
    3: (1.69257, 0.88837, 0.886227, 1.0233, 0, 2.5746, 1.9544, 0, 2.5682, 1.7725),
    4: (2.05875, 0.87981, 0.921318, 0.7286, 0, 2.2821, 1.6281, 0, 2.2660, 1.4572),
    5: (2.32593, 0.86408, 0.939986, 0.5768, 0, 2.1145, 1.4273, 0, 2.0890, 1.2898),
    6: (2.53441, 0.84804, 0.951533, 0.4832, 0, 2.0038, 1.2871, 0.0304, 1.9696, 1.1837),
    7: (2.70436, 0.83321, 0.959369, 0.4193, 0.0757, 1.9243, 1.1819, 0.1177, 1.8823, 1.1093),
    8: (2.84720, 0.81983, 0.965030, 0.3725, 0.1362, 1.8638, 1.0991, 0.1851, 1.8149, 1.0537),
    9: (2.97003, 0.80783, 0.969311, 0.3367, 0.1840, 1.8160, 1.0317, 0.2391, 1.7609, 1.0101),
    10: (3.07751, 0.79705, 0.972659, 0.3083, 0.2230, 1.7770, 0.9754, 0.2837, 1.7163, 0.9748),
}


def traced(design, centre, sigma, values):
    state, states, signals = Running(), [], []
    for value in values:
        state, told = advance(design, Level(centre, sigma, 0), state, value)
        states.append(state)
        signals.append(told)
    return states, signals


@pytest.mark.parametrize("size", TABLE)
def test_constants(size):
    found = constants(size)
    lower, upper = found.range_limits
    low, high = found.deviation_limits
    ours = (found.d2, found.d3, found.c4, found.a2, lower, upper, found.a3, low, high, found.e2)
    assert ours == pytest.approx(TABLE[size], abs=6e-5)


def test_individuals_of_the_handbook():
    found = level(np.array(INDIVIDUALS))
    assert found.centre == pytest.approx(50.81, abs=1e-9)
    assert found.sigma == pytest.approx(1.8778 / 1.128, abs=1e-3)
    # The handbook rounds d2 to 1.128.
    assert found.at(3.0) == pytest.approx(55.8041, abs=2e-3)
    assert found.at(-3.0) == pytest.approx(45.8159, abs=2e-3)


def test_moving_average_of_the_handbook():
    design = Design("ewma", width=3.0, weight=0.3, clip=np.inf)
    states, signals = traced(design, 50.0, 2.0539, AVERAGED)
    printed = (
        "50.60 49.52 50.56 50.18 50.16 49.21 49.75 49.85 50.26 50.33 50.11 49.36 49.52 50.05 49.38 49.92 "
    )
    printed += "50.73 51.23 51.94 51.99"
    ours = [50.0 + 2.0539 * state.average for state in states]
    # Printed to two decimals, from values that were rounded on the way.
    assert ours == pytest.approx([float(text) for text in printed.split()], abs=0.011)
    assert Level(50.0, 2.0539, 0).at(design.limit) == pytest.approx(52.5884, abs=1e-4)
    assert Level(50.0, 2.0539, 0).at(-design.limit) == pytest.approx(47.41157, abs=1e-5)
    assert not any(signals)


def test_cumulative_sums_of_the_handbook():
    sigma = 0.635
    design = Design("cusum", allowance=0.3175 / sigma, threshold=4.1959 / sigma, clip=np.inf)
    states, signals = traced(design, 325.0, sigma, SUMMED)
    high = np.zeros(20)
    high[4] = 0.0325
    high[12:] = (3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035)
    low = np.zeros(20)
    low[[1, 3, 6, 7, 8, 9, 10]] = (0.0075, 0.3325, 0.5575, 0.715, 0.1725, 0.255, 0.3125)
    assert [sigma * state.high for state in states] == pytest.approx(high, abs=1e-9)
    assert [sigma * state.low for state in states] == pytest.approx(low, abs=1e-9)
    assert [number for number, told in enumerate(signals, 1) if told] == [14]


SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4, 5)


@pytest.mark.parametrize(
    ("head_start", "lengths"),
    [
        (0.0, (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71, 1.31)),
        (2.0, (149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.32, 1.07, 1.01)),
    ],
)
def test_run_lengths_of_lucas_and_crosier(head_start, lengths):
    ours = [run_length.cusum(4.0, 0.5, shift, head_start=head_start) for shift in SHIFTS]
    assert ours == pytest.approx(lengths, rel=0.005)  # three digits are printed


@pytest.mark.parametrize(
    ("threshold", "allowance", "shift", "length"),
    [
        (3.0, 0.5, 0.0, 117.4),  # Waldmann
        (3.0, 0.5, -0.5, 1963),
        (3.0, 0.5, 0.5, 17.35),
        (10.0, 0.0, 0.0, 124.66),  # Vance
        (10.0, 0.0, 0.5, 20.37),
        (10.0, 0.0, 1.0, 10.75),
    ],
)
def test_run_lengths_of_one_sum(threshold, allowance, shift, length):
    # Waldmann's are bounds: 117.4 is below 117.596, which Brook and Evans (1972, from memory 117.6) has too.
    assert run_length.cusum_one_sided(threshold, allowance, shift)[1] == pytest.approx(length, rel=2e-3)


@pytest.mark.parametrize(
    ("weight", "width"), [(0.05, 2.32), (0.1, 2.55), (0.15, 2.65), (0.2, 2.72), (0.25, 2.76)]
)
def test_widths_of_crowder(weight, width):
    # Read off a chart of his, to two decimals.
    assert run_length.ewma_width(weight, 250.0) == pytest.approx(width, abs=0.011)


@pytest.mark.parametrize(("weight", "width", "length"), [(0.5, 3.0, 397.46), (1.0, 3.09, 499.61)])
def test_run_lengths_of_a_moving_average(weight, width, length):
    assert run_length.ewma(width, weight) == pytest.approx(length, abs=0.02)


@pytest.mark.parametrize(
    ("weight", "width", "lengths"),
    [(0.1, 2.814, (500, 31.3, 10.3, 4.4)), (0.2, 2.962, (500, 41.8, 10.5, 3.7))],
)
def test_run_lengths_of_lucas_and_saccucci(weight, width, lengths):
    # Their averages begin at the centre; three digits are printed.
    ours = [run_length.ewma(width, weight, shift) for shift in (0, 0.5, 1, 2)]
    assert ours == pytest.approx(lengths, rel=0.012)


@pytest.mark.parametrize(
    ("names", "length"),
    [
        ((), 370.40),
        (("two-of-three",), 225.44),
        (("four-of-five",), 166.05),
        (("eight-in-a-row",), 152.73),
        (("two-of-three", "four-of-five", "eight-in-a-row"), 91.75),
    ],
)
def test_run_lengths_of_champ_and_woodall(names, length):
    assert run_length.shewhart(3.0, names) == pytest.approx(length, abs=0.01)
