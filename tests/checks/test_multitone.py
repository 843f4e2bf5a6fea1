"""The multi-tone: products, noise and clean range against captures of known truth."""

from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from known_truth import decibels, measured, readings
from many_tone_captures import multitone_capture, product_powers
from repeats import assert_covers, assert_near, covering, repeats

from linecheck.checks import kinds
from linecheck.checks.base import Capture, Context, Location
from linecheck.dsp.fits.multitone import TONES_HZ
from linecheck.dsp.spectra.spectra import usable_frames
from linecheck.measure.trust import inspect_continuity, inspect_samples
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

KIND = kinds()["multitone"]
NAMES = ("left", "right")
PEAK = 0.9
TONE_BINS = (TONES_HZ / 2.0).astype(int)
ONE = 0.5 * (PEAK / 12.232) ** 2


def captured(rate, *, noise=0.0, seed=0, **scene):
    """The same tones in both channels, with noise of their own whose power in 20 kHz is ``noise``."""
    one = multitone_capture(rate, peak=PEAK, **scene)
    generator = np.random.default_rng(seed)
    spread = np.sqrt(noise * rate / 2.0 / 20_000.0)
    return Capture(np.stack([one + spread * generator.standard_normal(len(one)) for _ in NAMES], 1), rate)


def residue_truth(a2, a3):
    """Powers of the products between the tones, at 0, 2, 4 … Hz, and the mean power of a tone as it comes out."""
    powers = product_powers(PEAK, a2, a3)
    one = float(np.mean(powers[TONE_BINS]))
    powers[TONE_BINS] = 0.0
    powers[:10] = 0.0
    return powers[:10_001], one


def curve(result, channel="left"):
    return next(entry for entry in result.curves if entry.channel == channel)


SCENES = [(44_100, -300.0, 0.0), (44_100, 300.0, 2.0), (192_000, 300.0, 0.0), (192_000, -300.0, 1.3)]


@pytest.mark.parametrize(("rate", "ppm", "delay"), SCENES)
def test_products_read_true(rate, ppm, delay):
    a2, noise = 1e-3, 1e-12
    truth, one = residue_truth(a2, 0.0)
    capture = captured(rate, noise=noise, a2=a2, clock_ppm=ppm, delay=delay)
    _, result = measured("multitone", capture)
    residue = curve(result)
    assert residue.resolution_hz == 5.0
    compared = 0
    for place in np.flatnonzero(truth > 10.0 * noise):
        # Products that stand 1 % clear of all that the resolution could take in with them.
        around = float(np.sum(truth[max(0, place - 8) : place + 9])) - truth[place]
        points = np.flatnonzero(np.abs(residue.x - 2.0 * place * (1.0 + 1e-6 * ppm)) < 0.3)
        if around > 1e-4 * truth[place] or not len(points):
            continue
        assert np.max(residue.y[points]) == pytest.approx(decibels(truth[place] / one), abs=0.1)
        compared += 1
    assert compared >= 15
    got = readings(result)
    total = decibels((float(np.sum(truth)) + noise * 0.999) / (32.0 * one))
    assert got["distortion_noise"].value == pytest.approx(total, abs=0.1)
    assert got["clean_range"].value == pytest.approx(-np.max(residue.y), abs=1e-9)
    assert got["clean_bits"].value == pytest.approx(got["clean_range"].value / 6.0206, abs=1e-3)


@pytest.mark.parametrize("level", [-60.0, -80.0, -100.0, -120.0])
def test_distortion_and_noise_together(level):
    # Third order fills the whole band with products: their sum is what counts.
    a3 = 10.0 ** (level / 20.0) * 50.0
    truth, one = residue_truth(0.0, a3)
    noise = float(np.sum(truth))
    _, result = measured("multitone", captured(192_000, noise=noise, a3=a3, clock_ppm=123.0, delay=0.37))
    total = decibels((float(np.sum(truth)) + noise * 0.999) / (32.0 * one))
    assert readings(result)["distortion_noise"].value == pytest.approx(total, abs=0.1)


def test_nothing_but_tones_reads_below_170_db():
    _, result = measured("multitone", captured(192_000, clock_ppm=-211.0))
    got = readings(result)
    assert got["distortion_noise"].value < -170.0
    assert got["clean_range"].value > 170.0


def test_distortion_that_climbs_shows_as_residue_that_climbs():
    # What a slope makes of the signal, squared, grows with frequency.
    rate = 192_000
    one = multitone_capture(rate, peak=PEAK)
    steep = np.gradient(one) * rate / (2.0 * np.pi * 20_000.0)
    values = one + 1e-2 * steep**3
    values = values + 1e-9 * np.random.default_rng(1).standard_normal(len(values))
    plain = one + 1e-2 * one**3
    _, result = measured("multitone", Capture(np.stack((values, plain), 1), rate))
    climb = []
    for channel in NAMES:
        residue = curve(result, channel)
        low = np.median(residue.y[(residue.x > 100.0) & (residue.x < 400.0)])
        high = np.median(residue.y[(residue.x > 8000.0) & (residue.x < 16000.0)])
        climb.append(high - low)
    assert climb[0] > climb[1] + 10.0


@pytest.mark.parametrize("resolution", [2.5, 5.0, 20.0])
def test_a_line_reads_the_same_at_any_resolution_and_noise_with_it(resolution):
    rate, line = 48_000, 1e-5
    one = multitone_capture(rate, peak=PEAK)
    noise = 1e-8 * np.random.default_rng(5).standard_normal((2, len(one))) * np.sqrt(rate / 2.0)
    extra = line * np.cos(2.0 * np.pi * 7777.0 * np.arange(len(one)) / rate)
    _, result = measured(
        "multitone", Capture((one + noise + extra).T.copy(), rate), {"resolution_hz": resolution}
    )
    got = readings(result)
    assert got["clean_range"].value == pytest.approx(-decibels(0.5 * line**2 / ONE), abs=0.02)
    residue = curve(result)
    quiet = (residue.x > 12_500.0) & (residue.x < 13_000.0)
    # The highest of a group each, so a few dB above the mean.
    above = np.mean(residue.y[quiet]) - decibels(1e-16 * resolution / ONE)
    assert 0.0 < above < 7.0


@settings(max_examples=6)
@given(st.floats(-1000.0, 1000.0), st.floats(0.0, 0.5), st.floats(-60.0, 0.0), st.booleans())
def test_neither_clock_nor_start_nor_level_nor_polarity_changes_what_is_read(ppm, delay, level, inverted):
    gain = 10.0 ** (level / 20.0) * (-1.0 if inverted else 1.0)
    capture = captured(44_100, a2=1e-3, clock_ppm=ppm, delay=delay, seconds=1.0)
    _, result = measured("multitone", Capture(gain * capture.samples, 44_100), seconds=1.0)
    truth, one = residue_truth(1e-3, 0.0)
    assert readings(result)["distortion_noise"].value == pytest.approx(
        decibels(float(np.sum(truth)) / (32.0 * one)), abs=0.1
    )


@pytest.fixture(scope="module", params=repeats(90, 235))
def errors(request):
    """Errors and stated uncertainties where one line, or none, stands in noise; two channels a record."""
    rate, noise, line = 44_100, 1e-9, 3e-6
    one = multitone_capture(rate, peak=PEAK, seconds=1.0, delay=0.0, tail=0.0)
    location = Location(4800, 4800 + usable_frames(44_100), (True, True), 1.0)  # it transforms fast
    parameters, analysis = KIND.stimulus_parameters(seconds=1.0), KIND.analysis_parameters()
    found = {"line": [], "noise": [], "total": []}
    density = noise / 20_000.0
    for seed in range(request.param):
        generator = np.random.default_rng((3, seed))
        with_line = seed < request.param - 35
        values = one + np.sqrt(density * rate / 2.0) * generator.standard_normal((2, len(one)))
        for channel in values if with_line else ():
            turns = generator.uniform(2700.0, 3700.0) * np.arange(len(one)) / rate + generator.uniform()
            channel += line * np.cos(2.0 * np.pi * turns)
        result = KIND.measure(Capture(values.T.copy(), rate), location, parameters, analysis, Context(NAMES))
        extra = 0.5 * line**2 if with_line else 0.0
        clean, total = (
            -decibels((extra + 5.0 * density) / ONE),
            decibels((extra + density * 19_980.0) / (32.0 * ONE)),
        )
        for name in NAMES:
            got = readings(result, name)
            kind = "line" if with_line else "noise"
            found[kind].append((got["clean_range"].value - clean, got["clean_range"].uncertainty))
            found["total"].append(
                (got["distortion_noise"].value - total, got["distortion_noise"].uncertainty)
            )
    return {name: np.array(pairs).T for name, pairs in found.items()}


@pytest.mark.parametrize("name", ["line", "total"])
def test_twice_the_uncertainty_holds_the_truth_in_95_percent(errors, name):
    assert_covers(*errors[name])


def test_the_highest_of_noise_spreads_as_is_stated(errors):
    values, uncertainty = errors["noise"]
    assert np.std(values) / np.mean(uncertainty) == pytest.approx(1.0, abs=0.2)


def test_noise_alone_spreads_near_its_limit(errors):
    error, _ = errors["total"]
    limit = 10.0 / np.log(10.0) / np.sqrt(19_980.0 * 1.0)
    assert_near(np.std(error) / limit, len(error))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_the_stimulus_peaks_at_full_scale_with_a_crest_factor_below_10_db(rate):
    parameters = KIND.stimulus_parameters(rate_hz=rate)
    played = KIND.stimulus(parameters, 2, 0.01)
    values = played.samples[:, 0] / 2.0**31
    inside = values[round(0.02 * rate) : -round(0.02 * rate)]
    highest = float(np.max(np.abs(inside)))
    assert 0.98 < highest < 1.0
    assert 20.0 * np.log10(highest / np.sqrt(np.mean(inside**2))) < 9.8
    assert played.seconds <= 1.6
    assert KIND.peak_dbfs(parameters) == 0.0


def codes(samples, rate, seconds=1.0):
    capture = Capture(np.round(samples * 2.0**23) / 2.0**23, rate, bits=24)
    location = KIND.locate(capture, KIND.stimulus_parameters(seconds=seconds), NAMES)
    found = (
        *location.problems,
        *inspect_samples(capture, NAMES),
        *inspect_continuity(capture, location, NAMES),
    )
    return {(problem.code, problem.channel) for problem in found}


@pytest.mark.parametrize("count", repeats(6, 60))
def test_a_clean_capture_is_never_flagged(count):
    found = Counter()
    for index in range(count):
        rng = np.random.default_rng([4, index])
        rate = int(rng.choice((44_100, 48_000)))
        level = 10.0 ** (rng.uniform(-60.0, 0.0) / 20.0)
        bend = 0.1 * rng.uniform() ** 3
        one = multitone_capture(
            rate, peak=PEAK, seconds=1.0, clock_ppm=rng.uniform(-1000, 1000), delay=rng.uniform(0, 0.4)
        )
        one = (one + bend * one**2 + 0.5 * bend * one**3) * 0.9 * level
        hum = 0.01 * rng.uniform() * level * np.sin(2.0 * np.pi * 50.02 * np.arange(len(one)) / rate)
        noise = 0.3 * level * 10.0 ** (rng.uniform(-140, -35) / 20.0) * rng.standard_normal((len(one), 2))
        found.update(codes((one + hum)[:, None] + noise, rate))
    assert not found


@pytest.mark.parametrize(("rate", "count"), covering([44_100, 192_000], [1, 48, 213, 571]))
def test_a_lost_stretch_is_a_dropout(rate, count):
    samples = np.asarray(captured(rate, seconds=1.0, noise=1e-9).samples)
    found = codes(np.delete(samples, np.s_[rate // 2 : rate // 2 + count], axis=0), rate)
    assert {code for code, _ in found} == {"dropout"}


def test_what_is_wrong_with_a_capture_is_said():
    good = captured(48_000, seconds=1.0, noise=1e-9)
    samples = np.asarray(good.samples)
    noise = 1e-4 * np.random.default_rng(1).standard_normal(samples.shape)
    dead = np.stack((samples[:, 0], noise[:, 0]), 1)
    assert codes(samples, 48_000) == set()
    assert codes(noise, 48_000) == {("stimulus_not_found", None)}
    assert codes(dead, 48_000) == {("stimulus_not_found", "right")}
    assert codes(samples, 44_100) == {("wrong_rate", None)}
    assert codes(samples[::2], 24_000) == {("capture_rate_low", None)}
    assert codes(samples[: len(samples) // 2], 48_000) == {("too_short", None)}


def test_a_resolution_that_the_record_cannot_give_is_said():
    _, result = measured(
        "multitone", captured(44_100, seconds=1.0, noise=1e-9), {"resolution_hz": 1.0}, seconds=1.0
    )
    assert {problem.code for problem in result.problems} == {"resolution_not_reached"}
    assert curve(result).resolution_hz > 1.9


def test_a_band_beyond_the_capture_is_not_measured():
    _, result = measured("multitone", captured(44_100, noise=1e-9), {"band_hz": (20.0, 30_000.0)})
    assert {problem.code for problem in result.problems} == {"band_not_reached"}
    assert all(reading.value is None for reading in result.readings)
    assert not result.curves


def test_a_good_and_a_bad_simulated_unit():
    played = KIND.stimulus(KIND.stimulus_parameters(), 2, 0.01)
    ranges = []
    for unit in (SimulatedUnit(), SimulatedUnit(harmonics_db=(-80.0, -90.0))):
        capture = SimulatedInterface(unit, capture_rate_hz=96_000).play("multitone", played)
        _, result = measured("multitone", capture)
        ranges.append(readings(result)["clean_range"].value)
    assert ranges[0] > 112.0
    assert ranges[1] < 100.0


@pytest.mark.parametrize("wrong", [{"level_dbfs": 0.1}, {"seconds": 0.5}, {"rate_hz": 32_000}, {"tones": 16}])
def test_parameters_that_make_no_sense_are_refused(wrong):
    with pytest.raises(ValueError, match=next(iter(wrong))):
        KIND.stimulus_parameters(**wrong)
