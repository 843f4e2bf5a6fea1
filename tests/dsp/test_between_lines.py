"""A response between its lines: held against filters whose response is known at every frequency."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from linecheck.dsp.responses.between_lines import FINENESS, between_lines
from linecheck.dsp.responses.responses import Response, falls_to, level_at, line_levels, stop_band

RATE_HZ, FUNDAMENTAL_HZ = 352_800.0, 50.0
ORDERS = np.arange(1, int(0.45 * RATE_HZ / FUNDAMENTAL_HZ), 2)
LINES_HZ = ORDERS * FUNDAMENTAL_HZ
EDGE_HZ = 0.43 * RATE_HZ
#: Mean square modulus of the noise in a line: 180 dB down.
NOISE = np.full(len(ORDERS), 1e-18)


#: Transforms of so many points give a filter's response every third of a hertz.
POINTS = 1 << 20


def gains_of(taps, delay_seconds=0.0):
    """Return a filter's gains at the lines by SciPy's ``freqz``, faded out beyond the edge."""
    _, gains = signal.freqz(taps, worN=LINES_HZ, fs=RATE_HZ)
    beyond = np.clip((LINES_HZ - EDGE_HZ) / (LINES_HZ[-1] - EDGE_HZ), 0.0, 1.0)
    return gains * np.exp(-2j * np.pi * LINES_HZ * delay_seconds) * (0.5 + 0.5 * np.cos(np.pi * beyond))


def band_between_lines(gains):
    """Return what is read of the stop band between lines, and what is read at the lines alone."""
    lines = Response(LINES_HZ, *line_levels(gains, NOISE))
    reference = level_at(lines, 1000.0)
    between = between_lines(ORDERS, gains, NOISE, FUNDAMENTAL_HZ)
    points = between.response.less(reference).between(0.0, EDGE_HZ)
    lines = lines.less(reference).between(0.0, EDGE_HZ)
    corner = falls_to(lines, -6.0, 1000.0).frequency_hz
    left_open = between.open_db[: len(points.level_db)]
    return stop_band(points, corner, open_db=left_open), stop_band(lines, corner), corner


def true_attenuation(taps, corner_hz):
    """Return the same of the filter's response every third of a hertz."""
    gains, spacing = np.fft.rfft(taps, POINTS), RATE_HZ / POINTS
    fine = np.arange(int(corner_hz / spacing) + 1, int(EDGE_HZ / spacing)) * spacing
    levels = 20.0 * np.log10(np.abs(gains[np.rint(fine / spacing).astype(int)]) + 1e-30)
    levels -= 20.0 * np.log10(np.abs(gains[round(1000.0 / spacing)]))
    return stop_band(Response(fine, levels, np.full(len(fine), 1e-9)), corner_hz).attenuation.value


def test_a_narrow_first_lobe_counts_as_the_lobe_that_it_is():
    """Hann's highest side lobe after windowing a low pass: about 44 dB (Oppenheim & Schafer, table of windows)."""
    taps = signal.firwin(2401, 22_050.0, fs=RATE_HZ, window="hann")
    between, at_lines, corner = band_between_lines(gains_of(taps, 0.0031))
    assert true_attenuation(taps, corner) == pytest.approx(43.94, abs=0.02)
    assert between.attenuation.value == pytest.approx(43.94, abs=0.02)
    assert at_lines.attenuation.value > 45.0, "at the lines alone it reads too good"


@settings(max_examples=12)
@given(
    st.integers(300, 2400),
    st.floats(19_000.0, 23_000.0),
    st.sampled_from(["hann", "hamming", "blackman", "boxcar", ("kaiser", 5.0), ("kaiser", 9.0)]),
    st.floats(0.0, 0.02),
)
def test_the_stop_band_of_any_filter_that_is_short_enough_is_read_as_deep_as_it_is(
    count, cutoff_hz, window, delay
):
    taps = signal.firwin(count, cutoff_hz, fs=RATE_HZ, window=window)
    band, _, corner = band_between_lines(gains_of(taps, delay))
    assert band.attenuation.value == pytest.approx(true_attenuation(taps, corner), abs=0.3)


@pytest.mark.parametrize("count", [5001, 9001])
def test_a_filter_that_is_longer_than_the_lines_can_tell_is_never_read_as_surely_better(count):
    taps = signal.firwin(count, 22_050.0, fs=RATE_HZ, window="boxcar")
    band, _, corner = band_between_lines(gains_of(taps))
    known = band.attenuation
    assert known.value - 2.0 * known.uncertainty <= true_attenuation(taps, corner) + 0.3


@pytest.mark.parametrize("delay_seconds", [0.0, 0.004, 0.0171])
def test_points_on_the_lines_are_the_lines(delay_seconds):
    gains = gains_of(signal.firwin(801, 21_000.0, fs=RATE_HZ, window="hamming"), delay_seconds)
    between = between_lines(ORDERS, gains, NOISE, FUNDAMENTAL_HZ)
    assert between.response.frequencies_hz[::FINENESS] == pytest.approx(LINES_HZ[: len(ORDERS)])
    inside = LINES_HZ < EDGE_HZ
    missed = between.response.level_db[::FINENESS][inside] - 20.0 * np.log10(np.abs(gains[inside]))
    strong = np.abs(gains[inside]) > 1e-5
    assert np.max(np.abs(missed[strong])) < 0.01
