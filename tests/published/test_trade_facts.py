"""What everybody in the trade expects to see, common practice and no source: readings must say it of such units."""

import numpy as np
import pytest
from known_truth import measured, readings

from linecheck.checks import kinds
from linecheck.checks.base import Capture, Context
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit


def test_a_floor_of_120_db_is_about_20_bits():
    rate, generator = 44_100, np.random.default_rng(1)
    cycles = np.arange(rate) * (997.0 / rate)
    # White to half the rate: of it 20 Hz to 20 kHz is in the band.
    noise = 10.0 ** (-120.0 / 20.0) * np.sqrt(0.5 * 22_050.0 / 19_980.0)
    values = np.sin(2.0 * np.pi * cycles) * 0.99 + noise * 0.99 * generator.standard_normal(rate)
    _, result = measured("tone", Capture(values[:, None], rate, (4.0,)), rate_hz=rate, seconds=0.9)
    got = {name: reading.value for name, reading in readings(result).items()}
    assert got["noise"] == pytest.approx(-120.0, abs=0.2)
    assert round(got["enob"]) == 20


def test_a_slow_filter_begins_to_fall_at_10_khz_and_costs_2_to_3_db_at_18_khz():
    kind = kinds()["reconstruction"]
    parameters, names = kind.stimulus_parameters(), ("left",)
    with SimulatedInterface(SimulatedUnit(filter="slow", channel_gain_db=(0.0,))) as interface:
        capture = interface.play("reconstruction", kind.stimulus(parameters, 1, 0.01))
    location = kind.locate(capture, parameters, names)
    result = kind.measure(capture, location, parameters, kind.analysis_parameters(), Context(names))
    got = {name: reading.value for name, reading in readings(result).items()}
    assert -0.5 < got["response_10k"] < -0.1
    assert -3.5 < got["response_19k"] < -3.0 < got["response_18k"] < got["response_17k"] < -1.9


def test_noise_of_a_one_bit_stream_at_100_khz_is_as_strong_as_music_at_2_to_3_khz():
    kind, rate, ratio, seconds = kinds()["ultrasonic"], 384_000, 8, 0.3
    frames = int(seconds * rate)
    # Music for this purpose: pink from 40 Hz to 18 kHz, 30 dB below full scale.
    frequency = np.arange(frames // 2 + 1) / seconds
    spectrum = np.random.default_rng(1).standard_normal((2, len(frequency)))
    shape = np.where((frequency > 40.0) & (frequency < 18e3), 1.0 / np.sqrt(np.maximum(frequency, 1.0)), 0.0)
    music = np.fft.irfft((spectrum[0] + 1j * spectrum[1]) * shape, frames)
    music *= 10.0 ** (-30.0 / 20.0) / np.sqrt(2.0) / np.std(music)
    values = low_passed(second_order_modulator(np.repeat(music, ratio)), ratio)
    parameters = kind.stimulus_parameters(signal="programme", seconds=0.2, rate_hz=48_000)
    capture = Capture(values[:, None], rate)
    location = kind.locate(capture, parameters, ("left",))
    result = kind.measure(capture, location, parameters, kind.analysis_parameters(), Context(("left",)))
    (bands,) = result.curves
    at_100k, at_music = (
        bands.y[np.abs(np.log10(bands.x / middle)) < 0.06].mean() for middle in (100e3, 2500.0)
    )
    assert at_100k == pytest.approx(at_music, abs=6.0)


def second_order_modulator(samples):
    """Two accumulators, a sign, feedback of it: noise of |2 sin(πf/rate)|⁴, 12 dB an octave."""
    stream, first, second, last = np.empty(len(samples)), 0.0, 0.0, 1.0
    for place, sample in enumerate(samples.tolist()):
        first += sample - last
        second += first - last
        last = 1.0 if second >= 0.0 else -1.0
        stream[place] = last
    return stream


def low_passed(stream, ratio):
    """What a capture at a ``ratio``-th of the rate holds of a stream, up to 0.45 of its own rate."""
    frames = len(stream) // ratio
    spectrum = np.fft.rfft(stream)[: frames // 2 + 1]
    spectrum[int(0.45 * frames) :] = 0.0
    return np.fft.irfft(spectrum, frames) / ratio
