"""``distortion_sweep`` on captures of known truth: THD+N in two bands at once."""

import numpy as np
import pytest
from repeats import assert_covers, covering, repeats
from scipy import signal
from stepped_truth import Bench, density_of, measured, polynomial, reading

from linecheck.checks.base import Capture, Context, Reading
from linecheck.checks.distortion_sweep import AUDIO, KIND, _add
from linecheck.checks.parts.harmonic_curves import NAMES as HARMONICS
from linecheck.checks.parts.readings import ReadingList
from linecheck.measure.trust import inspect_continuity


def truth(frequency, amplitude, a2, a3, density, high, low=20.0):
    """THD+N of y = x + a2 x² + a3 x³ in a band, dB: harmonics in it, and the noise."""
    fundamental = amplitude + 0.75 * a3 * amplitude**3
    power = density * (high - low)
    power += 0.5 * (a2 * amplitude**2 / 2.0) ** 2 * (2.0 * frequency <= high)
    power += 0.5 * (a3 * amplitude**3 / 4.0) ** 2 * (3.0 * frequency <= high)
    return 10.0 * np.log10(power / (0.5 * fundamental**2))


def test_the_default_fits_its_budget():
    parameters = KIND.stimulus_parameters()
    assert KIND.stimulus(parameters, 2, 0.01).seconds <= 3.5
    assert parameters.frequencies_hz[0] == pytest.approx(20.0)
    assert parameters.frequencies_hz[-1] == pytest.approx(20_000.0)
    assert KIND.peak_dbfs(parameters) == -1.0


#: Where the band of each curve ends by default.
EDGES_HZ = {"thd_n": 20_000.0, "thd_n_wideband": 80_000.0, "thd_n_wide": 90_000.0}
WIDE = {"worst_wide", "worst_wide_at", "thd_n_wide"}
WIDEBAND = {"worst_wideband", "worst_wideband_at", "thd_n_wideband"}


@pytest.mark.parametrize(
    ("clocks", "noise_db"), covering([(-300.0, 0.0), (300.0, 2.0), (12.7, 0.713)], [-80.0, -110.0])
)
def test_both_bands_from_one_capture(clocks, noise_db):
    ppm, delay = clocks
    parameters = KIND.stimulus_parameters()
    plan = KIND.plan(parameters)
    a2, a3 = 10.0 ** ((noise_db + 20.0) / 20.0), 2.0 * 10.0 ** ((noise_db + 20.0) / 20.0)
    bench = Bench(
        192_000,
        clock_ppm=ppm,
        delay_seconds=delay,
        density=density_of(noise_db, 20_000.0),
        gains=(0.9, -0.4),
        bend=polynomial(a2, a3),
    )
    _, result = measured(KIND, bench.capture(plan), parameters)
    amplitude = plan.steps[0].amplitudes[0]
    curves = [curve for curve in result.curves if curve.metric not in HARMONICS]
    assert {curve.metric for curve in curves} == EDGES_HZ.keys()
    assert len(curves) == 6
    for curve in curves:
        high = EDGES_HZ[curve.metric]
        expected = np.array([truth(tone, amplitude, a2, a3, bench.density, high) for tone in curve.x])
        assert np.array_equal(curve.x, parameters.frequencies_hz)
        # Where harmonics make it up the bar is 0.1 dB; the noise alone scatters by 4.34/√(BT) = 0.075 dB.
        assert np.all(np.abs(curve.y - expected) < np.maximum(0.1, 4.0 * curve.uncertainty))
        made_by_harmonics = 3.0 * curve.x <= high
        assert np.all(np.abs(curve.y - expected)[made_by_harmonics] < 0.1)
        suffix = curve.metric.removeprefix("thd_n")
        worst = reading(result, f"worst{suffix}", curve.channel)
        assert worst.value == np.max(curve.y)
        assert worst.uncertainty == curve.uncertainty[np.argmax(curve.y)]
        assert reading(result, f"worst{suffix}_at", curve.channel).value == curve.x[np.argmax(curve.y)]
    audio, wide = result.curves[:2]
    # 11.8 and 20 kHz have no harmonic in the audio band, two and three in the wide one.
    assert audio.y[-1] < wide.y[-1] - 6.0


def test_a_capture_that_does_not_reach_the_wide_band_says_so():
    parameters = KIND.stimulus_parameters(points=6)
    capture = Bench(48_000, density=density_of(-100.0, 20_000.0)).capture(KIND.plan(parameters))
    _, result = measured(KIND, capture, parameters)
    assert {problem.code for problem in result.problems} == {"band_not_reached"}
    assert {frozenset(problem.metrics) for problem in result.problems} == {
        frozenset(WIDE),
        frozenset(WIDEBAND),
    }
    assert {curve.metric for curve in result.curves} == {"thd_n", *HARMONICS}
    edges = {"wide_hz": 24_000.0, "wideband_hz": 23_000.0}
    _, result = measured(KIND, capture, parameters, KIND.analysis_parameters(**edges))
    assert result.problems == ()
    assert {curve.metric for curve in result.curves} == {"thd_n", "thd_n_wideband", "thd_n_wide", *HARMONICS}


def test_the_wide_band_ends_where_the_capture_does_unless_its_edge_is_declared():
    # A second harmonic at -40 dB: of 14 kHz it is within 43.5 kHz, where a capture at 96 kHz ends, of 22.5 kHz beyond.
    parameters = KIND.stimulus_parameters(points=2, lowest_hz=14_000.0, highest_hz=22_500.0, rate_hz=96_000)
    plan = KIND.plan(parameters)
    a2 = 0.02 / plan.steps[0].amplitudes[0]
    found = {}
    for rate in (96_000, 176_400):
        bench = Bench(rate, density=density_of(-110.0, 20_000.0), bend=polynomial(a2, 0.0))
        _, result = measured(KIND, bench.capture(plan), parameters)
        found[rate] = next(curve.y for curve in result.curves if curve.metric == "thd_n_wideband")
    assert found[176_400] == pytest.approx([-40.0, -40.0], abs=0.1)
    assert found[96_000][0] == pytest.approx(-40.0, abs=0.1)
    assert found[96_000][1] < -80.0
    capture = Bench(96_000, density=density_of(-110.0, 20_000.0)).capture(plan)
    _, result = measured(KIND, capture, parameters, KIND.analysis_parameters(wideband_hz=80_000.0))
    assert WIDEBAND in [set(problem.metrics) for problem in result.problems]
    assert not [curve for curve in result.curves if curve.metric == "thd_n_wideband"]


def test_a_wide_band_that_is_no_wider_is_never_measured():
    parameters, analysis = KIND.stimulus_parameters(), KIND.analysis_parameters(band_hz=(20.0, 85_000.0))
    assert set(KIND.never_measured(parameters, analysis, 2, has_reference=False)) == WIDEBAND
    capture = Bench(192_000, density=density_of(-100.0, 20_000.0)).capture(KIND.plan(parameters))
    _, result = measured(KIND, capture, parameters, analysis)
    assert [set(problem.metrics) for problem in result.problems] == [WIDEBAND]
    assert {curve.metric for curve in result.curves} == {"thd_n", "thd_n_wide", *HARMONICS}


def test_no_wide_band_is_never_measured():
    parameters, analysis = KIND.stimulus_parameters(), KIND.analysis_parameters(wide_hz=None)
    never = KIND.never_measured(parameters, analysis, 2, has_reference=False)
    assert set(never) == WIDE
    capture = Bench(192_000, density=density_of(-100.0, 20_000.0)).capture(KIND.plan(parameters))
    _, result = measured(KIND, capture, parameters, analysis)
    assert result.problems == ()
    assert {item.metric: item.value is not None for item in result.readings} == {
        "worst": True,
        "worst_at": True,
        "worst_wideband": True,
        "worst_wideband_at": True,
        "worst_wide": False,
        "worst_wide_at": False,
    }


def with_image(capture, parameters, level_db):
    """Add the image of the last tone at the rate less its frequency, for as long as the capture lasts."""
    time = np.arange(capture.frames) / capture.rate_hz
    image = np.cos(2.0 * np.pi * (parameters.rate_hz - parameters.highest_hz) * time) * 10.0 ** (
        level_db / 20.0
    )
    return Capture(capture.samples + image[:, None], capture.rate_hz)


def test_images_count_in_the_wide_band_unless_they_are_not_to():
    parameters = KIND.stimulus_parameters(points=4, lowest_hz=5000.0)
    capture = Bench(192_000, density=density_of(-100.0, 20_000.0)).capture(KIND.plan(parameters))
    capture = with_image(capture, parameters, -41.0)
    _, result = measured(KIND, capture, parameters)
    assert result.curves[1].y[-1] == pytest.approx(-40.0, abs=0.01)
    assert result.curves[1].uncertainty[-1] < 0.01
    _, result = measured(KIND, capture, parameters, KIND.analysis_parameters(images=False))
    assert result.curves[1].y[-1] == pytest.approx(-100.0 + 1.0 + 6.53, abs=0.3)
    assert result.curves[0].y[-1] == pytest.approx(-99.0, abs=0.3)


def test_a_coupling_that_settles_after_each_change_is_no_distortion():
    # A first-order high-pass of 7.2 Hz answers every change with an exponential, -30 dB re the tone.
    from scipy.signal import lfilter

    parameters = KIND.stimulus_parameters(points=10)
    rate = 48_000
    capture = Bench(rate, density=density_of(-110.0, 20_000.0)).capture(KIND.plan(parameters))
    pole = float(np.exp(-2.0 * np.pi * 7.2 / rate))
    half = 0.5 * (1.0 + pole)
    filtered = lfilter([half, -half], [1.0, -pole], capture.samples, axis=0)
    _, clean = measured(KIND, capture, parameters)
    _, result = measured(KIND, Capture(filtered, rate), parameters)
    # At 20 Hz the tone itself is 0.5 dB down, so noise re the tone is that much up.
    assert np.all(result.curves[0].y - clean.curves[0].y < 0.6)


def test_a_tone_that_is_not_there_leaves_no_value():
    parameters = KIND.stimulus_parameters(points=5, lowest_hz=100.0)
    capture = Bench(48_000).capture(KIND.plan(parameters))
    location = KIND.locate(capture, parameters, ("left",))
    samples = capture.samples.copy()
    # Steps of few periods prove nothing continuous and are no stretches.
    spans = next(part for part in location.stretches if abs(part.tones_hz[0][0] - 1414.2) < 1.0)
    samples[spans.start - 2000 : spans.stop + 2000] = 0.0
    result = KIND.measure(
        Capture(samples, 48_000), location, parameters, KIND.analysis_parameters(), Context(("left",))
    )
    problem = next(item for item in result.problems if item.code == "tone_missing")
    assert problem.metrics == ("worst", "worst_at", "thd_n")
    assert "1414 Hz" in problem.message
    assert reading(result, "worst").value is None


@pytest.fixture(scope="module", params=repeats(60, 110))
def errors(request):
    """Error and stated uncertainty of every point of many curves, in both bands."""
    parameters = KIND.stimulus_parameters(
        points=4, lowest_hz=150.0, highest_hz=15_000.0, seconds=0.06, level_dbfs=-6.0
    )
    plan = KIND.plan(parameters)
    analysis = KIND.analysis_parameters(wide_hz=60_000.0, wideband_hz=50_000.0)
    amplitude, a2, a3 = plan.steps[0].amplitudes[0], 2e-4, 3e-4
    density = density_of(-80.0, 20_000.0)
    edges = {"thd_n": 20_000.0, "thd_n_wideband": 50_000.0, "thd_n_wide": 60_000.0}
    found = {metric: [] for metric in edges}
    for seed in range(request.param):
        generator = np.random.default_rng(seed)
        bench = Bench(
            144_000,
            clock_ppm=generator.uniform(-300.0, 300.0),
            delay_seconds=generator.uniform(0.0, 0.03),
            tail_seconds=0.02,
            density=density,
            bend=polynomial(a2, a3),
            seed=seed,
        )
        _, result = measured(KIND, bench.capture(plan), parameters, analysis)
        for curve in result.curves:
            if curve.metric not in edges:
                continue
            high = edges[curve.metric]
            expected = [truth(tone, amplitude, a2, a3, density, high) for tone in curve.x]
            found[curve.metric] += list(zip(curve.y - expected, curve.uncertainty, strict=True))
    return {metric: np.array(pairs).T for metric, pairs in found.items()}


@pytest.mark.parametrize("metric", EDGES_HZ)
def test_twice_the_uncertainty_holds_the_truth_in_95_percent(errors, metric):
    assert_covers(*errors[metric])


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"highest_hz": 23_000.0}, "below half of rate_hz"),
        ({"lowest_hz": 15_000.0}, "at least 1.5 times lowest_hz"),
        ({"points": 1}, "greater than or equal to 2"),
        ({"points": 3, "lowest_hz": 10.0, "highest_hz": 16.0}, "greater than or equal to 200"),
        ({"points": 40, "lowest_hz": 174.0, "highest_hz": 430.0, "seconds": 0.12}, "too close"),
    ],
)
def test_parameters_that_cannot_be_measured_are_refused(changes, words):
    with pytest.raises(ValueError, match=words):
        KIND.stimulus_parameters(**changes)


def test_bands_that_do_not_ascend_are_refused():
    with pytest.raises(ValueError, match="must ascend"):
        KIND.analysis_parameters(band_hz=(20_000.0, 20.0))
    for name in ("wide_hz", "wideband_hz"):
        with pytest.raises(ValueError, match=f"{name} must be above the band's upper edge"):
            KIND.analysis_parameters(**{name: 15_000.0})


def test_the_images_of_a_low_tone_can_be_left_out_too():
    # 20 Hz: its images stand 20 Hz on either side of the rate and of twice that, among its own far harmonics.
    parameters = KIND.stimulus_parameters(points=2, highest_hz=1000.0)
    capture = Bench(192_000, density=density_of(-100.0, 20_000.0)).capture(KIND.plan(parameters))
    time = np.arange(capture.frames) / capture.rate_hz
    images = [44_080.0, 44_120.0, 88_180.0, 88_220.0]
    added = sum(1e-3 * np.cos(2.0 * np.pi * image * time) for image in images)
    capture = Capture(capture.samples + added[:, None], capture.rate_hz)
    _, result = measured(KIND, capture, parameters)
    assert result.curves[1].y[0] == pytest.approx(-60.0 + 1.0 + 10.0 * np.log10(4.0), abs=0.01)
    _, result = measured(KIND, capture, parameters, KIND.analysis_parameters(images=False))
    assert result.curves[1].y[0] == pytest.approx(-100.0 + 1.0 + 6.53, abs=0.3)


@pytest.mark.parametrize("points", [5, 14, 60])
def test_the_worst_frequency_lies_within_twice_the_uncertainty(points):
    # THD+N has its greatest value anywhere between two tones that were played; it is read at one of them.
    tones = KIND.stimulus_parameters(points=points).frequencies_hz
    generator = np.random.default_rng(points)
    held = []
    for _ in range(300):
        worst = float(np.exp(generator.uniform(np.log(tones[0]), np.log(tones[-1]))))
        values = -90.0 - 3.0 * np.log2(tones / worst) ** 2 + 0.003 * generator.standard_normal(points)
        out = ReadingList(specs=KIND.specs)
        _add(out, "left", AUDIO, tones, [Reading("thd_n", "left", float(v), "dB", 0.003) for v in values])
        found = next(item for item in out.readings if item.metric == "worst_at")
        held.append(abs(found.value - worst) <= 2.0 * found.uncertainty)
    assert np.mean(held) >= 0.93


@pytest.mark.parametrize(("points", "seconds"), [(30, 0.17), (60, 0.05)])
def test_many_tones_are_found_one_by_one(points, seconds):
    parameters = KIND.stimulus_parameters(points=points, seconds=seconds, lowest_hz=100.0)
    plan = KIND.plan(parameters)
    bench = Bench(48_000, clock_ppm=-300.0, delay_seconds=0.3, density=density_of(-100.0, 20_000.0))
    location, result = measured(KIND, bench.capture(plan), parameters)
    assert abs(location.start - bench.first_frame(plan)) / 48_000 < 0.003
    assert reading(result, "worst").value < -95.0


@pytest.mark.parametrize(("step", "share"), covering([0, 1, 3], [0.3, 0.6]))
def test_one_frame_lost_in_a_low_tone_is_no_distortion(step, share):
    parameters = KIND.stimulus_parameters(points=6, lowest_hz=20.0, highest_hz=2000.0)
    plan = KIND.plan(parameters)
    bench = Bench(192_000, density=density_of(-90.0, 20_000.0), bend=polynomial(1e-3, 1e-3))
    capture = bench.capture(plan)
    assert KIND.locate(capture, parameters, ("left",)).problems == ()
    inside = plan.starts[step] - plan.starts[0] + share * plan.steps[step].seconds
    lost = np.delete(capture.samples, int(bench.first_frame(plan) + inside * 192_000), axis=0)
    (problem,) = KIND.locate(Capture(lost, 192_000), parameters, ("left",)).problems
    assert (problem.code, problem.channel) == ("dropout", "left")


@pytest.mark.parametrize(("step", "fault"), covering([0, 3, 8, 13], ["gain", "dip", "burst"]))
def test_what_happens_to_a_sine_for_a_while_is_no_distortion(step, fault):
    parameters = KIND.stimulus_parameters(seconds=0.1)
    plan = KIND.plan(parameters)
    bench = Bench(96_000, density=density_of(-110.0, 20_000.0), gains=(0.9, -0.4))
    samples = np.array(bench.capture(plan).samples)
    length = round(plan.steps[step].seconds * 96_000)
    start = round(bench.first_frame(plan) + (plan.starts[step] - plan.starts[0]) * 96_000) + length // 3
    if fault == "dip":
        count = length // 3
        samples[start : start + count, 0] *= 1.0 - 0.03 * np.hanning(count)
    elif fault == "gain":
        samples[start:, 0] *= 0.93 if step == 0 else 0.99
    else:
        samples[start : start + 400, 0] += 1e-3 * np.random.default_rng(5).standard_normal(400)
    capture = Capture(samples, 96_000, mains_hz=50.0)
    names = ("left", "right")
    location = KIND.locate(capture, parameters, names)
    result = KIND.measure(capture, location, parameters, KIND.analysis_parameters(), Context(names))
    found = location.problems + inspect_continuity(capture, location, names) + result.problems
    assert {(problem.code, problem.channel) for problem in found if problem.blocks} == {("dropout", "left")}


def test_a_filter_that_rings_ahead_of_the_next_sine_may_be_why_one_is_another_for_a_while():
    parameters = KIND.stimulus_parameters(seconds=0.1)
    plan = KIND.plan(parameters)
    bench = Bench(96_000, density=density_of(-110.0, 20_000.0), gains=(0.4,))
    taps = signal.firwin2(4417, [0.0, 20.0, 300.0, 48_000.0], [1.7, 1.7, 1.0, 1.0], fs=96_000)
    rung = signal.fftconvolve(bench.capture(plan).samples, taps[:, None], mode="same", axes=0)
    capture = Capture(rung, 96_000, mains_hz=50.0)
    location = KIND.locate(capture, parameters, ("left",))
    result = KIND.measure(capture, location, parameters, KIND.analysis_parameters(), Context(("left",)))
    (problem,) = (problem for problem in result.problems if problem.blocks)
    assert problem.code == "dropout"
    assert "or a filter rings" in problem.message
