"""Corners, stop band and impulse responses on closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.dsp.responses.responses import (
    Response,
    falls_to,
    impulse_of,
    level_at,
    line_levels,
    running_level,
    running_mean,
    stop_band,
    without_coupling,
)


def response_of(gain, frequencies, spread=0.0):
    levels = 20 * np.log10(np.abs(gain(frequencies)))
    return Response(frequencies, levels, np.full(len(frequencies), spread))


def low_pass(corner_hz):
    return lambda hz: 1 / (1 + 1j * hz / corner_hz)


@given(corner=st.floats(1500.0, 15_000.0))
def test_a_first_order_corner(corner):
    found = falls_to(response_of(low_pass(corner), np.arange(25.0, 20_000, 50.0)), -10 * np.log10(2), 1000.0)
    assert found.frequency_hz == pytest.approx(corner, rel=1e-6)


@given(corner=st.floats(10.0, 200.0))
def test_a_corner_below(corner):
    high_pass = response_of(lambda hz: 1j * hz / (1j * hz + corner), np.geomspace(5.0, 20_000, 300))
    found = falls_to(high_pass, -10 * np.log10(2), 1000.0, upwards=False)
    assert found.frequency_hz == pytest.approx(corner, rel=1e-4)


def test_a_corner_that_is_not_there():
    flat = Response(np.arange(10.0, 100.0), np.zeros(90), np.zeros(90))
    assert falls_to(flat, -3.0, 50.0) is None
    assert falls_to(flat, -3.0, 50.0, upwards=False) is None
    assert level_at(flat, 5.0) is None
    assert level_at(flat, 200.0) is None


def test_a_corners_uncertainty_is_the_levels_over_the_slope():
    found = falls_to(
        response_of(low_pass(5000.0), np.arange(25.0, 20_000, 50.0), 0.01).first(300),
        -10 * np.log10(2),
        1000.0,
    )
    # At the corner the level falls by 4.34 dB per e, so 0.01 dB of one line are 5000 · 0.01 / 4.34 Hz.
    assert 0.7 < found.uncertainty_hz / (5000 * 0.01 / 4.3429) <= 1.01


def test_a_common_uncertainty_is_not_averaged():
    flat = Response(np.arange(10.0, 100.0), np.zeros(90), np.zeros(90), common_db=0.1)
    assert level_at(flat, 50.5).uncertainty == pytest.approx(0.1)
    assert np.allclose(flat.spread_db, 0.1)


def test_the_stop_band_of_a_held_sample():
    """sin x / x: its highest side lobe, at 1.4303 times the rate, is -13.261 dB (a textbook figure, from memory)."""
    held = response_of(lambda hz: np.sinc(hz / 10_000), np.arange(25.0, 45_000, 50.0))
    band = stop_band(held, 6_100.0)
    assert band.attenuation.value == pytest.approx(13.261, abs=0.003)
    # It has fallen that far first where sin x / x is 0.21723.
    assert np.sinc(band.start.frequency_hz / 10_000) == pytest.approx(10 ** (-13.261 / 20), abs=1e-4)
    assert band.resolved


def test_noise_ends_a_stop_band_that_is_deeper():
    frequencies = np.arange(25.0, 40_000, 50.0)
    gains = 1 / (1 + (frequencies / 5000.0) ** 20)
    generator = np.random.default_rng(2)
    noise = 1e-5 * (generator.standard_normal(800) + 1j * generator.standard_normal(800)) / np.sqrt(2)
    response = Response(frequencies, *line_levels(gains + noise, np.full(800, 1e-10)))
    band = stop_band(response, 5100.0)
    assert not band.resolved
    assert 85 < band.attenuation.value < 100
    assert 5000 * 1e5 ** (1 / 20) * 0.8 < band.start.frequency_hz < 5000 * 1e5 ** (1 / 20) * 1.1


def test_a_response_that_falls_all_the_way_has_no_stop_band():
    assert stop_band(response_of(low_pass(5000.0), np.arange(25.0, 40_000, 50.0)), 6000.0) is None


def test_levels_of_lines_in_noise():
    level, spread = line_levels(np.array([1.0, 1e-9]), np.array([1e-6, 1e-6]))
    assert level[0] == pytest.approx(0.0, abs=1e-5)
    assert spread[0] == pytest.approx(10 / np.log(10) * np.sqrt(2e-6), rel=1e-3)
    # Not resolved: it reads as its own uncertainty.
    assert level[1] == pytest.approx(-60.0, abs=0.01)
    assert spread[1] == pytest.approx(10 / np.log(10), rel=0.01)


def test_a_running_mean_is_a_mean():
    values = np.random.default_rng(1).standard_normal(50)
    found = running_mean(values, 3)
    for index in range(50):
        assert found[index] == pytest.approx(np.mean(values[max(0, index - 3) : index + 4]))


def test_a_running_level_leaves_single_lines_out():
    powers = np.random.default_rng(1).exponential(2.0, 2000)
    powers[::7] += 1e6
    assert np.mean(running_level(powers, 16)[powers < 1e5]) == pytest.approx(2.5, abs=0.4)


FUNDAMENTAL_HZ = 25.0
ORDERS = np.arange(1, 3840, 2)


def gains_of(times, values):
    """Gains at the odd multiples of a sum of impulses."""
    return np.exp(-2j * np.pi * np.outer(ORDERS * FUNDAMENTAL_HZ, times)) @ values


@settings(max_examples=30)
@given(delay_ms=st.floats(-30.0, 30.0), inverted=st.booleans())
def test_delay_and_polarity_do_not_matter(delay_ms, inverted):
    times = np.arange(-40, 41) / 88_200
    values = np.sinc(times * 44_100) * np.kaiser(81, 6.0)
    moved = (-1 if inverted else 1) * gains_of(times + 1e-3 * delay_ms, values)
    impulse = impulse_of(ORDERS, moved, FUNDAMENTAL_HZ, np.zeros(len(ORDERS)))
    assert impulse.values[impulse.peak] == pytest.approx(1.0, abs=1e-9)
    assert np.max(np.abs(impulse.values)) <= 1.0 + 1e-9
    # Symmetrical, as the taps are.
    around = impulse.values[impulse.peak - 400 : impulse.peak + 401]
    assert np.max(np.abs(around - around[::-1])) < 1e-6
    assert np.allclose(np.diff(impulse.seconds), 1 / (FUNDAMENTAL_HZ * 2 * len(impulse.values)), rtol=1e-6)


def test_energy_and_onset():
    """Echoes 2 ms ahead of and 1 ms after a peak: 0.1² / (1 + 0.1² + 0.3²) of the energy comes before."""
    kernel = np.arange(-200, 201) / 384_000
    shape = np.sinc(kernel * 90_000) * np.kaiser(401, 8.0)
    times = np.concatenate((kernel - 2e-3, kernel, kernel + 1e-3))
    values = np.concatenate((0.1 * shape, shape, 0.3 * shape))
    impulse = impulse_of(ORDERS, gains_of(times, values), FUNDAMENTAL_HZ, np.zeros(len(ORDERS)))
    main = np.sum(shape**2)
    lobe = np.flatnonzero(shape[:200] <= 0)[-1]
    before = (0.01 * main + np.sum(shape[: lobe + 1] ** 2)) / (main * 1.1)
    ringing, hidden = impulse.before_main_lobe_db()
    assert ringing.value == pytest.approx(10 * np.log10(before), abs=0.3)
    assert not hidden
    begins, spread = impulse.onset_seconds(1e-3)
    assert begins == pytest.approx(2e-3, abs=3e-5)
    assert spread < 1e-5


def test_noise_hides_an_onset():
    kernel = np.arange(-200, 201) / 384_000
    gains = gains_of(kernel, np.sinc(kernel * 90_000) * np.kaiser(401, 8.0))
    noisy = impulse_of(ORDERS, gains, FUNDAMENTAL_HZ, np.full(len(ORDERS), 1e-2))
    assert noisy.onset_seconds(1e-8) is None
    assert noisy.noise > 1e-4


@given(corner=st.floats(0.5, 20.0), delay_us=st.floats(-200.0, 200.0))
def test_a_coupling_is_taken_out(corner, delay_us):
    hertz = ORDERS * FUNDAMENTAL_HZ
    delayed = np.exp(-2j * np.pi * hertz * 1e-6 * delay_us)
    cleared = without_coupling(hertz, delayed * (1j * hertz / (1j * hertz + corner)))
    errors = np.abs(cleared / delayed - 1)
    assert np.max(errors[hertz > 200]) < 0.15 * corner / 200
    assert np.max(errors[hertz > 2000]) < 2e-3


def test_without_a_notch_the_stop_band_begins_where_it_is_said_to():
    falling = response_of(low_pass(5000.0), np.arange(25.0, 40_000, 50.0))
    band = stop_band(falling, 8_000.0, 20_000.0)
    assert band.start.frequency_hz == pytest.approx(20_025.0, abs=50.0)
    assert band.attenuation.value == pytest.approx(10 * np.log10(1 + (20_025 / 5000) ** 2), abs=0.02)
    assert band.resolved
    assert stop_band(falling, 8_000.0, 50_000.0) is None


def ringing_and_onset(gains):
    """The same on points that lie seventeen times as closely: dB, and seconds."""
    points = 1 << 20
    spectrum = np.zeros(points // 2 + 1, dtype=complex)
    spectrum[ORDERS] = gains
    values = np.roll(np.fft.irfft(spectrum, points), points // 4)[: points // 2]
    peak = points // 4
    lobe = np.flatnonzero(values[:peak] <= 0)[-1]
    sums = np.cumsum(values**2)
    begins = (peak - np.argmax(sums >= 1e-8 * sums[-1])) / (points * FUNDAMENTAL_HZ)
    return 10 * np.log10(sums[lobe] / sums[-1]), begins


def test_coverage_of_ringing_and_onset():
    noise, hertz = 1e-9, ORDERS * FUNDAMENTAL_HZ
    fade = 0.5 + 0.5 * np.cos(np.pi * np.clip((hertz - 87_000) / (hertz[-1] - 87_000), 0, 1))
    times = np.arange(-160, 161) / 352_800
    # A sinc under a Kaiser window: a low-pass of linear phase, whose peak is at time zero.
    gains = gains_of(times, np.sinc(times * 44_100) * np.kaiser(321, 8.96) / 8) * fade
    ringing, begins = ringing_and_onset(gains)
    generator = np.random.default_rng(3)
    inside, total = np.zeros(2), 120
    for _ in range(total):
        noises = np.sqrt(noise / 2) * (generator.standard_normal((2, len(ORDERS))).T @ [1, 1j])
        known = running_level(noise * generator.exponential(1.0, len(ORDERS)), 16)
        impulse = impulse_of(ORDERS, gains + noises * fade, FUNDAMENTAL_HZ, known * fade**2)
        level, hidden = impulse.before_main_lobe_db()
        assert not hidden
        found, spread = impulse.onset_seconds(1e-8)
        inside += abs(level.value - ringing) <= 2 * level.uncertainty, abs(found - begins) <= 2 * spread
    # 95.4 % for a normal distribution, 1.9 % of scatter among so many.
    assert np.all((inside / total >= 0.90) & (inside / total < 1.0)), inside / total
