"""Crosstalk against captures of known truth, by either method."""

from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from known_truth import measured, readings
from many_tone_captures import crosstalk_capture
from repeats import assert_covers, covering, repeats
from scipy import signal

from linecheck.checks import kinds
from linecheck.checks.base import Capture, Context, Location
from linecheck.dsp.fits.interleaved import OCTAVE_TONES_HZ, PAIR_TONES_HZ
from linecheck.dsp.spectra.spectra import usable_frames
from linecheck.measure.trust import inspect_continuity, inspect_samples
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

KIND = kinds()["crosstalk"]
NAMES = ("left", "right")
METHODS = ("simultaneous", "in_turn")


def rising(level_db, corner_hz=10_000.0):
    """What leaks through a small capacitor, and a constant besides."""
    return lambda tones: 10.0 ** (level_db / 20.0) * (1.0 + 1j * tones / corner_hz)


def noisy(values, noise_db, seed=0):
    """Add noise of a power in 20 kHz re full scale (assuming 48 kHz)."""
    spread = np.sqrt(0.5 * 10.0 ** (noise_db / 10.0) * 48_000 / 2.0 / 20_000.0)
    return values + spread * np.random.default_rng(seed).standard_normal(values.shape)


def curve(result, channel):
    return next(entry for entry in result.curves if entry.channel == channel)


@pytest.mark.parametrize(
    ("scene", "method", "level_db"),
    covering(
        [(44_100, -300.0, 0.0), (192_000, 300.0, 1.1), (48_000, 950.0, 0.3)],
        METHODS,
        [-100.0, -20.0, 0.0, -60.0],
        together=2,
    ),
)
def test_crosstalk_over_frequency(scene, method, level_db):
    rate, ppm, delay = scene
    if rate == 192_000 and level_db in (0.0, -60.0):
        rate = 96_000
    leak = rising(level_db)
    values = crosstalk_capture(rate, leak, method=method, clock_ppm=ppm, delay=delay, bend=1e-4)
    _, result = measured("crosstalk", Capture(0.3 * noisy(values, -120.0), rate), method=method)
    for index, channel in enumerate(NAMES):
        tones = PAIR_TONES_HZ[1 - index] if method == "simultaneous" else OCTAVE_TONES_HZ
        truth = -20.0 * np.log10(np.abs(leak(tones)))
        got = curve(result, channel)
        assert got.x.tolist() == tones.tolist()
        assert np.all(np.abs(got.y - truth) < 0.02 + 4.0 * got.uncertainty)
        reading = readings(result, channel)["separation"]
        assert reading.value == pytest.approx(np.min(truth), abs=0.02 + 4.0 * reading.uncertainty)
        assert level_db < -60.0 or reading.uncertainty < 0.02


@pytest.mark.parametrize(("method", "bend"), [("simultaneous", 3e-5), ("in_turn", 1e-2)])
def test_the_channel_s_own_distortion_is_no_crosstalk(method, bend):
    # Products of second order 20 and 70 dB above what leaks.
    values = noisy(crosstalk_capture(48_000, rising(-130.0), method=method, bend=bend), -130.0)
    _, result = measured("crosstalk", Capture(values, 48_000), method=method)
    for index, channel in enumerate(NAMES):
        got = curve(result, channel)
        tones = PAIR_TONES_HZ[1 - index] if method == "simultaneous" else OCTAVE_TONES_HZ
        truth = -20.0 * np.log10(np.abs(rising(-130.0)(tones)))
        assert np.all(np.abs(got.y - truth) < 0.1 + 4.0 * got.uncertainty)
        # In the bass the products stand closer together than they are told apart.
        assert np.all(got.uncertainty[got.x > 1000.0] < 1.0)


def test_a_unit_that_distorts_heavily_never_reads_better_than_it_is():
    # At once, where products fill the bass; above, what leaks is read 70 dB below them.
    values = noisy(crosstalk_capture(48_000, rising(-130.0), bend=1e-2), -130.0)
    _, result = measured("crosstalk", Capture(values, 48_000))
    for index, channel in enumerate(NAMES):
        got = curve(result, channel)
        truth = -20.0 * np.log10(np.abs(rising(-130.0)(PAIR_TONES_HZ[1 - index])))
        assert np.all(got.y < truth + 0.1 + 3.0 * got.uncertainty)
        assert np.all(np.abs(got.y - truth)[got.x > 4000.0] < 1.0)


@settings(max_examples=10)
@given(st.floats(-90.0, -20.0), st.floats(0.1, 3.0), st.booleans(), st.floats(-1000.0, 1000.0))
def test_channel_gain_and_polarity_and_clock_change_nothing_in_volts(level_db, gain, inverted, ppm):
    leak = rising(level_db)
    values = crosstalk_capture(44_100, leak, clock_ppm=ppm, seconds=1.0)
    # The second channel's input is less sensitive by the gain, and says so.
    scaled = values * np.array((0.3, (-0.3 if inverted else 0.3) / gain))
    _, result = measured("crosstalk", Capture(scaled, 44_100, (4.0, 4.0 * gain)), seconds=1.0)
    for index, channel in enumerate(NAMES):
        truth = np.min(-20.0 * np.log10(np.abs(leak(PAIR_TONES_HZ[1 - index]))))
        assert readings(result, channel)["separation"].value == pytest.approx(truth, abs=0.01)


def test_the_two_directions_are_told_apart():
    values = crosstalk_capture(48_000, lambda tones: np.zeros(len(tones)))
    values[:, 0] += 0.01 * values[:, 1]
    values[:, 1] += 1e-4 * values[:, 0]
    _, result = measured("crosstalk", Capture(values, 48_000))
    assert readings(result, "left")["separation"].value == pytest.approx(40.0, abs=0.01)
    assert readings(result, "right")["separation"].value == pytest.approx(80.0, abs=0.02)


@pytest.mark.parametrize("method", METHODS)
def test_what_is_not_resolved_reads_the_level_below_which_nothing_can_be_told(method):
    values = noisy(crosstalk_capture(48_000, lambda tones: np.zeros(len(tones)), method=method), -100.0)
    _, result = measured("crosstalk", Capture(values, 48_000), method=method)
    # S/T re a tone at -20 dB: -100 dB - 10 lg(20 kHz · 1.4 s) + 20 dB.
    floor = 80.0 + 10.0 * np.log10(20_000.0 * 1.4)
    for channel in NAMES:
        reading = readings(result, channel)["separation"]
        assert floor - 12.0 < reading.value < floor + 2.0
        assert reading.is_bound
        assert reading.uncertainty > 1.0
        assert np.all(curve(result, channel).y < floor + 2.0)


def test_the_worst_of_more_than_two_channels_counts():
    def one(into):
        return noisy(crosstalk_capture(48_000, rising(-80.0), method="in_turn", channels=3), -130.0, into)

    names = ("left", "right", "centre")
    values = one(0)
    values[:, 2] += 0.01 * values[:, 0]
    parameters = KIND.stimulus_parameters()
    capture = Capture(values, 48_000)
    location = KIND.locate(capture, parameters, names)
    assert location.problems == ()
    result = KIND.measure(capture, location, parameters, KIND.analysis_parameters(), Context(names))
    left, centre = readings(result, "left")["separation"], readings(result, "centre")["separation"]
    assert left.value == pytest.approx(80.0 - 10.0 * np.log10(5.0), abs=0.1)
    assert centre.value == pytest.approx(40.0, abs=0.2)


def test_a_stimulus_of_three_channels_drives_one_after_the_other():
    played = KIND.stimulus(KIND.stimulus_parameters(bits=32), 3, 0.01)
    power = np.mean(np.abs(played.samples.reshape(3, -1, 3) * 2.0**-31) ** 2, axis=1)
    assert np.all(power[~np.eye(3, dtype=bool)] < 1e-12 * np.min(np.diag(power)))


@pytest.mark.parametrize("method", METHODS)
def test_the_stimulus_stays_below_what_it_says(method):
    parameters = KIND.stimulus_parameters(method=method, level_dbfs=-18.2)
    played = KIND.stimulus(parameters, 2, 0.01)
    highest = 20.0 * np.log10(np.max(np.abs(played.samples / 2.0**31)))
    assert highest <= KIND.peak_dbfs(parameters) + 0.01 <= 0.01
    assert played.seconds <= (1.6 if method == "simultaneous" else 3.1)


@pytest.fixture(scope="module", params=repeats(40, 200))
def errors(request):
    """Errors and stated uncertainties of curve points and of the metric."""
    rate, seconds = 44_100, 1.0
    leak = rising(-96.0, 4000.0)
    clean = crosstalk_capture(rate, leak, seconds=seconds, delay=0.0, tail=0.0)
    location = Location(4800, 4800 + usable_frames(44_100), (True, True), 1.0)  # it transforms fast
    parameters, analysis = KIND.stimulus_parameters(seconds=seconds), KIND.analysis_parameters()
    found = {"metric": [], "curve": []}
    for seed in range(request.param):
        capture = Capture(noisy(clean, -92.0, 500 + seed), rate)
        result = KIND.measure(capture, location, parameters, analysis, Context(NAMES))
        for index, channel in enumerate(NAMES):
            got, reading = curve(result, channel), readings(result, channel)["separation"]
            truth = -20.0 * np.log10(np.abs(leak(PAIR_TONES_HZ[1 - index])))
            found["metric"].append((reading.value - np.min(truth), reading.uncertainty))
            # In decibels a level is symmetric only well above the noise.
            clear = got.uncertainty < 1.0
            found["curve"] += list(zip((got.y - truth)[clear], got.uncertainty[clear], strict=True))
    return {name: np.array(pairs).T for name, pairs in found.items()}


@pytest.mark.parametrize("name", ["metric", "curve"])
def test_twice_the_uncertainty_holds_the_truth_in_95_percent(errors, name):
    assert_covers(*errors[name])


def codes(samples, rate, method="simultaneous", seconds=1.0, names=NAMES):
    capture = Capture(np.round(samples * 2.0**23) / 2.0**23, rate, bits=24)
    location = KIND.locate(capture, KIND.stimulus_parameters(seconds=seconds, method=method), names)
    found = (
        *location.problems,
        *inspect_samples(capture, names),
        *inspect_continuity(capture, location, names),
    )
    return {(problem.code, problem.channel) for problem in found}


@pytest.mark.parametrize("count", repeats(4, 30))
@pytest.mark.parametrize("method", METHODS)
def test_a_clean_capture_is_never_flagged(method, count):
    found = Counter()
    for index in range(count):
        rng = np.random.default_rng([6, index])
        rate = int(rng.choice((44_100, 48_000)))
        level = 10.0 ** (rng.uniform(-60.0, 0.0) / 20.0)
        values = crosstalk_capture(
            rate,
            rising(rng.uniform(-130.0, -20.0)),
            method=method,
            seconds=1.0,
            clock_ppm=rng.uniform(-1000.0, 1000.0),
            delay=rng.uniform(0.0, 0.4),
            bend=0.1 * rng.uniform() ** 3,
        )
        hum = 0.01 * rng.uniform() * np.sin(2.0 * np.pi * 50.02 * np.arange(len(values)) / rate)
        noise = 0.2 * 10.0 ** (rng.uniform(-140.0, -35.0) / 20.0) * rng.standard_normal(values.shape)
        found.update(codes(level * (values + hum[:, None] + noise), rate, method))
    assert not found


@pytest.mark.parametrize(("method", "count"), covering(METHODS, [1, 48, 180, 768]))
def test_a_lost_stretch_is_a_dropout(method, count):
    samples = noisy(crosstalk_capture(44_100, rising(-80.0), method=method, seconds=1.0), -100.0)
    found = codes(np.delete(samples, np.s_[30_000 : 30_000 + count], axis=0), 44_100, method)
    assert {code for code, _ in found} == {"dropout"}


@pytest.mark.parametrize("method", METHODS)
def test_what_is_wrong_with_a_capture_is_said(method):
    samples = noisy(crosstalk_capture(48_000, rising(-80.0), method=method, seconds=1.0), -100.0)
    noise = 1e-5 * np.random.default_rng(1).standard_normal(samples.shape)
    both = {("wrong_channel", "left"), ("wrong_channel", "right")}
    assert codes(samples, 48_000, method) == set()
    assert codes(samples[:, ::-1], 48_000, method) == both
    assert codes(noise, 48_000, method) == {("stimulus_not_found", None)}
    assert codes(samples, 44_100, method) == {("wrong_rate", None)}
    assert codes(samples[::2], 24_000, method) == {("capture_rate_low", None)}
    for channel, name in enumerate(NAMES):
        dead = samples.copy()
        dead[:, channel] = noise[:, channel]
        assert codes(dead, 48_000, method) == {("stimulus_not_found", name)}
    cut = codes(samples[: int(0.65 * len(samples))], 48_000, method)
    assert {code for code, _ in cut} == {"too_short"}


@pytest.mark.parametrize("method", METHODS)
def test_an_overdriven_input_is_clipping(method):
    samples = noisy(crosstalk_capture(48_000, rising(-80.0), method=method, seconds=1.0), -100.0)
    scale = 1.1 / np.max(np.abs(samples))
    found = codes(np.clip(scale * samples, -1.0, 1.0 - 2.0**-23), 48_000, method)
    assert {code for code, _ in found} == {"overload"}
    assert codes(0.9 * scale * samples, 48_000, method) == set()


def test_a_dead_channel_leaves_the_other_without_a_value():
    values = noisy(crosstalk_capture(48_000, rising(-80.0)), -100.0)
    values[:, 1] = 1e-6 * np.random.default_rng(2).standard_normal(len(values))
    parameters, capture = KIND.stimulus_parameters(), Capture(values, 48_000)
    location = KIND.locate(capture, parameters, NAMES)
    result = KIND.measure(capture, location, parameters, KIND.analysis_parameters(), Context(NAMES))
    assert readings(result, "left")["separation"].value is None
    assert [(problem.code, problem.channel) for problem in result.problems] == [("no_source", "left")]


@pytest.mark.parametrize(("method", "mix_db"), covering(METHODS, [0.0, -3.0, -5.9, -6.1, -12.0]))
def test_mixed_channels_are_measured_as_such(method, mix_db):
    samples = 0.4 * noisy(
        crosstalk_capture(48_000, lambda tones: np.zeros(len(tones)), method=method), -100.0
    )
    mixed = samples + 10.0 ** (mix_db / 20.0) * samples[:, ::-1]
    _, result = measured("crosstalk", Capture(mixed, 48_000), method=method)
    for channel in NAMES:
        assert readings(result, channel)["separation"].value == pytest.approx(-mix_db, abs=0.02)


def test_never_measured():
    def never(channels=2, band=(20.0, 20_000.0), **stimulus):
        analysis = KIND.analysis_parameters(band_hz=band)
        return set(
            KIND.never_measured(KIND.stimulus_parameters(**stimulus), analysis, channels, has_reference=False)
        )

    assert never() == never(8) == set()
    assert never(1) == {"separation", "separation_over_frequency"}
    assert never(2, (100.0, 150.0)) == {"separation", "separation_over_frequency"}
    assert never(2, (19_000.0, 21_000.0)) == set()
    assert never(2, (10_000.0, 10_300.0), method="in_turn") == set()


@pytest.mark.parametrize("method", METHODS)
def test_the_simulated_unit_s_crosstalk(method):
    parameters = KIND.stimulus_parameters(method=method)
    played = KIND.stimulus(parameters, 2, 0.01)
    for level in (-126.0, -70.0):
        unit = SimulatedUnit(crosstalk_db=level)
        capture = SimulatedInterface(unit, capture_rate_hz=48_000).play("crosstalk", played)
        _, result = measured("crosstalk", capture, method=method)
        for index, channel in enumerate(NAMES):
            reading = readings(result, channel)["separation"]
            highest = PAIR_TONES_HZ[1 - index][-1] if method == "simultaneous" else OCTAVE_TONES_HZ[-1]
            truth = -20.0 * np.log10(np.abs(rising(level)(highest)))
            assert reading.value == pytest.approx(truth, abs=0.1 + 3.0 * reading.uncertainty)


@pytest.mark.parametrize(("rate", "turn"), covering([48_000, 192_000], [0, 1]))
def test_a_break_in_a_turn_voids_what_is_read_of_it_in_the_other_channel(turn, rate):
    samples = noisy(crosstalk_capture(rate, rising(-80.0), method="in_turn", seconds=1.0), -110.0)
    sounds = np.flatnonzero(np.abs(samples[:, turn]) > 0.01)
    middle = int(sounds[len(sounds) // 2])
    assert codes(samples, rate, "in_turn") == set()
    for count in (1, 480, round(0.01 * rate)):
        lost = np.delete(samples, np.s_[middle : middle + count], axis=0)
        assert codes(lost, rate, "in_turn") == {("dropout", "left"), ("dropout", "right")}
    clicked = samples.copy()
    clicked[middle, 1 - turn] += 0.1
    assert codes(clicked, rate, "in_turn") == {("dropout", NAMES[1 - turn])}


@pytest.mark.parametrize(("method", "step_db"), covering(METHODS, [-0.01, -0.3, 0.3, -1.0]))
def test_a_level_that_changes_at_once_is_a_dropout(method, step_db):
    # At 0.3 dB the skirts of the tones stood for a crosstalk of 58 dB where it is 80.
    samples = noisy(crosstalk_capture(48_000, rising(-80.0), method=method, seconds=1.0), -100.0)
    sounds = np.flatnonzero(np.abs(samples[:, 0]) > 0.01)
    samples[int(np.quantile(sounds, 0.6)) :, 0] *= 10.0 ** (step_db / 20.0)
    assert ("dropout", "left") in codes(samples, 48_000, method)


@pytest.mark.parametrize("method", METHODS)
def test_a_level_that_drifts_evenly_is_no_dropout(method):
    samples = noisy(crosstalk_capture(48_000, rising(-80.0), method=method, seconds=1.0), -100.0)
    drift = 10.0 ** (np.linspace(0.0, -0.1, len(samples)) / 20.0)
    assert codes(samples * drift[:, None], 48_000, method) == set()


def test_a_band_without_a_tone_reads_nothing_and_says_so():
    values = noisy(crosstalk_capture(48_000, rising(-80.0)), -100.0)
    parameters, capture = KIND.stimulus_parameters(), Capture(values, 48_000)
    location = KIND.locate(capture, parameters, NAMES)
    analysis = KIND.analysis_parameters(band_hz=(100.0, 150.0))
    result = KIND.measure(capture, location, parameters, analysis, Context(NAMES))
    missing = [name for name in NAMES if readings(result, name)["separation"].value is None]
    assert missing
    said = [(problem.code, problem.channel, problem.blocks) for problem in result.problems]
    assert said == [("no_tone", name, False) for name in missing]


@pytest.mark.parametrize("level_db", [-35.0, -55.0])
def test_a_channel_that_waits_for_its_turn_is_as_still_as_it_likes(level_db):
    # Next to no noise: what leaks into it stays at one code of 24 bits for longer than a millisecond.
    samples = crosstalk_capture(44_100, rising(-80.0), method="in_turn", seconds=1.0, delay=0.3)
    samples = noisy(10.0 ** (level_db / 20.0) * samples, -150.0)
    assert codes(samples, 44_100, "in_turn") == set()
    blank = samples.copy()
    sounds = np.flatnonzero(np.abs(samples[:, 0]) > 1e-5)
    middle = int(sounds[len(sounds) // 3])
    blank[middle : middle + 100] = 0.0
    assert "dropout" in {code for code, _ in codes(blank, 44_100, "in_turn")}


@pytest.mark.parametrize("fault", ["lost", "weaker", "muted"])
def test_a_channel_that_changes_while_another_sounds_reads_nothing(fault):
    # Left sounds first; what is read of it in right is 20 dB above the noise.
    samples = noisy(crosstalk_capture(48_000, rising(-110.0), method="in_turn", seconds=1.0), -110.0)
    at = len(samples) // 4
    if fault == "lost":
        samples[:-1, 1] = np.delete(samples[:, 1], at)
    elif fault == "weaker":
        samples[at:, 1] *= 0.8
    else:
        samples[at : at + 960, 1] *= 0.1
    assert codes(samples, 48_000, "in_turn") == {("dropout", "left"), ("dropout", "right")}


def test_a_break_in_a_channel_voids_what_is_read_against_it():
    samples = noisy(crosstalk_capture(48_000, rising(-110.0), seconds=1.0), -110.0)
    samples[:-1, 0] = np.delete(samples[:, 0], len(samples) // 2)
    assert codes(samples, 48_000) == {("dropout", "left"), ("dropout", "right")}


@pytest.mark.parametrize("method", METHODS)
def test_a_tone_that_does_not_come_back_leaves_the_other_channel_without_a_value_and_says_so(method):
    values = noisy(crosstalk_capture(48_000, rising(-80.0), method=method), -100.0)
    band = signal.firwin(1023, 15_000.0, window=("kaiser", 16.0), fs=48_000)
    values[:, 1] = noisy(signal.fftconvolve(values[:, 1], band, mode="same"), -100.0, 3)
    parameters, capture = KIND.stimulus_parameters(method=method), Capture(values, 48_000)
    location = KIND.locate(capture, parameters, NAMES)
    result = KIND.measure(capture, location, parameters, KIND.analysis_parameters(), Context(NAMES))
    assert readings(result, "left")["separation"].value is None
    assert readings(result, "right")["separation"].value == pytest.approx(78.0, abs=8.0)
    (problem,) = result.problems
    assert problem.channel == "left"
    assert "Hz in right" in problem.message
    narrower = KIND.analysis_parameters(band_hz=(20.0, 12_000.0))
    result = KIND.measure(capture, location, parameters, narrower, Context(NAMES))
    assert readings(result, "left")["separation"].value == pytest.approx(77.0, abs=3.0)
