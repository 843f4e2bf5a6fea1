"""Harmonics over frequency and over level, against a bend of known harmonics.

y = x + a2 x² + a3 x³ makes of a sine of amplitude A a fundamental of A + ¾ a3 A³, a second harmonic of ½ a2 A² and a
third of ¼ a3 A³: by cos²φ = ½ + ½ cos 2φ and cos³φ = ¾ cos φ + ¼ cos 3φ.
"""

import numpy as np
import pytest
from repeats import assert_covers, repeats
from stepped_truth import Bench, density_of, measured, polynomial

from linecheck.checks import distortion_sweep, linearity
from linecheck.checks.parts.harmonic_curves import NAMES, ORDERS


def truth(order, amplitude, a2, a3):
    """Return the level of a harmonic re the tone, dB."""
    part = {2: 0.5 * a2 * amplitude**2, 3: 0.25 * a3 * amplitude**3}[order]
    return 20.0 * np.log10(part / (amplitude + 0.75 * a3 * amplitude**3))


def curves(result, channel="left"):
    return {curve.metric: curve for curve in result.curves if curve.channel == channel}


def test_over_frequency_each_harmonic_is_read_as_far_as_the_capture_holds_it():
    kind = distortion_sweep.KIND
    parameters, plan = kind.stimulus_parameters(), kind.plan(kind.stimulus_parameters())
    bench = Bench(96_000, density=density_of(-110.0, 20_000.0), bend=polynomial(1e-3, 2e-3))
    _, result = measured(kind, bench.capture(plan), parameters)
    found = curves(result)
    amplitude = plan.steps[0].amplitudes[0]
    for order, name in zip(ORDERS, NAMES, strict=True):
        curve = found[name]
        held = parameters.frequencies_hz[order * parameters.frequencies_hz <= 0.4536 * 96_000]
        assert np.array_equal(curve.x, held)
        if order < 4:
            assert curve.y == pytest.approx(truth(order, amplitude, 1e-3, 2e-3), abs=0.05)
        else:
            # What a cubic bend does not make is noise: as strong as noise in the band of one step.
            noise = -110.0 - 10.0 * np.log10(20_000.0 * 0.17)
            assert np.all(curve.y < noise + 12.0)


def test_over_level_a_second_harmonic_falls_with_the_level_and_a_third_twice_as_fast():
    kind = linearity.KIND
    parameters, plan = kind.stimulus_parameters(), kind.plan(kind.stimulus_parameters())
    bench = Bench(48_000, density=density_of(-120.0, 20_000.0), bend=polynomial(1e-2, 1e-1))
    _, result = measured(kind, bench.capture(plan), parameters)
    found = curves(result)
    levels, amplitudes = (
        np.array(part) for part in (parameters.levels, [step.amplitudes[0] for step in plan.steps])
    )
    loud = levels >= -30.0
    for order in (2, 3):
        curve = found[f"harmonic_{order}"]
        expected = truth(order, amplitudes[loud][::-1], 1e-2, 1e-1)
        assert np.array_equal(curve.x[-np.count_nonzero(loud) :], levels[loud][::-1])
        off = np.abs(curve.y[-np.count_nonzero(loud) :] - expected)
        assert np.all(off < np.maximum(0.1, 4.0 * curve.uncertainty[-np.count_nonzero(loud) :]))
    # Down below noise alone is left, which stands higher re the tone by what the tone is lower.
    thd_n = found["thd_n"]
    quiet = thd_n.x <= -60.0
    assert thd_n.y[quiet] == pytest.approx(-120.0 - thd_n.x[quiet], abs=0.6)


def test_a_capture_that_ends_below_the_band_has_no_harmonics_over_level_and_says_so():
    kind = linearity.KIND
    parameters = kind.stimulus_parameters(rate_hz=32_000, lowest_dbfs=-60.0, seconds=0.8)
    capture = Bench(32_000, density=density_of(-100.0, 14_000.0)).capture(kind.plan(parameters))
    _, result = measured(kind, capture, parameters)
    assert {curve.metric for curve in result.curves} == {"gain_error"}
    (problem,) = result.problems
    assert (problem.code, problem.blocks) == ("band_not_reached", False)
    assert set(problem.metrics) == {"thd_n", *NAMES}


@pytest.fixture(scope="module", params=repeats(16, 160))
def errors(request):
    """Errors of harmonics over level that stand out of the noise, and what is stated of them."""
    kind = linearity.KIND
    parameters = kind.stimulus_parameters(lowest_dbfs=-40.0, seconds=0.8)
    plan = kind.plan(parameters)
    found = []
    for seed in range(request.param):
        generator = np.random.default_rng(seed)
        bench = Bench(
            48_000,
            clock_ppm=generator.uniform(-300.0, 300.0),
            delay_seconds=generator.uniform(0.0, 0.03),
            density=density_of(-90.0, 20_000.0),
            bend=polynomial(2e-3, 4e-3),
            seed=seed,
        )
        _, result = measured(kind, bench.capture(plan), parameters)
        for order in (2, 3):
            curve = curves(result)[f"harmonic_{order}"]
            there = curve.x >= (-10.0 if order == 2 else 0.0)
            amplitudes = np.array([step.amplitudes[0] for step in plan.steps])[::-1][there]
            expected = truth(order, amplitudes, 2e-3, 4e-3)
            found += list(zip(curve.y[there] - expected, curve.uncertainty[there], strict=True))
    return np.array(found).T


def test_twice_the_uncertainty_holds_a_harmonic_in_95_percent(errors):
    assert_covers(*errors)
