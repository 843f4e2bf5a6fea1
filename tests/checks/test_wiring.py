"""``wiring``: what is found of channels that are right, swapped, inverted, late, mixed or dead."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from many_tone_captures import cosines
from repeats import covering

from linecheck.checks import kinds
from linecheck.checks.base import Capture, Context
from linecheck.dsp.fits.combs import comb_frequencies, comb_phases
from linecheck.measure.trust import inspect_continuity

CHANNELS = ("left", "right")
WIRING = kinds()["wiring"]
PARAMETERS = WIRING.stimulus_parameters()


def combs(rate, *, delay=0.1, ratio=1.0, late=0.0, channels=2):
    """The coded signal as an ideal unit gives it at any clock, written down as a sum of cosines."""
    frames = int((delay + 0.52 / ratio + 0.2) * rate)
    columns = []
    frequencies = comb_frequencies(channels, PARAMETERS.rate_hz)
    for index in range(channels):
        time = (np.arange(frames) / rate - delay - (late / rate if index else 0.0)) * ratio
        rise = np.clip(time / 0.01, 0, 1) * np.clip((0.52 - time) / 0.01, 0, 1)
        tones = frequencies[index]
        sum_of_tones = cosines(time, tones, comb_phases(len(tones)))
        columns.append(0.1 / np.sqrt(len(tones)) * sum_of_tones * (0.5 - 0.5 * np.cos(np.pi * rise)))
    return np.array(columns).T


def read(samples, rate=48000, noise=1e-5, channels=CHANNELS):
    rng = np.random.default_rng(1)
    capture = Capture(samples + noise * rng.standard_normal(samples.shape), rate)
    location = WIRING.locate(capture, PARAMETERS, channels)
    assert location.problems == ()
    measured = WIRING.measure(capture, location, PARAMETERS, WIRING.analysis_parameters(), Context(channels))
    return {(reading.metric, reading.channel): reading for reading in measured.readings}, measured


@settings(max_examples=12)
@given(
    rate=st.sampled_from([44100, 48000, 96000]),
    delay=st.floats(0.0, 0.5),
    ppm=st.floats(-1000, 1000),
    late=st.floats(-20, 20),
    signs=st.tuples(st.sampled_from([-1, 1]), st.sampled_from([-1, 1])),
    gain=st.floats(0.5, 1.0),
)
def test_everything_at_once(rate, delay, ppm, late, signs, gain):
    samples = combs(rate, delay=delay, ratio=1 + 1e-6 * ppm, late=late) * np.array(signs) * [1.0, gain]
    readings, measured = read(samples, rate)
    assert measured.problems == ()
    assert readings["order", None].value == 1
    assert (readings["polarity", "left"].value, readings["polarity", "right"].value) == signs
    delayed = readings["channel_delay", None]
    assert delayed.value == pytest.approx(late, abs=5 * delayed.uncertainty + 1e-6)
    balance = readings["balance", None]
    assert balance.value == pytest.approx(-20 * np.log10(gain), abs=5 * balance.uncertainty + 1e-6)


def test_swapped_channels_are_named_and_keep_their_polarity():
    readings, measured = read(combs(48000)[:, ::-1] * [1, -1])
    assert [(p.code, p.channel, p.blocks) for p in measured.problems] == [
        ("wrong_channel", "left", False),
        ("wrong_channel", "right", False),
    ]
    assert "signal of right" in measured.problems[0].message
    assert readings["order", None].value == 0
    assert readings["polarity", "left"].value == 1
    assert readings["polarity", "right"].value == -1


def test_the_same_in_both_channels_is_not_the_declared_order():
    mono = np.repeat(np.sum(combs(48000), axis=1, keepdims=True), 2, axis=1)
    assert read(mono)[0]["order", None].value == 0


def test_crosstalk_is_no_wrong_order():
    samples = combs(48000)
    mixed = samples + 0.03 * samples[:, ::-1]
    assert read(mixed)[0]["order", None].value == 1


def test_a_dead_channel_beside_one_with_its_own_signal_leaves_the_order_open():
    readings, measured = read(combs(48000) * [1, 0])
    assert readings["order", None].value is None
    assert readings["polarity", "left"].value == 1
    assert readings["polarity", "right"].value is None
    assert readings["channel_delay", None].value is None
    (problem,) = measured.problems
    assert (problem.code, problem.channel, problem.blocks) == ("stimulus_not_found", "right", False)
    assert set(problem.metrics) == {"order", "polarity", "channel_delay", "balance"}


@pytest.mark.parametrize("noise", [1e-5, 0.0])
def test_a_dead_channel_hides_no_wrong_signal_in_the_other(noise):
    readings, measured = read(combs(48000)[:, ::-1] * [1, 0], noise=noise)
    assert readings["order", None].value == 0
    assert ("wrong_channel", "left") in [(p.code, p.channel) for p in measured.problems]
    (dead,) = [p for p in measured.problems if p.code == "stimulus_not_found"]
    assert "order" not in dead.metrics


def test_one_channel_has_no_order():
    readings, _ = read(combs(48000, channels=1), channels=("mono",))
    assert readings["order", None].value is None
    assert readings["polarity", "mono"].value == 1


def test_four_channels():
    names = ("front_left", "front_right", "rear_left", "rear_right")
    assert read(combs(96000, channels=4), 96000, channels=names)[0]["order", None].value == 1
    wrong = combs(96000, channels=4)[:, [0, 1, 3, 2]]
    assert read(wrong, 96000, channels=names)[0]["order", None].value == 0


def test_the_stimulus_has_a_low_crest_factor_and_says_its_peak():
    samples = WIRING.stimulus(PARAMETERS, 2, 0.01).samples / 2.0**31
    assert np.max(np.abs(samples)) < 0.3
    assert WIRING.peak_dbfs(PARAMETERS) == pytest.approx(20 * np.log10(np.max(np.abs(samples))), abs=1e-9)


def test_a_channel_of_bit_exact_silence_is_no_crash():
    samples = combs(48000) * [1, 0]
    readings, _ = read(samples, noise=0.0)
    assert readings["order", None].value is None
    assert readings["polarity", "right"].value is None


def test_the_right_signal_at_the_wrong_rate_is_named():
    capture = Capture(combs(48000), 44100)
    location = WIRING.locate(capture, PARAMETERS, CHANNELS)
    assert [problem.code for problem in location.problems] == ["wrong_rate"]


def codes(samples, rate):
    capture = Capture(samples, rate)
    location = WIRING.locate(capture, PARAMETERS, CHANNELS)
    return {
        problem.code for problem in (*location.problems, *inspect_continuity(capture, location, CHANNELS))
    }


@pytest.mark.parametrize(
    ("noise_db", "lost"),
    covering([-100.0, -15.0], [(0.2, 13), (0.5, 2), (0.3, 26), (0.85, 200), (0.5, 500)]),
)
def test_lost_frames_are_a_dropout_wherever_they_are_and_in_much_noise(noise_db, lost):
    place, count = lost
    # Re the combs' power of -23 dB; from some frames on their tones meet again at any angles.
    rng = np.random.default_rng(count)
    samples = combs(44100, ratio=1.0003)
    samples += 0.1 * np.sqrt(0.5 * 10.0 ** (noise_db / 10.0)) * rng.standard_normal(samples.shape)
    at = int((0.1 + 0.1 + place * 0.4) * 44100)
    broken = np.delete(samples, np.s_[at : at + count], axis=0)
    assert codes(samples, 44100) == set()
    assert codes(broken, 44100) == {"dropout"}


@pytest.mark.parametrize(("place", "of"), covering([0.003, 0.013, 0.5, 0.98, 0.993], [0, 1, slice(None)]))
def test_frames_that_are_held_or_come_again_are_a_dropout_up_to_the_ends(of, place):
    samples = combs(48000) + 1e-6 * np.random.default_rng(1).standard_normal((39360, 2))
    location = WIRING.locate(Capture(samples.copy(), 48000), PARAMETERS, CHANNELS)
    at = location.start + int(place * (location.stop - location.start))
    held, again = samples.copy(), samples.copy()
    held[at : at + 36, of] = samples[at - 1, of]
    again[at : at + 19, of] = samples[at - 19 : at, of]
    assert codes(samples, 48000) == set()
    assert codes(held, 48000) == codes(again, 48000) == {"dropout"}


def test_a_break_after_what_is_measured_moves_nothing():
    # Frames that are lost there turned the clocks' ratio by 7 ppm, and the delay by 0.004 frames.
    samples = combs(44100, delay=0.432, late=4.6)
    stop = WIRING.locate(Capture(samples, 44100), PARAMETERS, CHANNELS).stop
    broken = np.delete(samples, np.s_[stop + 50 : stop + 370], axis=0)
    delay = read(broken, 44100)[0]["channel_delay", None]
    assert delay.value == pytest.approx(4.6, abs=5 * delay.uncertainty)


@pytest.mark.parametrize("hum_hz", [50.0, 60.0])
def test_hum_stronger_than_the_tones_does_not_make_them_sound_longer(hum_hz):
    samples = 0.03 * combs(48000, delay=0.5)
    time = np.arange(len(samples)) / 48000
    hummed = samples + 0.006 * np.sin(2.0 * np.pi * hum_hz * time)[:, None]
    assert codes(hummed, 48000) == set()
    place = WIRING.locate(Capture(hummed, 48000), PARAMETERS, CHANNELS)
    assert 0.5 + 0.04 < place.start / 48000 < place.stop / 48000 < 0.5 + 0.52
