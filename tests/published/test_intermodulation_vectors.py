"""Intermodulation products of known polynomials, in closed form, through the intermodulation check.

For y = x + a2·x² + a3·x³ and x = A1 cos φ1 + A2 cos φ2, from the products of cosines: the carrier of a modulation pair
is A2 + a3 (¾ A2³ + 1.5 A1² A2), each sideband of second order a2 A1 A2, each of third order ¾ a3 A1² A2.

Pairs of AES17-2015, 6.3.6 (41 Hz + 7993 Hz, 4:1) and 6.3.5 (18 kHz + 20 kHz, equal), known through public commentary,
and 60 Hz + 7 kHz, 4:1 (SMPTE RP 120, from memory). Figures of second and third order with arithmetic sums after
IEC 60268-3, 14.12.7 and 14.12.8 (formulas from memory). The values are exact and were confirmed by Fourier transforms.
"""

import numpy as np
import pytest
from stepped_truth import Bench, measured, polynomial, reading, with_gains

from linecheck.checks.intermodulation import KIND

A2 = A3 = 1e-3
#: 0.4 and 0.1, or 0.25 and 0.25: half of full scale.
HALF_DB = 20.0 * np.log10(0.5)


def levels_of(pair, rate, *, gain_db=HALF_DB, clock_ppm=0.0):
    """Readings of a pair played at exactly half of full scale, then 5 dB less."""
    parameters = KIND.stimulus_parameters(pair=pair, lowest_dbfs=-20.0)
    plan = KIND.plan(parameters)
    # Full scale is a quantising step below 1.0 in the stimulus; here the amplitudes are what they are called.
    exact = 20.0 * np.log10(
        10.0 ** (np.array(parameters.levels) / 20.0) / [sum(s.amplitudes) for s in plan.steps]
    )
    bench = Bench(rate, clock_ppm=clock_ppm, bend=polynomial(A2, A3), delay_seconds=0.05)
    _, result = measured(KIND, bench.capture(with_gains(plan, exact + gain_db)), parameters)
    return result


@pytest.mark.parametrize("clock_ppm", [0.0, 300.0])
@pytest.mark.parametrize("rate", [44_100, 48_000, 192_000])
@pytest.mark.parametrize("pair", ["60+7000", "41+7993"])
def test_modulation_distortion(pair, rate, clock_ppm):
    result = levels_of(pair, rate, clock_ppm=clock_ppm)
    # Carrier 0.10002475, sidebands 4e-5 and 1.2e-5 each.
    assert reading(result, "imd_2").value == pytest.approx(-61.940, abs=0.001)
    assert reading(result, "imd_3").value == pytest.approx(-72.398, abs=0.001)
    assert reading(result, "imd").value == pytest.approx(-64.576, abs=0.001)
    assert 10.0 ** (reading(result, "imd_2").value / 20.0) == pytest.approx(7.998020e-4, rel=1e-4)
    assert 10.0 ** (reading(result, "imd_3").value / 20.0) == pytest.approx(2.399406e-4, rel=1e-4)
    assert 10.0 ** (reading(result, "imd").value / 20.0) == pytest.approx(5.904468e-4, rel=1e-4)


@pytest.mark.parametrize("clock_ppm", [0.0, -300.0])
@pytest.mark.parametrize("rate", [48_000, 96_000, 192_000])
def test_difference_frequency_distortion(rate, clock_ppm):
    result = levels_of("18000+20000", rate, clock_ppm=clock_ppm)
    # Tones 0.25003515625 each; 6.25e-5 at 2 kHz, 1.171875e-5 at 16 and 22 kHz; re the sum of both tones.
    assert reading(result, "imd_2").value == pytest.approx(-78.063, abs=0.001)
    assert reading(result, "imd_3").value == pytest.approx(-86.582, abs=0.001)
    total = np.sqrt(6.25e-5**2 + 2.0 * 1.171875e-5**2) / 0.5000703125
    assert reading(result, "imd").value == pytest.approx(20.0 * np.log10(total), abs=0.001)


@pytest.mark.parametrize("pair", ["60+7000", "18000+20000"])
def test_products_follow_the_law_of_their_order(pair):
    # Re the carrier, second order goes with the level, third order with its square.
    high, low = levels_of(pair, 96_000, gain_db=0.0), levels_of(pair, 96_000, gain_db=-12.0)
    second = reading(high, "imd_2").value - reading(low, "imd_2").value
    third = reading(high, "imd_3").value - reading(low, "imd_3").value
    # The carrier itself grows a little with the level.
    assert second == pytest.approx(12.0, abs=0.02)
    assert third == pytest.approx(24.0, abs=0.02)
