"""The simulated converter against closed forms, evaluated by code of its own."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.station.interfaces.simulated.converter import (
    Converter,
    capture_at,
    transfer_curve,
)
from linecheck.station.interfaces.simulated.filters import OutputFilter, reconstruction_taps

RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


def decibels(ratio):
    return 20.0 * np.log10(np.abs(ratio))


def instants(converter, frames, ppm=0.0, delay=0.0123):
    """Positions of a capture that begins before and ends after the stimulus."""
    clock = converter.rate_hz * (1.0 + ppm * 1e-6)
    count = int((delay * 2 + frames / clock) * converter.capture_rate_hz)
    return (np.arange(count) / converter.capture_rate_hz - delay) * clock


def inside(positions, frames, margin=1500):
    return (positions > margin) & (positions < frames - margin)


def cosine(converter, frequency, frames, phase=0.3, amplitude=1.0):
    return amplitude * np.cos(2.0 * np.pi * frequency / converter.rate_hz * np.arange(frames) + phase)


def components(values, positions, *cycles_per_sample):
    """Complex amplitudes of several frequencies, by least squares."""
    angle = 2.0 * np.pi * np.outer(positions, cycles_per_sample)
    table = np.concatenate((np.cos(angle), np.sin(angle), np.ones((len(positions), 1))), axis=1)
    fitted = np.linalg.lstsq(table, values, rcond=None)[0]
    count = len(cycles_per_sample)
    return fitted[:count] - 1j * fitted[count : 2 * count]


def component(values, positions, cycles_per_sample):
    return components(values, positions, cycles_per_sample)[0]


def band_rms(values, rate, low, high):
    """Rms within a band, by a Kaiser window of 300 dB."""
    window = np.kaiser(len(values), 40.0)
    power = np.abs(np.fft.rfft(values * window)) ** 2 * 2.0 / (len(values) * np.sum(window**2))
    frequency = np.fft.rfftfreq(len(values), 1.0 / rate)
    return np.sqrt(np.sum(power[(frequency >= low) & (frequency <= high)]))


@settings(max_examples=15, deadline=None)
@given(
    rate=st.sampled_from(RATES),
    capture_rate=st.sampled_from(RATES),
    ppm=st.floats(-300.0, 300.0),
    delay=st.floats(0.002, 0.05),
    seed=st.integers(0, 2**32 - 1),
)
def test_band_limited_signals_come_back_exactly(rate, capture_rate, ppm, delay, seed):
    # The sum of cosines at any instant is known; up to 20 kHz the sharp filter changes nothing.
    converter = Converter(rate, capture_rate)
    generator = np.random.default_rng(seed)
    frequencies = generator.uniform(20.0, 19_000.0, 8) / rate
    phases = generator.uniform(0.0, 2.0 * np.pi, 8)

    def signal(at):
        return np.sum(np.cos(2.0 * np.pi * frequencies[:, None] * at + phases[:, None]), axis=0) / 8.0

    frames = rate // 10
    positions = instants(converter, frames, ppm, delay)
    jittered = positions + generator.normal(0.0, 1e-3, len(positions))
    captured = capture_at(signal(np.arange(frames))[np.newaxis], jittered, converter)[0]
    used = inside(positions, frames)
    # All that may remain is the filter's ripple of 1e-6 and images under -117 dB.
    assert np.max(np.abs(captured - signal(jittered))[used]) < 4e-6


@pytest.mark.parametrize(
    ("rate", "capture_rate"),
    [(44_100, 192_000), (44_100, 44_100), (48_000, 44_100), (192_000, 44_100), (192_000, 192_000)],
)
@pytest.mark.parametrize("frequency", [997.0, 17_000.0])
def test_residual_of_a_sine_lies_below_minus_160_db(rate, capture_rate, frequency):
    converter = Converter(rate, capture_rate)
    frames = rate // 2
    positions = instants(converter, frames, ppm=123.0)
    captured = capture_at(cosine(converter, frequency, frames)[np.newaxis], positions, converter)[0]
    used = inside(positions, frames)
    values, at = captured[used], positions[used]
    amplitude = component(values, at, frequency / rate)
    residual = values - np.real(amplitude * np.exp(2j * np.pi * frequency / rate * at))
    assert decibels(amplitude) == pytest.approx(0.0, abs=2e-5)
    assert decibels(band_rms(residual, capture_rate, 0.0, 20_000.0) * np.sqrt(2.0)) < -160.0


def test_phase_tells_delay_and_clock_exactly():
    converter = Converter(44_100, 192_000)
    frames, ppm, delay = 22_050, 123.0, 0.0123456
    positions = instants(converter, frames, ppm, delay)
    captured = capture_at(cosine(converter, 997.0, frames, phase=0.0)[np.newaxis], positions, converter)[0]
    used = np.flatnonzero(inside(positions, frames))
    # By the capture's own clock: f · (1 + 123 ppm), and zero phase when the first sample is converted.
    seconds = used / 192_000.0
    true = np.cos(2.0 * np.pi * 997.0 * (1.0 + ppm * 1e-6) * (seconds - delay))
    assert np.max(np.abs(captured[used] - true)) < 2e-6


def test_nothing_comes_before_and_after_the_stimulus():
    converter = Converter(44_100, 192_000)
    frames = 4_410
    positions = instants(converter, frames, delay=0.1)
    captured = capture_at(cosine(converter, 997.0, frames)[np.newaxis], positions, converter)[0]
    outside = (positions < -200) | (positions > frames + 200)
    assert np.max(np.abs(captured[outside])) < 1e-9
    assert np.max(np.abs(captured)) > 0.9


def images(frequency):
    """A tone and its images up to 96 kHz, in cycles per sample."""
    return np.abs(np.array([0.0, 1.0, -1.0, 2.0]) - frequency / 44_100)


@pytest.mark.parametrize(
    ("name", "frequency", "level_db", "tolerance"),
    [
        ("sharp", 1_000.0, 0.0, 1e-4),
        ("sharp", 10_000.0, 0.0, 1e-4),
        ("sharp", 18_000.0, 0.0, 1e-4),
        ("sharp", 20_000.0, 0.0, 1e-4),
        ("minimum_phase", 1_000.0, 0.0, 1e-4),
        ("minimum_phase", 20_000.0, 0.0, 1e-4),
        ("slow", 1_000.0, 0.0, 0.001),
        ("slow", 10_000.0, -0.19, 0.005),
        ("slow", 18_000.0, -2.64, 0.005),
        ("slow", 20_000.0, -4.07, 0.005),
    ],
)
def test_filter_response_at_44_1_khz(name, frequency, level_db, tolerance):
    converter = Converter(44_100, 192_000, name)
    frames = 22_050
    positions = instants(converter, frames)
    captured = capture_at(cosine(converter, frequency, frames)[np.newaxis], positions, converter)[0]
    used = inside(positions, frames)
    tone, *_ = components(captured[used], positions[used], *images(frequency))
    assert decibels(tone) == pytest.approx(level_db, abs=tolerance)


def test_slow_filter_lets_images_through_and_sharp_does_not():
    frames = 22_050
    levels = {}
    for name in ("sharp", "slow", "minimum_phase"):
        converter = Converter(44_100, 192_000, name)
        positions = instants(converter, frames)
        captured = capture_at(cosine(converter, 20_000.0, frames)[np.newaxis], positions, converter)[0]
        used = inside(positions, frames)
        levels[name] = decibels(components(captured[used], positions[used], *images(20_000.0))[1])
    assert levels["slow"] == pytest.approx(-8.54, abs=0.01)
    assert levels["sharp"] < -110.0
    assert levels["minimum_phase"] < -110.0


@pytest.mark.parametrize("oversampling", [2, 4, 8])
def test_stop_bands_and_equal_magnitudes(oversampling):
    length = 1 << 16
    frequency = np.arange(length // 2 + 1) * oversampling / length

    def response(name):
        return decibels(np.fft.rfft(reconstruction_taps(name, oversampling)[0], length))

    passed, stopped = frequency <= 20.0 / 44.1, frequency >= 24.1 / 44.1
    sharp, least = response("sharp"), response("minimum_phase")
    assert np.max(sharp[stopped]) < -117.0
    assert np.max(least[stopped]) < -117.0
    assert np.max(response("slow")[frequency >= 40.0 / 44.1]) < -73.0
    assert np.max(np.abs(sharp[passed])) < 2e-5
    assert np.max(np.abs(least[passed] - sharp[passed])) < 2e-5


def test_minimum_phase_rings_only_afterwards():
    impulse = np.zeros((1, 2_000))
    impulse[0, 1_000] = 1.0
    before = {}
    for name in ("sharp", "minimum_phase"):
        converter = Converter(44_100, 192_000, name)
        positions = instants(converter, 2_000)
        captured = capture_at(impulse, positions, converter)[0]
        first = captured[positions < 999.0]
        before[name] = np.sum(first**2) / np.sum(captured**2)
    assert before["sharp"] > 0.01
    assert before["minimum_phase"] < 1e-9


def test_anti_alias_filter_keeps_what_a_slow_capture_cannot_hold_out_of_it():
    converter = Converter(192_000, 44_100)
    frames = 96_000
    positions = instants(converter, frames)
    for frequency, gone in ((19_900.0, False), (30_000.0, True), (60_000.0, True)):
        captured = capture_at(cosine(converter, frequency, frames)[np.newaxis], positions, converter)[0]
        rms = np.std(captured[inside(positions, frames, 6_000)]) * np.sqrt(2.0)
        if gone:
            assert rms < 1e-7
        else:
            assert decibels(rms) == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("amplitude", [1.0, 0.5])
def test_harmonics_have_the_declared_levels(amplitude):
    declared = (-60.0, -70.0, -80.0, -95.0)
    converter = Converter(44_100, 192_000, curve=transfer_curve(declared))
    frames, frequency = 22_050, 997.0
    positions = instants(converter, frames, ppm=50.0)
    stimulus = cosine(converter, frequency, frames, amplitude=amplitude)
    captured = capture_at(stimulus[np.newaxis], positions, converter)[0]
    used = inside(positions, frames)
    # The curve written out: y = x + Σ h_n (T_n(x) − T_n(0)), on the sine that has been played.
    x = amplitude * np.cos(2.0 * np.pi * np.arange(64) / 64)
    h = 10.0 ** (np.array(declared) / 20.0)
    y = x + h[0] * 2 * x**2 + h[1] * (4 * x**3 - 3 * x) + h[2] * (8 * x**4 - 8 * x**2)
    y += h[3] * (16 * x**5 - 20 * x**3 + 5 * x)
    expected = np.abs(np.fft.rfft(y))[:6] / 32.0
    expected[0] /= 2.0
    measured = np.abs(components(captured[used], positions[used], *(np.arange(1, 6) * frequency / 44_100)))
    assert decibels(measured / expected[1:]) == pytest.approx(np.zeros(5), abs=0.01)
    if amplitude == 1.0:
        assert decibels(measured[1:] / measured[0]) == pytest.approx(np.array(declared), abs=0.01)


def test_harmonics_beyond_half_the_capture_rate_do_not_fold_back():
    # The 3rd harmonic of 9 kHz at 27 kHz would alias to 17.1 kHz.
    converter = Converter(44_100, 44_100, curve=transfer_curve((-300.0, -60.0)))
    frames = 22_050
    positions = instants(converter, frames)
    captured = capture_at(cosine(converter, 9_000.0, frames)[np.newaxis], positions, converter)[0]
    used = inside(positions, frames)
    _, alias = components(captured[used], positions[used], 9_000 / 44_100, 17_100 / 44_100)
    assert decibels(alias) < -150.0


def captured_sum(converter, amplitudes, frequencies, frames=22_050):
    """What comes of a sum of cosines, settled, and its instants."""
    angle = 2.0 * np.pi * np.outer(frequencies, np.arange(frames)) / converter.rate_hz
    stimulus = np.array(amplitudes) @ np.cos(angle)
    positions = instants(converter, frames, ppm=31.0)
    used = inside(positions, frames)
    return capture_at(stimulus[np.newaxis], positions, converter)[0][used], positions[used]


@pytest.mark.parametrize("frequency", [997.0, 10_000.0, 20_000.0, 21_900.0])
def test_without_a_filter_the_hold_is_what_remains(frequency):
    # Zero-order hold: sin(x)/x with x = πf/rate for the tone and for each of its images; 20 kHz: −3.1678 dB.
    values, at = captured_sum(Converter(44_100, 192_000, "none"), [1.0], [frequency])
    places = images(frequency)
    found = np.abs(components(values, at, *places))
    flat = places * 44_100 < 86_000
    assert decibels(found / np.sinc(places))[flat] == pytest.approx(0.0, abs=1e-4)
    if frequency == 20_000.0:
        assert decibels(found[0]) == pytest.approx(-3.1678, abs=1e-4)


def test_hold_lasts_for_a_period_of_the_rate():
    impulse = np.zeros((1, 2_000))
    impulse[0, 1_000] = 1.0
    converter = Converter(44_100, 384_000, "none")
    positions = instants(converter, 2_000)
    captured = capture_at(impulse, positions, converter)[0]
    middle = np.sum(positions * captured) / np.sum(captured)
    assert middle == pytest.approx(1_000.5, abs=1e-3)
    assert np.mean(captured[(positions > 1_000.2) & (positions < 1_000.8)]) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("name", ["sharp", "slow", "minimum_phase", "none"])
def test_nothing_but_tone_and_images_up_to_half_the_capture_rate(name):
    frequency = 19_000.0
    values, at = captured_sum(Converter(44_100, 192_000, name), [1.0], [frequency], 44_100)
    places = np.append(images(frequency), 2.0 + frequency / 44_100)
    turn = 2.0 * np.pi * np.outer(at, places)
    table = np.concatenate((np.cos(turn), np.sin(turn)), axis=1)
    rest = values - table @ np.linalg.lstsq(table, values, rcond=None)[0]
    window = np.kaiser(len(rest), 30.0)
    lines = 2.0 * np.abs(np.fft.rfft(rest * window)) / np.sum(window)
    assert decibels(np.max(lines)) < -180.0


def test_distortion_of_limited_speed_climbs_by_18_db_an_octave():
    # 4 h u³ with u = −(f/f0) A sin: the third harmonic is h (A f/f0)³.
    h = 1e-3
    converter = Converter(44_100, 192_000, slew=h)
    for frequency, amplitude in ((2_500.0, 1.0), (5_000.0, 1.0), (10_000.0, 1.0), (10_000.0, 0.5)):
        values, at = captured_sum(converter, [amplitude], [frequency])
        found = components(values, at, frequency / 44_100, 3.0 * frequency / 44_100)
        expected = h * (amplitude * frequency / 10_000.0) ** 3
        assert decibels(found[1] / expected) == pytest.approx(0.0, abs=0.01)
        assert decibels(found[0] / amplitude) == pytest.approx(0.0, abs=0.001)


def test_products_of_two_tones_follow_from_the_transfer_curve():
    # y = x + a2 x² + a3 x³, 0.4 and 0.1: carrier A2 + a3 (3/4 A2³ + 3/2 A1² A2), first-order side lines a2 A1 A2,
    # second-order ones 3/4 a3 A1² A2. In Chebyshev polynomials a2 = 2 h2 and a3 = 4 h3, with −3 h3 on x itself.
    a2 = a3 = 1e-3
    curve = transfer_curve(tuple(decibels(np.array([a2 / 2.0, a3 / 4.0])).tolist()))
    assert curve == pytest.approx((-3.0 * a3 / 4.0, a2, a3))
    low, high = 60.0, 7_000.0
    values, at = captured_sum(Converter(44_100, 192_000, curve=curve), [0.4, 0.1], [low, high], 44_100)
    orders = np.array([0, -1, 1, -2, 2])
    found = np.abs(
        components(values, at, *((high + orders * low) / 44_100), *(np.arange(1, 4) * low / 44_100))
    )
    carrier = 0.1 * (1.0 - 0.75 * a3) + a3 * (0.75 * 0.1**3 + 1.5 * 0.4**2 * 0.1)
    expected = [carrier, 4e-5, 4e-5, 1.2e-5, 1.2e-5]
    assert decibels(found[:5] / expected) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(
    ("output", "frequency", "level_db"),
    [
        # 50/15 µs: 1 kHz −0.3704, 5 kHz −4.5291, 20 kHz −9.4892 dB, computed from the time constants.
        (OutputFilter(deemphasis=True), 1_000.0, -0.3704),
        (OutputFilter(deemphasis=True), 5_000.0, -4.5291),
        (OutputFilter(deemphasis=True), 20_000.0, -9.4892),
        # Two equal poles (Q = 1/2): −6.02 dB at the corner, 1/(1 + (f/f0)²) elsewhere.
        (OutputFilter(20_000.0), 20_000.0, -6.0206),
        (OutputFilter(60_000.0), 20_000.0, -0.9151),
        # At the corner the gain is Q.
        (OutputFilter(18_000.0, 2.0), 18_000.0, 6.0206),
        (OutputFilter(18_000.0, 2.0), 100.0, 0.0),
    ],
)
def test_output_filter(output, frequency, level_db):
    values, at = captured_sum(Converter(44_100, 192_000, output=output), [0.5], [frequency])
    assert decibels(2.0 * component(values, at, frequency / 44_100)) == pytest.approx(level_db, abs=5e-4)


def test_output_rails_flatten_the_peaks():
    converter = Converter(44_100, 192_000, clip=0.5)
    frames = 8_820
    positions = instants(converter, frames)
    captured = capture_at(cosine(converter, 200.0, frames)[np.newaxis], positions, converter)[0]
    used = inside(positions, frames)
    assert np.max(captured[used]) == pytest.approx(0.5, abs=0.01)
    assert np.mean(np.abs(captured[used]) > 0.49) > 0.6


def test_crosstalk_reaches_the_other_channels_and_rises_with_frequency():
    frames = 22_050
    converter = Converter(44_100, 192_000, gains=(2.0, 1.0, 1.0), crosstalk=1e-4, crosstalk_corner_hz=5_000.0)
    positions = instants(converter, frames)
    used = inside(positions, frames)
    for frequency in (100.0, 15_000.0):
        stimulus = np.zeros((3, frames))
        stimulus[0] = cosine(converter, frequency, frames)
        captured = capture_at(stimulus, positions, converter)
        found = [component(one[used], positions[used], frequency / 44_100) for one in captured]
        leak = 1e-4 * np.hypot(1.0, frequency / 5_000.0)
        assert abs(found[0]) == pytest.approx(2.0, rel=1e-5)
        assert abs(found[1]) == pytest.approx(2.0 * leak, rel=1e-5)
        assert abs(found[2]) == pytest.approx(2.0 * leak, rel=1e-5)


def test_long_stimuli_have_no_seams():
    # Six seconds go through many blocks; a slow tone would show any step between them.
    converter = Converter(44_100, 44_100, curve=transfer_curve((-100.0,)))
    frames = 6 * 44_100
    positions = instants(converter, frames, ppm=-77.0)
    captured = capture_at(cosine(converter, 100.0, frames)[np.newaxis], positions, converter)[0]
    used = inside(positions, frames)
    at = 2.0 * np.pi * 100.0 / 44_100 * positions[used] + 0.3
    expected = np.cos(at) + 1e-5 * (np.cos(2.0 * at) + 1.0)
    assert np.max(np.abs(captured[used] - expected)) < 2e-6


def test_empty_and_silent_stimuli_give_silence():
    converter = Converter(44_100, 48_000, curve=transfer_curve((-60.0,)))
    positions = instants(converter, 500)
    for stimulus in (np.zeros((2, 500)), np.zeros((2, 0)), np.zeros((2, 1))):
        captured = capture_at(stimulus, positions, converter)
        assert captured.shape == (2, len(positions))
        assert not np.any(captured)
