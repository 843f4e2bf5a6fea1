"""Capture trust: each injected fault is caught under its code, and a clean capture is never flagged."""

import dataclasses
import re

import numpy as np
import pytest
from fault_corpus import clean, judged
from repeats import repeats

from linecheck.checks import kinds
from linecheck.checks.base import Capture, StreamEvent
from linecheck.measure.trust import inspect_channels, inspect_continuity, inspect_samples

CHANNELS = ("left", "right")
RATES = (44100, 48000, 96000, 192000)


def tone_capture(
    rng, *, rate=48000, seconds=0.5, delay=0.2, ratio=1.0, level=0.5, noise_db=-90.0, tone_hz=997.0
):
    """A tone of ``seconds`` plus settling in a longer capture, both channels, with noise of their own, 24 bits."""
    lasting = seconds + 0.12
    time = np.arange(int((delay + lasting + 0.2) * rate)) / rate
    rise = np.clip((time - delay) / 0.01, 0, 1) * np.clip((delay + lasting - time) / 0.01, 0, 1)
    envelope = 0.5 - 0.5 * np.cos(np.pi * rise)
    samples = np.empty((len(time), 2))
    for channel in range(2):
        wave = np.sin(2 * np.pi * tone_hz * ratio * (time - delay))
        hiss = 10 ** (noise_db / 20) * rng.standard_normal(len(time))
        samples[:, channel] = level * (envelope * wave + hiss)
    return samples


def codes_of(samples, *, rate=48000, kind="tone", seconds=0.5, bits=24, events=(), **parameters):
    if bits is not None:
        samples = np.round(samples * 2 ** (bits - 1)) / 2 ** (bits - 1)
    capture = Capture(samples, rate, bits=bits, events=events)
    checker = kinds()[kind]
    found = inspect_samples(capture, CHANNELS)
    if not any(problem.channel is None for problem in found):
        given = checker.stimulus_parameters(seconds=seconds, **parameters)
        location = checker.locate(capture, given, CHANNELS)
        found += location.problems + inspect_continuity(capture, location, CHANNELS)
    assert all(problem.blocks and problem.message for problem in found)
    return {problem.code for problem in found}


@pytest.mark.parametrize("count", repeats(50, 1000))
def test_a_clean_capture_is_never_flagged(count):
    for index in range(count):
        rng = np.random.default_rng([index // 100, index % 100])
        rate = int(rng.choice(RATES, p=[0.4, 0.4, 0.1, 0.1]))
        tone_hz = float(rng.choice([997.0, 1000.0, 440.0, 100.0, 6007.0, 17987.0]))
        bits = rng.choice([16, 24, 0])
        samples = tone_capture(
            rng,
            rate=rate,
            seconds=0.3,
            delay=rng.uniform(0.0, 0.4),
            ratio=1 + rng.uniform(-1e-3, 1e-3),
            level=10 ** (rng.uniform(-60, -2) / 20),
            noise_db=rng.uniform(-140, -35),
            tone_hz=tone_hz,
        )
        peak = np.max(np.abs(samples))
        samples += 0.1 * peak * rng.uniform(0, 1) ** 3 * samples**2 / peak**2
        samples += rng.uniform(-0.01, 0.01) * peak
        hum = np.sin(2 * np.pi * 50.02 * np.arange(len(samples)) / rate)
        samples += 0.02 * peak * rng.uniform(0, 1) * hum[:, None]
        found = codes_of(
            samples, rate=rate, seconds=0.3, bits=int(bits) or None, frequency_hz=tone_hz, rate_hz=48000
        )
        assert found == set(), (index, found)


def lose(samples, at, count):
    return np.delete(samples, np.s_[at : at + count], axis=0)


def blank(samples, at, count):
    samples = samples.copy()
    samples[at : at + count] = 0.0
    return samples


def hold(samples, at, count):
    samples = samples.copy()
    samples[at : at + count] = samples[at]
    return samples


def play_twice(samples, at, count):
    return np.insert(samples, at, samples[at - count : at], axis=0)


def replace(samples, at, count):
    samples = samples.copy()
    samples[at : at + count] = samples[at - count : at]
    return samples


@pytest.mark.parametrize("rate", [44100, 192000])
@pytest.mark.parametrize("noise_db", [-40.0, -100.0])
@pytest.mark.parametrize(
    ("fault", "count", "code"),
    [
        (lose, 1, "dropout"),
        (lose, 48, "dropout"),
        (lose, 1000, "dropout"),
        (blank, 64, "dropout"),
        (blank, 2000, "dropout"),
        (hold, 256, "dropout"),
        (play_twice, 64, "repeated_block"),
        (play_twice, 1024, "repeated_block"),
        (replace, 441, "repeated_block"),
    ],
)
def test_a_fault_inside_the_stimulus_is_caught(fault, count, code, noise_db, rate):
    rng = np.random.default_rng([count, rate])
    samples = tone_capture(rng, rate=rate, noise_db=noise_db)
    broken = fault(samples, int(rng.uniform(0.4, 0.7) * rate), count)
    assert codes_of(broken, rate=rate) == {code}


@pytest.mark.parametrize(("fault", "way"), [(lose, "early"), (play_twice, "late")])
def test_a_jump_says_by_how_many_frames_which_way_and_from_where(fault, way):
    rng = np.random.default_rng(3)
    samples = tone_capture(rng)
    hiss = 1e-4 * rng.standard_normal((len(samples) + 20, 2))
    # What comes twice is no copy here: noise of the capture input is over it.
    broken = fault(samples, 24_000, 20)
    capture = Capture(broken + hiss[: len(broken)], 48_000)
    checker = kinds()["tone"]
    location = checker.locate(capture, checker.stimulus_parameters(seconds=0.5), CHANNELS)
    (problem, _) = inspect_continuity(capture, location, CHANNELS)
    frames, place = re.search(rf"comes (.*) frames too {way} from (.*) s on", problem.message).groups()
    # The clock is fitted to what is broken, and takes some of it.
    assert float(frames) == pytest.approx(20.0, abs=2.0)
    assert float(place) == pytest.approx(0.5, abs=0.005)


def test_a_fault_outside_the_stimulus_is_none():
    samples = tone_capture(np.random.default_rng(1), delay=0.4)
    assert codes_of(blank(samples, 2000, 1000)) == set()
    assert codes_of(np.clip(samples, -0.6, 0.6)) == set()


def test_an_overdriven_input_is_clipping():
    samples = tone_capture(np.random.default_rng(2), level=1.2)
    assert codes_of(np.clip(samples, -1.0, 1.0 - 2.0**-23)) == {"overload"}
    assert codes_of(np.clip(samples, -0.97, 0.97)) == {"clipping"}


def test_a_full_scale_sine_is_not_clipping():
    samples = tone_capture(np.random.default_rng(3), level=1.0, noise_db=-160.0, rate=192000)
    assert codes_of(np.clip(samples, -1.0, 1.0 - 2.0**-15), rate=192000, bits=16) == set()


@pytest.mark.parametrize("value", [0.0, 1e-4])
def test_one_value_throughout_is_silence(value):
    samples = tone_capture(np.random.default_rng(4))
    samples[:, 1] = value
    assert "silence" in codes_of(samples)
    assert "silence" in codes_of(np.full((30000, 2), value), kind="quiet")


def test_noise_alone_is_no_stimulus():
    noise = 1e-4 * np.random.default_rng(5).standard_normal((40000, 2))
    assert codes_of(noise) == {"stimulus_not_found"}
    assert codes_of(noise, kind="wiring") == {"stimulus_not_found"}
    assert codes_of(noise, kind="quiet") == set()


def test_another_tone_is_no_stimulus():
    samples = tone_capture(np.random.default_rng(6), tone_hz=1777.0)
    assert codes_of(samples) == {"stimulus_not_found"}


@pytest.mark.parametrize("ratio", [48000 / 44100, 44100 / 48000, 0.5, 2.0, 1.004])
def test_a_tone_at_another_rate_is_named(ratio):
    samples = tone_capture(np.random.default_rng(7), ratio=ratio)
    assert codes_of(samples) == {"wrong_rate"}


def test_a_stimulus_that_stops_early_is_too_short():
    samples = tone_capture(np.random.default_rng(8))
    assert codes_of(samples[: int(0.45 * 48000)]) == {"too_short"}
    assert codes_of(np.empty((0, 2))) == {"too_short"}
    assert codes_of(1e-4 * np.random.default_rng(9).standard_normal((1000, 2)), kind="quiet") == {"too_short"}


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_what_is_not_a_number_is_found(value):
    samples = tone_capture(np.random.default_rng(10))
    samples[12345, 1] = value
    assert codes_of(samples, bits=None) == {"non_finite"}


def test_what_the_interface_reported_voids_the_capture():
    event = StreamEvent("overrun", 0.123, "the driver lost input")
    assert "overrun" in codes_of(tone_capture(np.random.default_rng(11)), events=(event,))


def test_a_channel_too_few_is_no_pair():
    assert codes_of(tone_capture(np.random.default_rng(12))[:, :1]) == {"wrong_channels"}


def test_a_dead_channel_is_named_and_the_other_measured():
    samples = tone_capture(np.random.default_rng(13))
    samples[:, 1] = 1e-5 * np.random.default_rng(14).standard_normal(len(samples))
    capture = Capture(samples, 48000)
    tone = kinds()["tone"]
    location = tone.locate(capture, tone.stimulus_parameters(seconds=0.5), CHANNELS)
    assert location.found == (True, False)
    assert [(problem.code, problem.channel) for problem in location.problems] == [
        ("stimulus_not_found", "right")
    ]
    assert "unit's own" in location.problems[0].message


@pytest.mark.parametrize("ppm", [-900.0, 250.0])
@pytest.mark.parametrize(("fault", "count"), [(lose, 2), (lose, 300), (replace, 14), (blank, 7)])
def test_a_break_of_a_high_tone_is_caught_whatever_the_clocks(fault, count, ppm):
    # At 6 kHz and 250 ppm the tone is 1.5 Hz from where it is played: no fit would reach it from there.
    rng = np.random.default_rng([count, 15])
    samples = tone_capture(rng, tone_hz=6007.0, ratio=1.0 + 1e-6 * ppm)
    assert codes_of(samples, frequency_hz=6007.0) == set()
    assert codes_of(fault(samples, 24_000, count), frequency_hz=6007.0) == {"dropout"}


def test_hum_above_a_low_tone_does_not_sway_its_level():
    samples = tone_capture(np.random.default_rng(16), tone_hz=100.0, level=1.6e-3, noise_db=-50.0)
    time = np.arange(len(samples)) / 48_000
    for hertz, level_db in ((50.02, -52.0), (150.06, -62.0)):
        samples += 10.0 ** (level_db / 20.0) * np.sin(2.0 * np.pi * hertz * time)[:, None]
    assert codes_of(samples, frequency_hz=100.0) == set()
    assert codes_of(blank(samples, 24_000, 200), frequency_hz=100.0) == {"dropout"}


@pytest.mark.parametrize("name", ["tone", "quiet", "jitter", "wiring"])
def test_two_channels_that_are_one_are_told_apart_from_two_that_are_alike(name):
    from fault_corpus import FAULTS, clean, judged

    capture = clean(name, 1)
    assert "identical_channels" not in {entry.code for entry in judged(name, capture, None).problems}
    codes = capture.samples.astype(np.int64)
    for fault in ("mono_left", "mono_mean"):
        mono = FAULTS[fault](codes, np.random.default_rng(2), capture.rate_hz).astype(np.int32)
        found = judged(name, Capture(mono, capture.rate_hz, (8.0, 8.0), bits=32), None)
        assert "identical_channels" in {entry.code for entry in found.problems if entry.blocks}
        assert all(item.verdict in (None, "invalid") for item in found.readings)


def test_only_what_is_played_alike_may_come_back_alike():
    for kind in kinds().values():
        stimulus = kind.stimulus(kind.stimulus_parameters(), 2, 0.01)
        moves = bool(np.max(stimulus.samples) > np.min(stimulus.samples))
        alike = bool(np.array_equal(stimulus.samples[:, 0], stimulus.samples[:, 1]))
        assert kind.copies_alike == (moves and alike), kind.name


def test_a_digital_copy_of_the_jitter_sequence_is_the_same_in_both_channels():
    jitter = kinds()["jitter"]
    given = jitter.stimulus_parameters(rate_hz=48000)
    stimulus = jitter.stimulus(given, 2, 0.01)
    capture = Capture(np.pad(stimulus.samples, ((4800, 4800), (0, 0))), 48000, bits=24)
    location = jitter.locate(capture, given, CHANNELS)
    assert inspect_channels(capture, location, CHANNELS, copies_alike=True) == ()
    assert [entry.code for entry in inspect_channels(capture, location, CHANNELS, copies_alike=False)] == [
        "identical_channels"
    ]


@pytest.mark.parametrize("rounding", [0, 1 << 15])
@pytest.mark.parametrize("name", ["tone", "swept_response", "linearity"])
def test_words_of_16_bits_in_24_are_no_held_samples(name, rounding):
    capture = clean(name, 1)
    codes = (capture.samples + rounding) >> 16 << 16
    found = judged(name, dataclasses.replace(capture, samples=codes), None)
    codes = {problem.code for problem in found.problems if problem.blocks}
    assert not codes & {"clipping", "overload", "measurement_failed"}


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("name", ["reconstruction", "response", "wiring"])
def test_samples_cut_off_one_by_one_are_an_overload_and_a_signal_that_just_reaches_full_scale_is_none(
    name, bits
):
    capture = clean(name, 1)
    # Louder towards the treble, so that few samples in a row are cut off.
    values = np.diff(capture.scaled, prepend=0.0) + 0.05 * capture.scaled
    values, top = values / np.max(np.abs(values), axis=1)[:, None], 2 ** (bits - 1)
    for gain, expected in ((1.0, set()), (1.5, {"overload"})):
        codes = np.clip(np.rint(gain * top * values), -top, top - 1).astype(np.int32).T << (32 - bits)
        overdriven = dataclasses.replace(capture, samples=codes, bits=bits)
        found = {entry.code for entry in judged(name, overdriven, None).problems if entry.blocks}
        assert found & {"overload", "clipping"} == expected
