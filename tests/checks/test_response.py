"""Level over frequency on captures of known responses, by many lines and by a sweep."""

import filtered_unit as unit
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from known_truth import readings
from repeats import assert_covers, covering, repeats

from linecheck.checks.base import Capture, Context
from linecheck.checks.response import KIND, ResponseAnalysis, ResponseParameters
from linecheck.measure.trust import inspect_continuity, inspect_samples
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

CHANNELS = ("left", "right")
SIGNALS = ("multisine", "sweep")


def located(capture, channels=CHANNELS, **parameters):
    return KIND.locate(capture, ResponseParameters(**parameters), channels)


def measured(capture, analysis=None, **parameters):
    location = located(capture, **parameters)
    assert location.problems == ()
    given = ResponseParameters(**parameters)
    result = KIND.measure(capture, location, given, ResponseAnalysis(**(analysis or {})), Context(CHANNELS))
    return location, result


def played(**parameters):
    return KIND.stimulus(ResponseParameters(**parameters), 2, 0.01)


def decibels(gain):
    return 20 * np.log10(np.abs(gain))


def curve(measurement, channel="left"):
    return next(part for part in measurement.curves if part.channel == channel)


def coupled(hz):
    """A coupling capacitor (12 Hz) and an output filter of the second order (30 kHz, Q 0.6)."""
    place = 1j * hz / 30_000
    return (1j * hz / (1j * hz + 12.0)) / (1 + place / 0.6 + place**2)


def crossing(response, level_db, inside, outside):
    reference = decibels(response(np.array([1000.0])))[0]
    for _ in range(60):
        middle = 0.5 * (inside + outside)
        above = decibels(response(np.array([middle])))[0] - reference > level_db
        inside, outside = (middle, outside) if above else (inside, middle)
    return inside


@pytest.mark.parametrize(
    ("signal", "clocks"),
    covering(
        SIGNALS, [(192_000, 300.0, 0.0), (44_100, -300.0, 2.0), (48_000, 1000.0, 0.4), (96_000, -1000.0, 0.1)]
    ),
)
def test_a_known_response_comes_out_within_a_hundredth_of_a_decibel(signal, clocks):
    capture_rate_hz, clock_ppm, delay_seconds = clocks
    capture, ratio = unit.through(
        played(signal=signal),
        capture_rate_hz,
        coupled,
        clock_ppm=clock_ppm,
        delay_seconds=delay_seconds,
        noise=1e-6,
        gains=(1.0, 10 ** (-0.25 / 20)),
    )
    location, result = measured(capture, signal=signal)
    assert location.clock_ratio == pytest.approx(ratio, abs=3e-9 if signal == "multisine" else 5e-7)
    reference = decibels(coupled(np.array([1000.0])))[0]
    for channel in CHANNELS:
        shown = curve(result, channel)
        truth = decibels(coupled(shown.x)) - reference
        assert shown.x[0] < 8
        assert shown.x[-1] > min(0.4536 * capture_rate_hz, 21_900) - 110
        assert np.max(np.abs(shown.y - truth)[shown.x >= 10]) < 0.005
        values = readings(result, channel)
        # 20 Hz is 1.3 dB down, 20 kHz 2.4 dB: both ends are below the middle.
        inside = np.geomspace(20, 20_000, 20_000)
        flatness = np.ptp(decibels(coupled(inside)))
        assert values["flatness"].value == pytest.approx(flatness, abs=0.005)
        assert values["corner_low"].value == pytest.approx(crossing(coupled, -3, 1000.0, 1.0), rel=1e-3)
    assert readings(result, None)["balance"].value == pytest.approx(0.25, abs=0.002)


@pytest.mark.parametrize("signal", SIGNALS)
def test_the_corner_of_a_sharp_filter(signal):
    _, _, response = unit.kaiser_low_pass(44_100, 90.0, 16.0)
    capture, _ = unit.through(played(signal=signal), 192_000, response, clock_ppm=200.0, noise=1e-6)
    corner = readings(measured(capture, signal=signal)[1])["corner_high"]
    assert corner.value == pytest.approx(crossing(response, -3, 1000.0, 22_000.0), rel=1e-4)


@pytest.mark.parametrize("signal", SIGNALS)
def test_the_typical_simulated_unit(signal):
    stimulus = played(signal=signal)
    assert stimulus.seconds <= 1.8
    _, result = measured(SimulatedInterface(SimulatedUnit(filter="slow")).play("r", stimulus), signal=signal)
    values = readings(result)
    # From the filter's own taps: -4.068 dB at 20 kHz.
    assert values["flatness"].value == pytest.approx(4.070, abs=0.005)
    assert values["corner_low"].value is None
    assert readings(result, None)["balance"].value == pytest.approx(0.03, abs=0.002)
    assert {problem.code for problem in result.problems} == {"no_corner"}


def test_a_balance_that_climbs_with_frequency_shows_where_it_is_worst():
    left, _ = unit.through(played(), 96_000, lambda hz: np.ones(len(hz)), noise=1e-6)
    right, _ = unit.through(played(), 96_000, lambda hz: 1 / (1 + 1j * hz / 60_000), noise=1e-6)
    both = Capture(np.stack((left.samples[:, 0], right.samples[:, 1]), axis=1), 96_000)
    worst = readings(measured(both)[1], None)["balance"].value
    assert worst == pytest.approx(10 * np.log10(1 + (20 / 60) ** 2), abs=0.002)


@pytest.mark.parametrize("signal", SIGNALS)
def test_hum_and_offset_change_nothing(signal):
    capture, _ = unit.through(played(signal=signal), 48_000, coupled, noise=1e-7)
    time = np.arange(capture.frames)[:, None] / 48_000
    hum = 0.001 + 3e-5 * np.cos(2 * np.pi * 50.02 * time) + 1e-5 * np.cos(2 * np.pi * 149.9 * time)
    shown = curve(measured(Capture(capture.samples + hum, 48_000), signal=signal)[1])
    truth = decibels(coupled(shown.x)) - decibels(coupled(np.array([1000.0])))[0]
    assert np.max(np.abs(shown.y - truth)[shown.x >= 20]) < (0.005 if signal == "multisine" else 0.05)


@settings(max_examples=8)
@given(
    gain_db=st.floats(-40.0, 6.0),
    inverted=st.booleans(),
    ppm=st.floats(-1000.0, 1000.0),
    delay=st.floats(0.0, 0.5),
    signal=st.sampled_from(SIGNALS),
)
def test_gain_polarity_clock_and_start_change_nothing(gain_db, inverted, ppm, delay, signal):
    gain = (-1 if inverted else 1) * 10 ** (gain_db / 20)
    given = {"rate_hz": 16_000, "signal": signal}
    band = {"band_hz": (20.0, 7000.0)}
    capture, _ = unit.through(
        played(**given), 32_000, coupled, clock_ppm=ppm, delay_seconds=delay, noise=1e-8, gains=(gain, 1.0)
    )
    _, result = measured(capture, band, **given)
    first, second = readings(result, "left"), readings(result, "right")
    assert first["flatness"].value == pytest.approx(second["flatness"].value, abs=0.003)
    assert first["corner_low"].value == pytest.approx(second["corner_low"].value, rel=1e-3)
    assert readings(result, None)["balance"].value == pytest.approx(gain_db, abs=0.01)


@pytest.mark.parametrize("count", repeats(40, 200))
@pytest.mark.parametrize("signal", SIGNALS)
def test_coverage_of_the_uncertainties(signal, count):
    given = {"rate_hz": 8000, "signal": signal, "seconds": 1.4}
    band = {"band_hz": (30.0, 3500.0)}

    def response(hz):
        return (1j * hz / (1j * hz + 20.0)) / (1 + 1j * hz / 2000)

    clean, _ = unit.through(played(**given), 16_000, response, clock_ppm=-200.0, delay_seconds=0.02)
    reference = decibels(response(np.array([1000.0])))[0]
    inside = np.linspace(30, 3500, 5000)
    truth = {
        "flatness": np.ptp(decibels(response(inside))),
        "passband_ripple": np.ptp(decibels(response(np.linspace(150, 3150, 5000)))),
        "corner_low": crossing(response, -3, 500.0, 2.0),
        "corner_high": crossing(response, -3, 1000.0, 3900.0),
    }
    # Noise that is far above what interpolation between lines errs by, far below the lines.
    deviation = 2e-4 if signal == "multisine" else 3e-4
    errors, uncertainties = {name: [] for name in (*truth, "curve")}, {name: [] for name in (*truth, "curve")}
    for seed in range(count):
        noise = deviation * np.random.default_rng(seed).standard_normal(clean.samples.shape)
        _, result = measured(Capture(clean.samples + noise, 16_000), band, **given)
        for channel in CHANNELS:
            values = readings(result, channel)
            for metric, true in truth.items():
                errors[metric].append(values[metric].value - true)
                uncertainties[metric].append(values[metric].uncertainty)
        shown = curve(result)
        far = (shown.x > 15) & (np.abs(np.log(shown.x / 1000)) > 0.2)
        errors["curve"] += list((shown.y - decibels(response(shown.x)) + reference)[far])
        uncertainties["curve"] += list(shown.uncertainty[far])
    for name, found in errors.items():
        assert_covers(np.array(found), np.array(uncertainties[name]))


def codes(capture, **parameters):
    location = located(capture, **parameters)
    problems = (*inspect_samples(capture, CHANNELS), *location.problems)
    problems += inspect_continuity(capture, location, CHANNELS)
    assert all(problem.blocks and problem.message for problem in problems)
    return {(problem.code, problem.channel) for problem in problems}


@pytest.fixture(scope="module", params=SIGNALS)
def clean(request):
    taps = unit.kaiser_low_pass(44_100, 100.0, 30.0)[2]
    capture, _ = unit.through(played(signal=request.param), 192_000, taps, clock_ppm=50.0, noise=1e-6)
    return request.param, capture.samples


def test_a_clean_capture_has_no_problem(clean):
    signal, values = clean
    assert codes(Capture(values, 192_000), signal=signal) == set()


def test_a_dead_channel_is_said(clean):
    signal, values = clean
    hiss = 1e-6 * np.random.default_rng(1).standard_normal(len(values))
    capture = Capture(np.stack((values[:, 0], hiss), axis=1), 192_000)
    assert codes(capture, signal=signal) == {("stimulus_not_found", "right")}
    given = ResponseParameters(signal=signal)
    location = KIND.locate(capture, given, CHANNELS)
    result = KIND.measure(capture, location, given, ResponseAnalysis(), Context(CHANNELS))
    assert {curve.channel for curve in result.curves} == {"left"}
    assert readings(result, None)["balance"].value is None


@pytest.mark.parametrize("signal", SIGNALS)
def test_noise_alone_is_no_stimulus(signal):
    noise = 0.01 * np.random.default_rng(1).standard_normal((100_000, 2))
    assert codes(Capture(noise, 48_000), signal=signal) == {("stimulus_not_found", None)}


def test_another_rate_is_said(clean):
    signal, values = clean
    capture = Capture(values, 176_400)
    assert ("wrong_rate", None) in codes(capture, signal=signal)
    (problem,) = located(capture, signal=signal).problems
    assert "ppm" not in problem.message
    assert any(told in problem.message for told in ("at 0.9187 times its frequency", "is at 916.0 Hz"))


@pytest.mark.parametrize("signal", SIGNALS)
def test_a_capture_below_the_stimulus_rate_is_refused(signal):
    noise = 0.01 * np.random.default_rng(1).standard_normal((100_000, 2))
    assert codes(Capture(noise, 32_000), signal=signal) == {("capture_rate_low", None)}


def test_too_short_a_capture_is_said(clean):
    signal, values = clean
    capture = Capture(values[: int(0.8 * len(values))], 192_000)
    assert ("too_short", None) in codes(capture, signal=signal)


@pytest.mark.parametrize("place", [0.35, 0.5, 0.7])
def test_lost_samples_are_found(clean, place):
    signal, values = clean
    first = int(place * len(values))
    broken = Capture(np.delete(values, slice(first, first + 64), axis=0), 192_000)
    assert codes(broken, signal=signal) == {("dropout", "left"), ("dropout", "right")}


@pytest.mark.parametrize(
    ("rate_hz", "gap"), covering([44_100, 192_000], [(0.41, 1), (0.41, 64), (0.44, 441), (0.6, 4)])
)
def test_what_is_lost_at_the_beginning_of_a_sweep_is_found(rate_hz, gap):
    place, lost = gap
    capture, _ = unit.through(played(signal="sweep"), rate_hz, coupled, clock_ppm=150.0, noise=1e-5)
    assert codes(capture, signal="sweep") == set()
    # The tone ends 0.37 s after the capture's beginning, the sweep begins at 0.41 s.
    first = int(place * rate_hz)
    broken = Capture(np.delete(capture.samples, np.s_[first : first + lost], axis=0), rate_hz)
    assert codes(broken, signal="sweep") == {("dropout", "left"), ("dropout", "right")}


@pytest.mark.parametrize("place", [0.35, 0.5, 0.7])
def test_a_hole_in_one_channel_is_found_there(clean, place):
    signal, values = clean
    first = int(place * len(values))
    broken = values.copy()
    broken[first : first + 960, 1] = 0.0
    assert codes(Capture(broken, 192_000), signal=signal) == {("dropout", "right")}


def test_a_band_beyond_the_stimulus_is_never_measured():
    given = ResponseParameters()
    wide = ResponseAnalysis(band_hz=(5.0, 20_000.0))
    assert set(KIND.never_measured(given, wide, 2, False)) == {"flatness", "balance"}
    assert set(KIND.never_measured(given, ResponseAnalysis(), 1, False)) == {"balance"}


def test_a_band_beyond_the_capture_is_said():
    capture, _ = unit.through(played(), 44_100, coupled, noise=1e-6)
    _, result = measured(capture, {"band_hz": (20.0, 21_000.0)})
    assert readings(result)["flatness"].value is None
    assert ("band_not_reached", "left") in {(problem.code, problem.channel) for problem in result.problems}


@pytest.mark.parametrize("signal", SIGNALS)
@pytest.mark.parametrize("rate_hz", [8000, 44_100, 96_000, 192_000])
def test_the_stimulus_stays_within_full_scale_at_its_stated_peak(signal, rate_hz):
    given = ResponseParameters(signal=signal, rate_hz=rate_hz, level_dbfs=-12.0)
    peak = 20 * np.log10(np.max(np.abs(KIND.stimulus(given, 1, 0.01).samples.astype(float))) / 2**31)
    assert KIND.peak_dbfs(given) == pytest.approx(peak, abs=0.03)
    assert peak < 0.0
