"""The reconstruction filter on captures of known filters: droop, corners, stop band, images, impulse response."""

from functools import cache

import filtered_unit as unit
import numpy as np
import pytest
from known_truth import readings
from repeats import assert_covers, repeats

from linecheck.checks.base import Capture, Context
from linecheck.checks.reconstruction import KIND, ReconstructionAnalysis, ReconstructionParameters
from linecheck.station.interfaces.simulated.filters import reconstruction_taps
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

CHANNELS = ("left", "right")
RATE_HZ = 44100


def located(capture, **parameters):
    return KIND.locate(capture, ReconstructionParameters(**parameters), CHANNELS)


def measured(capture, **parameters):
    location = located(capture, **parameters)
    assert location.problems == ()
    given = ReconstructionParameters(**parameters)
    return location, KIND.measure(capture, location, given, ReconstructionAnalysis(), Context(CHANNELS))


def played(**parameters):
    return KIND.stimulus(ReconstructionParameters(**parameters), 2, 0.01)


def decibels(gain):
    return 20 * np.log10(np.abs(gain))


def curve(measurement, metric, channel="left"):
    return next(part for part in measurement.curves if (part.metric, part.channel) == (metric, channel))


def crossing(response, level_db, low, high):
    """The frequency at which a response falls to a level, by bisection."""
    reference = decibels(response(np.array([1000.0])))[0]
    for _ in range(60):
        middle = 0.5 * (low + high)
        above = decibels(response(np.array([middle])))[0] - reference > level_db
        low, high = (middle, high) if above else (low, middle)
    return low


def stop_band_truth(response, notch_from, edge_hz):
    """Highest level from the first notch on, and the lowest frequency from which on it is not exceeded."""
    fine = np.arange(notch_from, edge_hz, 2.0)
    level = decibels(response(fine)) - decibels(response(np.array([1000.0])))[0]
    notch = np.flatnonzero(np.diff(level) > 0)[0]
    highest = np.max(level[notch:])
    return fine[np.flatnonzero(level > highest)[-1] + 1], -highest


@pytest.mark.parametrize(
    ("capture_rate_hz", "clock_ppm", "delay_seconds"),
    [(192_000, 300.0, 0.0), (176_400, -300.0, 0.7), (384_000, 37.0, 1.9)],
)
def test_a_known_filter_comes_out_within_the_bar(capture_rate_hz, clock_ppm, delay_seconds):
    _, _, response = unit.kaiser_low_pass(RATE_HZ, 110.0, 38.0)
    capture, ratio = unit.through(
        played(), capture_rate_hz, response, clock_ppm=clock_ppm, delay_seconds=delay_seconds, noise=3e-7
    )
    location, result = measured(capture)
    assert location.clock_ratio == pytest.approx(ratio, abs=2e-10)
    values = readings(result)
    edge = 0.4536 * capture_rate_hz
    reference = decibels(response(np.array([1000.0])))[0]
    for khz in (10, 15, 17, 18, 19, 20):
        truth = decibels(response(np.array([1e3 * khz])))[0] - reference
        assert values[f"response_{khz}k"].value == pytest.approx(truth, abs=0.001)
    for metric, level in (("corner_3db", -3.0), ("corner_6db", -6.0)):
        assert values[metric].value == pytest.approx(crossing(response, level, 15e3, 25e3), rel=1e-5)
    begins, depth = stop_band_truth(response, 22_100.0, edge)
    assert depth > 105
    assert values["stopband_attenuation"].value == pytest.approx(depth, abs=0.3)
    assert not values["stopband_attenuation"].is_bound
    assert values["stopband_from"].value == pytest.approx(begins, rel=1e-3)
    shown = curve(result, "response")
    truth = decibels(response(shown.x)) - reference
    band = shown.x <= 20_000
    assert np.max(np.abs(shown.y - truth)[band]) < 0.001
    deep = (truth < -60) & (truth > -110)
    # Each line has its own noise: of a thousand none is further off than four and a half standard deviations.
    assert np.max(np.abs(shown.y - truth)[deep] / np.hypot(shown.uncertainty[deep], 0.01)) < 4.5
    assert np.sqrt(np.mean((shown.y - truth)[deep] ** 2)) < 0.5
    assert shown.x[-1] <= edge < shown.x[-1] + 60


def test_stop_band_within_1_db_at_110_db_with_the_noise_of_a_good_unit():
    _, _, response = unit.kaiser_low_pass(RATE_HZ, 107.0, 38.0)
    # -117.3 dB in 20 kHz re a full-scale sine, white to 96 kHz.
    noise = 10 ** (-117.3 / 20) * np.sqrt(0.5 * 96_000 / 19_980)
    _, depth = stop_band_truth(response, 22_100.0, 87e3)
    assert 106 < depth < 111
    for seed in range(3):
        capture, _ = unit.through(played(), 192_000, response, clock_ppm=300.0, noise=noise, seed=seed)
        for channel in CHANNELS:
            value = readings(measured(capture)[1], channel)["stopband_attenuation"]
            assert value.value == pytest.approx(depth, abs=1.0)


@cache
def of_filter(name):
    """What is measured of a simulated unit with a filter."""
    simulated = SimulatedUnit(filter=name, clock_ppm=-300.0, channel_gain_db=(0.0,))
    return measured(SimulatedInterface(simulated).play("reconstruction", played()))[1]


@pytest.mark.parametrize("name", ["sharp", "slow", "minimum_phase"])
def test_the_simulated_units_filters(name):
    result = of_filter(name)
    taps, zero = reconstruction_taps(name, 8)
    response = unit.Fir(taps, zero, 8, RATE_HZ)
    values = readings(result)
    for khz in (10, 15, 17, 18, 19, 20):
        truth = decibels(response(np.array([1e3 * khz])))[0]
        assert values[f"response_{khz}k"].value == pytest.approx(truth, abs=0.001)
    assert values["corner_3db"].value == pytest.approx(crossing(response, -3.0, 15e3, 25e3), rel=1e-5)
    tones = np.arange(19_025.0, 20_000.0, 50.0)
    truth = np.min(decibels(response(tones)) - decibels(response(RATE_HZ - tones)))
    assert values["image_rejection"].value == pytest.approx(truth, abs=4.0 if truth > 100 else 0.01)


def test_filters_are_told_apart_by_their_impulse_response():
    found, bound = {}, {}
    for name in ("sharp", "slow", "minimum_phase"):
        result = of_filter(name)
        found[name] = {metric: reading.value for metric, reading in readings(result).items()}
        bound[name] = readings(result)["pre_ringing"].is_bound
    ringing = {name: values["pre_ringing"] for name, values in found.items()}
    assert -15 < ringing["sharp"] < -12
    assert -30 < ringing["slow"] < -20
    assert ringing["minimum_phase"] < -80
    assert bound == {"sharp": False, "slow": False, "minimum_phase": True}
    delay = {name: values["latency"] for name, values in found.items()}
    assert delay["sharp"] > 0.5 > 0.1 > delay["minimum_phase"]
    assert delay["slow"] < 0.1
    assert found["slow"]["corner_3db"] < 19_000 < found["minimum_phase"]["corner_3db"]


def test_the_impulse_response_is_that_of_the_taps():
    taps, zero, response = unit.kaiser_low_pass(RATE_HZ, 90.0, 20.0)
    capture, _ = unit.through(played(), 192_000, response, clock_ppm=120.0, delay_seconds=0.3, noise=1e-7)
    _, result = measured(capture)
    shown = curve(result, "impulse")
    assert shown.x[0] < -4.9
    assert shown.x[-1] > 4.9
    assert len(shown.x) <= 2000
    inside = np.abs(shown.x) < 0.4
    # The taps are samples at 8 times the rate of a response that ends well below half of that.
    times = (np.arange(len(taps)) - zero) / (8 * RATE_HZ)
    truth = np.array([np.sum(taps * np.sinc((1e-3 * at - times) * 8 * RATE_HZ)) for at in shown.x[inside]])
    assert np.max(np.abs(shown.y[inside] - truth / taps[zero])) < 1e-4
    values = readings(result)
    step = 1e-6
    fine = np.arange(-6e-4, 6e-4, step)
    dense = np.array([np.sum(taps * np.sinc((at - times) * 8 * RATE_HZ)) for at in fine])
    lobe = np.flatnonzero(dense[: len(fine) // 2] <= 0)[-1]
    energy = 10 * np.log10(np.sum(dense[: lobe + 1] ** 2) / np.sum(dense**2))
    assert values["pre_ringing"].value == pytest.approx(energy, abs=0.02)
    sums = np.cumsum(dense**2)
    begins = -fine[np.argmax(sums > 1e-8 * sums[-1])]
    assert values["latency"].value == pytest.approx(1e3 * begins, abs=0.004)


def test_a_coupling_capacitor_does_not_ring():
    taps, zero = reconstruction_taps("minimum_phase", 8)
    filtered = unit.Fir(taps, zero, 8, RATE_HZ)
    coupled = (filtered, lambda hz: 1j * hz / (1j * hz + 3.0))
    capture, _ = unit.through(played(), 192_000, coupled, noise=1e-7)
    values = readings(measured(capture)[1])
    assert values["pre_ringing"].value < -80
    assert values["latency"].value < 0.1


def test_hum_hides_nothing():
    simulated = SimulatedUnit(hum_db=(-70.0, -75.0, -80.0, -90.0))
    values = readings(measured(SimulatedInterface(simulated).play("reconstruction", played()))[1])
    assert values["latency"].value == pytest.approx(0.741, abs=0.002)
    assert values["stopband_attenuation"].value > 115


def test_distortion_ahead_of_the_impulse_response_is_no_latency():
    simulated = SimulatedUnit(harmonics_db=(-200.0, -55.0))
    _, result = measured(SimulatedInterface(simulated).play("reconstruction", played()))
    assert readings(result)["latency"].value is None
    assert "noise_limited" in {problem.code for problem in result.problems}


def test_inverted_polarity_changes_nothing():
    _, _, response = unit.kaiser_low_pass(RATE_HZ, 90.0, 20.0)
    capture, _ = unit.through(played(), 192_000, response, gains=(1.0, -1.0), noise=1e-7)
    _, result = measured(capture)
    left, right = readings(result, "left"), readings(result, "right")
    for metric, reading in left.items():
        assert right[metric].value == pytest.approx(reading.value, rel=1e-3, abs=0.01)


@pytest.mark.parametrize("count", repeats(40, 250))
def test_coverage_of_the_uncertainties_on_short_noisy_captures(count):
    rate = 8000
    short = {"rate_hz": rate, "seconds": 1.2}
    _, _, response = unit.kaiser_low_pass(rate, 50.0, 4.0)
    stimulus = played(**short)
    clean, _ = unit.through(
        stimulus, 32_000, response, clock_ppm=100.0, tail_seconds=0.05, delay_seconds=0.05
    )
    reference = decibels(response(np.array([1000.0])))[0]
    truth = {
        "response_10k": decibels(response(np.array([10_000.0])))[0] - reference,
        "corner_3db": crossing(response, -3.0, 2000.0, 5000.0),
        "corner_6db": crossing(response, -6.0, 2000.0, 5000.0),
    }
    errors, uncertainties = {name: [] for name in (*truth, "curve")}, {name: [] for name in (*truth, "curve")}
    for seed in range(count):
        noise = 1e-3 * np.random.default_rng(seed).standard_normal(clean.samples.shape)
        _, result = measured(Capture(clean.samples + noise, 32_000), **short)
        for channel in CHANNELS:
            values = readings(result, channel)
            for metric, true in truth.items():
                errors[metric].append(values[metric].value - true)
                uncertainties[metric].append(values[metric].uncertainty)
        shown = curve(result, "response")
        part = shown.x < 3000
        errors["curve"] += list((shown.y - decibels(response(shown.x)) + reference)[part])
        uncertainties["curve"] += list(shown.uncertainty[part])
    for name, found in errors.items():
        assert_covers(np.array(found), np.array(uncertainties[name]))


def codes(location):
    return {(problem.code, problem.channel) for problem in location.problems}


@pytest.fixture(scope="module")
def clean():
    taps, zero = reconstruction_taps("sharp", 8)
    return unit.through(played(), 192_000, unit.Fir(taps, zero, 8, RATE_HZ), noise=1e-6)[0]


def test_a_capture_below_four_times_the_rate_is_refused():
    location = located(Capture(np.zeros((96_000, 2)), 96_000))
    assert codes(location) == {("capture_rate_low", None)}
    assert "176400 Hz" in location.problems[0].message


def test_a_dead_channel_is_said(clean):
    values = clean.samples.copy()
    values[:, 1] = 1e-6 * np.random.default_rng(1).standard_normal(len(values))
    capture = Capture(values, 192_000)
    location = located(capture)
    assert codes(location) == {("stimulus_not_found", "right")}
    given = ReconstructionParameters()
    result = KIND.measure(capture, location, given, ReconstructionAnalysis(), Context(CHANNELS))
    assert {reading.channel for reading in result.readings} == {"left"}


def test_noise_alone_is_no_stimulus():
    noise = 0.01 * np.random.default_rng(1).standard_normal((400_000, 2))
    assert codes(located(Capture(noise, 192_000))) == {("stimulus_not_found", None)}


def test_silence_is_no_stimulus():
    assert codes(located(Capture(np.zeros((400_000, 2)), 192_000))) == {("stimulus_not_found", None)}


def test_a_unit_at_another_rate_is_said(clean):
    assert ("wrong_rate", None) in codes(located(Capture(clean.samples[::], 176_400)))


def test_too_short_a_capture_is_said(clean):
    assert ("too_short", None) in codes(located(Capture(clean.samples[:300_000], 192_000)))


@pytest.mark.parametrize("lost", [1, 37, 4096])
def test_lost_samples_are_found(clean, lost):
    values = np.delete(clean.samples, slice(250_000, 250_000 + lost), axis=0)
    assert codes(located(Capture(values, 192_000))) == {("dropout", "left"), ("dropout", "right")}


def test_a_hole_in_one_channel_is_found_there(clean):
    values = clean.samples.copy()
    values[250_000:250_200, 1] = 0.0
    assert codes(located(Capture(values, 192_000))) == {("dropout", "right")}


def test_noise_that_hides_the_stop_band_is_said(clean):
    noisy = clean.samples + 1e-3 * np.random.default_rng(1).standard_normal(clean.samples.shape)
    _, result = measured(Capture(noisy, 192_000))
    said = {problem.code for problem in result.problems}
    assert said == {"noise_limited"}
    values = readings(result)
    assert 50 < values["stopband_attenuation"].value < 110
    assert {metric for metric, reading in values.items() if reading.is_bound} == {
        "stopband_attenuation", "image_rejection"
    }  # fmt: skip
    # A deeper stop band begins further up.
    assert values["stopband_from"].value is None
    assert values["latency"].value is None
    assert values["response_20k"].value == pytest.approx(0.0, abs=0.01)


def test_noise_alone_never_reads_as_what_the_filter_lets_through():
    short = {"rate_hz": 8000, "seconds": 1.2}
    _, _, response = unit.kaiser_low_pass(8000, 110.0, 16.0)
    clean = unit.through(played(**short), 32_000, response, delay_seconds=0.05, tail_seconds=0.05)[0].samples
    for seed in range(8):
        noise = 1e-3 * np.random.default_rng(seed).standard_normal(clean.shape)
        for channel in CHANNELS:
            values = readings(measured(Capture(clean + noise, 32_000), **short)[1], channel)
            assert values["stopband_attenuation"].is_bound
            # No better than what is true, 110 dB from a Kaiser window.
            assert values["stopband_attenuation"].value < 80


def test_without_a_low_pass_there_is_no_corner_but_a_curve():
    capture, _ = unit.through(played(), 192_000, lambda hz: np.ones(len(hz)), noise=1e-6)
    _, result = measured(capture)
    values = readings(result)
    for metric in ("corner_3db", "corner_6db", "stopband_from", "stopband_attenuation"):
        assert values[metric].value is None
    assert {problem.code for problem in result.problems} == {"no_corner", "no_stop_band"}
    assert values["image_rejection"].value == pytest.approx(0.0, abs=1e-3)


def test_what_the_capture_does_not_reach_is_missing():
    short = {"rate_hz": 8000, "seconds": 1.2}
    _, _, response = unit.kaiser_low_pass(8000, 60.0, 8.0)
    _, result = measured(unit.through(played(**short), 32_000, response, noise=1e-6)[0], **short)
    values = readings(result)
    assert values["response_10k"].value is not None
    assert values["response_15k"].value is None
    assert values["image_rejection"].value is None
    never = KIND.never_measured(ReconstructionParameters(**short), ReconstructionAnalysis(), 2, False)
    assert set(never) == {"image_rejection"}


@pytest.mark.parametrize("rate_hz", [8000, 44100, 48000, 96000, 192000])
def test_the_stimulus_stays_within_full_scale_at_its_stated_peak(rate_hz):
    given = ReconstructionParameters(rate_hz=rate_hz)
    stimulus = KIND.stimulus(given, 1, 0.01)
    peak = 20 * np.log10(np.max(np.abs(stimulus.samples.astype(float))) / 2**31)
    assert KIND.peak_dbfs(given) == pytest.approx(peak, abs=0.01)
    assert KIND.peak_dbfs(given.model_copy(update={"level_dbfs": -2.0})) < 0.0
    assert stimulus.seconds <= 3.0


def test_a_floor_behind_an_analogue_low_pass_has_a_stop_band():
    def response(hz):
        edge = np.clip((np.abs(hz) - 20_000.0) / 2_000.0, 0.0, 1.0)
        return 10.0 ** (-edge * 70.0 / 20.0) / (1.0 + 1j * hz / 80_000.0)

    capture, _ = unit.through(played(), 192_000, response, noise=1e-7)
    _, result = measured(capture)
    values = readings(result)
    assert "no_stop_band" not in {problem.code for problem in result.problems}
    start = 44_100.0 - values["corner_3db"].value
    truth = -20.0 * np.log10(np.abs(response(np.array([start])) / response(np.array([1e3]))))[0]
    # To a line, which are 100 Hz apart.
    assert values["stopband_from"].value == pytest.approx(start, abs=100.0)
    assert values["stopband_attenuation"].value == pytest.approx(truth, abs=0.1)
