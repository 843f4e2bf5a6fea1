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


def amplitudes(values, rate_hz, *places_hz):
    """Amplitudes of tones that fit into a record a whole number of times."""
    spectrum = np.abs(np.fft.rfft(values)) * 2.0 / len(values)
    return [spectrum[round(place * len(values) / rate_hz)] for place in places_hz]


#: By pair: the denominators that others take, and by how much more a product then reads, dB, as the kind states it.
RE_ELSE = {
    "60+7000": {"low tone": -12.04, "sum": -13.98, "total rms": -12.30},
    "41+7993": {"low tone": -12.04, "sum": -13.98, "total rms": -12.30},
    "18000+20000": {"one tone": 6.02, "total rms": 3.01},
}


@pytest.mark.parametrize("pair", RE_ELSE)
def test_what_products_are_re_and_what_they_would_read_re_something_else(pair):
    # One second of the bent pair at half of full scale, without a clock or noise: a Fourier transform tells all.
    rate, shares = 96_000, (0.4, 0.1) if pair != "18000+20000" else (0.25, 0.25)
    low, high = map(int, pair.split("+"))
    time = np.arange(rate) / rate
    played = sum(
        share * np.cos(2.0 * np.pi * tone * time) for share, tone in zip(shares, (low, high), strict=True)
    )
    values = polynomial(A2, A3)(played)
    u_low, u_high = amplitudes(values, rate, low, high)
    if pair == "18000+20000":
        seconds, thirds = (high - low,), (2 * low - high, 2 * high - low)
        own, others = u_low + u_high, {"one tone": u_high, "total rms": np.hypot(u_low, u_high)}
    else:
        seconds, thirds = (high - low, high + low), (high - 2 * low, high + 2 * low)
        own = u_high
        others = {"low tone": u_low, "sum": u_low + u_high, "total rms": np.hypot(u_low, u_high)}
    second, third = (np.array(amplitudes(values, rate, *places)) for places in (seconds, thirds))
    result = levels_of(pair, rate)
    for metric, product in (
        ("imd", np.sqrt(np.sum(second**2) + np.sum(third**2))),
        ("imd_2", np.sum(second)),
        ("imd_3", np.sum(third)),
    ):
        read = reading(result, metric).value
        assert read == pytest.approx(20.0 * np.log10(product / own), abs=0.002)
        for name, more in RE_ELSE[pair].items():
            assert 20.0 * np.log10(product / others[name]) - read == pytest.approx(more, abs=0.02), name


@pytest.mark.parametrize(
    ("pair", "order", "above"),
    [("60+7000", 2, 3.01), ("60+7000", 3, 3.01), ("18000+20000", 2, 0.0), ("18000+20000", 3, 3.01)],
)
def test_how_the_figures_of_a_pair_lie_to_each_other_where_one_order_is_alone(pair, order, above):
    bend = polynomial(A2, 0.0) if order == 2 else polynomial(0.0, A3)
    parameters = KIND.stimulus_parameters(pair=pair, level_dbfs=-6.0, lowest_dbfs=-16.0)
    _, result = measured(KIND, Bench(96_000, bend=bend).capture(KIND.plan(parameters)), parameters)
    difference = reading(result, f"imd_{order}").value - reading(result, "imd").value
    assert difference == pytest.approx(above, abs=0.005)
