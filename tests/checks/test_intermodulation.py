"""``intermodulation`` on captures of known truth: products over level, and what noise hides of them."""

import numpy as np
import pytest
from repeats import assert_covers, covering, repeats
from stepped_truth import Bench, density_of, measured, polynomial, reading

from linecheck.checks.base import Context
from linecheck.checks.intermodulation import KIND, PAIRS, _add
from linecheck.checks.parts.readings import ReadingList
from linecheck.dsp.spectra.products import Products

A2, A3 = 3e-3, 2e-3
#: The taper's effective share of noise, re 1 over the length of a step.
TAPER = 1.1


def truth(level, pair):
    """Carrier, arithmetic sums of second and third order, root of squares; the last three re the carrier."""
    peak = 10.0 ** (level / 20.0)
    if pair != "18000+20000":
        low, high = 0.8 * peak, 0.2 * peak
        carrier = high + A3 * (0.75 * high**3 + 1.5 * low**2 * high)
        second, third = A2 * low * high, 0.75 * A3 * low**2 * high
        return (
            carrier,
            2 * second / carrier,
            2 * third / carrier,
            np.sqrt(2 * (second**2 + third**2)) / carrier,
        )
    tone = 0.5 * peak
    carrier = 2.0 * (tone + A3 * 2.25 * tone**3)
    second, third = A2 * tone**2, 0.75 * A3 * tone**3
    return carrier, second / carrier, 2 * third / carrier, np.sqrt(second**2 + 2 * third**2) / carrier


def crossing(density, seconds, pair):
    """Level at which the products are as strong as what noise alone would read."""
    levels = np.linspace(-60.0, 0.0, 6001)
    rows = np.array([truth(level, pair) for level in levels])
    count = 3 if pair == "18000+20000" else 10
    floor = np.sqrt(count) * density / seconds * TAPER / (0.5 * rows[:, 0] ** 2)
    return levels[np.flatnonzero(rows[:, 3] ** 2 < floor)[-1]]


def test_the_default_fits_its_budget():
    parameters = KIND.stimulus_parameters()
    assert KIND.stimulus(parameters, 2, 0.01).seconds <= 4.5
    assert parameters.levels == [-5.0 * index for index in range(13)]


@pytest.mark.parametrize("pair", ["60+7000", "41+7993", "18000+20000"])
def test_the_sum_s_peak_is_the_level(pair):
    parameters = KIND.stimulus_parameters(pair=pair)
    samples = np.abs(KIND.stimulus(parameters, 1, 0.01).samples.astype(float)) / 2.0**31
    assert 0.98 < np.max(samples) < 1.0


@pytest.mark.parametrize(
    ("pair", "scene"),
    covering(
        ["60+7000", "41+7993", "18000+20000"],
        [(48_000, -300.0, 0.0), (192_000, 300.0, 2.0), (192_000, 12.7, 0.713)],
    ),
)
def test_products_that_stand_out_of_the_noise(pair, scene):
    rate, ppm, delay = scene
    parameters = KIND.stimulus_parameters(pair=pair)
    density = density_of(-105.0, 20_000.0)
    bench = Bench(
        rate,
        clock_ppm=ppm,
        delay_seconds=delay,
        density=density,
        gains=(0.9, -0.3),
        bend=polynomial(A2, A3),
        lines=((50.02, 1e-4), (7101.3, 1e-6)),
    )
    _, result = measured(KIND, bench.capture(KIND.plan(parameters)), parameters)
    for channel in ("left", "right"):
        for metric, expected in zip(("imd_2", "imd_3", "imd"), truth(0.0, pair)[1:], strict=True):
            assert reading(result, metric, channel).value == pytest.approx(20.0 * np.log10(expected), abs=0.1)
    for curve in result.curves:
        assert np.array_equal(curve.x, np.arange(-60.0, 1.0, 5.0))
        assert curve.resolution_hz == pytest.approx(1.0 / 0.3)
        for level, value, uncertainty in zip(curve.x, curve.y, curve.uncertainty, strict=True):
            expected = truth(level, pair)
            # 10 dB above the noise that its products bring with them.
            if expected[3] ** 2 > 100.0 * density / 0.3 / (0.5 * expected[0] ** 2):
                assert value == pytest.approx(20.0 * np.log10(expected[3]), abs=max(0.1, 4.0 * uncertainty))
        # Below the crossing noise limits it: 1 dB per dB, but for the scatter of few products.
        limited = curve.x <= crossing(density, 0.3, pair) - 5.0
        slope = np.polyfit(curve.x[limited], curve.y[limited], 1)[0]
        assert slope == pytest.approx(-1.0, abs=0.3)
    level = reading(result, "noise_limited_below")
    assert level.value == pytest.approx(crossing(density, 0.3, pair), abs=max(1.0, 3.0 * level.uncertainty))
    best = reading(result, "best_imd_level").value
    assert level.value - 7.5 <= best <= level.value + 7.5


def test_a_unit_that_noise_limits_throughout_says_so():
    parameters = KIND.stimulus_parameters(lowest_dbfs=-20.0)
    capture = Bench(density=density_of(-70.0, 20_000.0)).capture(KIND.plan(parameters))
    _, result = measured(KIND, capture, parameters)
    assert [(problem.code, problem.blocks) for problem in result.problems] == [("off_the_scale", False)]
    assert reading(result, "noise_limited_below").value == 0.0
    assert result.curves[0].y[-1] < -70.0


def test_a_unit_that_noise_limits_nowhere_says_so():
    parameters = KIND.stimulus_parameters(lowest_dbfs=-20.0)
    capture = Bench(density=density_of(-140.0, 20_000.0), bend=polynomial(1e-2, 0.0)).capture(
        KIND.plan(parameters)
    )
    _, result = measured(KIND, capture, parameters)
    assert [problem.code for problem in result.problems] == ["off_the_scale"]
    assert reading(result, "noise_limited_below").value == -20.0
    assert reading(result, "best_imd_level").value == -20.0


def test_no_distortion_reads_below_minus_150_db():
    parameters = KIND.stimulus_parameters(lowest_dbfs=-10.0)
    _, result = measured(KIND, Bench(192_000).capture(KIND.plan(parameters)), parameters)
    assert reading(result, "imd").value < -150.0


def test_hum_that_sways_the_output_is_no_product():
    # 100 Hz beside the sidebands at 60 and 120 Hz.
    parameters = KIND.stimulus_parameters(lowest_dbfs=-10.0)
    plan = KIND.plan(parameters)
    capture = Bench(48_000, density=density_of(-120.0, 20_000.0), bend=polynomial(1e-4, 0.0)).capture(plan)
    time = np.arange(capture.frames) / 48_000
    from linecheck.checks.base import Capture

    swayed = Capture(capture.samples * (1.0 + 1e-4 * np.cos(2.0 * np.pi * 100.03 * time))[:, None], 48_000)
    _, clean = measured(KIND, capture, parameters)
    _, result = measured(KIND, swayed, parameters)
    for metric in ("imd", "imd_2"):
        assert reading(result, metric).value == pytest.approx(reading(clean, metric).value, abs=0.1)


def test_a_capture_that_cannot_hold_a_product_says_so():
    parameters = KIND.stimulus_parameters(pair="18000+20000", lowest_dbfs=-10.0)
    capture = Bench(44_100, bend=polynomial(A2, A3)).capture(KIND.plan(parameters))
    location = KIND.locate(capture, parameters, ("left",))
    result = KIND.measure(capture, location, parameters, KIND.analysis_parameters(), Context(("left",)))
    (problem,) = result.problems
    assert problem.code == "beyond_capture"
    assert "22000 Hz" in problem.message
    missing = {item.metric for item in result.readings if item.value is None}
    assert missing | {"imd_over_level"} == set(problem.metrics)
    assert reading(result, "imd_2").value == pytest.approx(
        20.0 * np.log10(truth(0.0, "18000+20000")[1]), abs=0.1
    )


@pytest.fixture(scope="module", params=repeats(35, 200))
def records(request):
    """How many records, of two channels each."""
    return request.param


@pytest.fixture(scope="module", params=["60+7000", "18000+20000"])
def errors(request, records):
    """Error and stated uncertainty of what is resolved."""
    pair = request.param
    rate, seconds = (96_000, 0.1) if pair == "18000+20000" else (24_000, 0.12)
    parameters = KIND.stimulus_parameters(pair=pair, seconds=seconds, lowest_dbfs=-10.0)
    plan = KIND.plan(parameters)
    found = {"imd": [], "imd_2": [], "imd_3": [], "imd_over_level": []}
    for seed in range(records):
        generator = np.random.default_rng(seed)
        bench = Bench(
            rate,
            clock_ppm=generator.uniform(-300.0, 300.0),
            delay_seconds=generator.uniform(0.0, 0.05),
            tail_seconds=0.03,
            density=density_of(-80.0, 20_000.0),
            gains=(1.0, 1.0),
            bend=polynomial(A2, A3),
            seed=seed,
        )
        _, result = measured(KIND, bench.capture(plan), parameters)
        for curve in result.curves:
            for metric, expected in zip(("imd_2", "imd_3", "imd"), truth(0.0, pair)[1:], strict=True):
                item = reading(result, metric, curve.channel)
                found[metric].append((item.value - 20.0 * np.log10(expected), item.uncertainty))
            for level, value, uncertainty in zip(curve.x, curve.y, curve.uncertainty, strict=True):
                expected = 20.0 * np.log10(truth(level, pair)[3])
                found["imd_over_level"].append((value - expected, uncertainty))
    return {metric: np.array(pairs).T for metric, pairs in found.items()}


@pytest.mark.parametrize("metric", ["imd", "imd_2", "imd_3", "imd_over_level"])
def test_twice_the_uncertainty_holds_the_truth_in_95_percent(errors, metric):
    assert_covers(*errors[metric])


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"pair": "60+7000", "rate_hz": 12_000}, "below half of rate_hz"),
        ({"pair": "19000+20000"}, "Input should be"),
        ({"level_dbfs": -20.0, "lowest_dbfs": -18.0}, "at least a step"),
    ],
)
def test_parameters_that_cannot_be_measured_are_refused(changes, words):
    with pytest.raises(ValueError, match=words):
        KIND.stimulus_parameters(**changes)


@pytest.mark.parametrize("pair", ["60+7000", "18000+20000"])
def test_two_levels_far_down_that_hardly_differ_are_found(pair):
    parameters = KIND.stimulus_parameters(
        pair=pair, level_dbfs=-59.0, lowest_dbfs=-60.0, step_db=1.0, seconds=0.1
    )
    plan = KIND.plan(parameters)
    bench = Bench(48_000, clock_ppm=300.0, delay_seconds=0.2, density=density_of(-110.0, 20_000.0))
    location, result = measured(KIND, bench.capture(plan), parameters)
    assert abs(location.start - bench.first_frame(plan)) / 48_000 < 0.003
    assert reading(result, "imd").value < -30.0


def noisy_products(level, pair, share, second, generator):
    """What is fitted of products of second order in noise whose mean square on a product is ``share``."""
    count = len(pair.mixes)
    amplitudes = np.zeros(count, dtype=complex)
    amplitudes[:2] = second * 10.0 ** (2.0 * level / 20.0)
    noise = generator.standard_normal(count) + 1j * generator.standard_normal(count)
    shares = share * generator.chisquare(20, count) / 20.0
    powers = 0.5 * np.abs(amplitudes + np.sqrt(share) * noise) ** 2 - shares
    tones = np.array(pair.shares) * 10.0 ** (level / 20.0)
    return Products(tones, powers, shares, np.full(count, 10.0))


@pytest.mark.parametrize(("name", "step_db"), covering(["60+7000", "18000+20000"], [5.0, 2.5, 1.0]))
def test_the_best_level_lies_within_twice_the_uncertainty(name, step_db):
    parameters, pair = KIND.stimulus_parameters(pair=name, step_db=step_db), PAIRS[name]
    generator = np.random.default_rng(8)
    levels = np.linspace(-60.0, 0.0, 1201)
    held = []
    for _ in range(200):
        share = 10.0 ** (generator.uniform(-130.0, -110.0) / 10.0)
        second = 10.0 ** (generator.uniform(-70.0, -45.0) / 20.0)
        # Re the carrier products grow with the level, the noise falls with it.
        peaks = 10.0 ** (levels / 20.0)
        truth = levels[np.argmin((second * peaks) ** 2 + np.sqrt(len(pair.mixes)) * share / peaks**2)]
        fits = [noisy_products(level, pair, share, second, generator) for level in parameters.levels]
        out = ReadingList(specs=KIND.specs)
        _add(out, "left", pair, parameters, fits, set())
        found = next(item for item in out.readings if item.metric == "best_imd_level")
        held.append(abs(found.value - truth) <= 2.0 * found.uncertainty)
    assert np.mean(held) >= 0.93
