"""A carrier's envelope, its densities, and what stands beside it, on arrays alone."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.dsp.jitter_sequence import square_lines
from linecheck.dsp.spectra.demodulate import Baseband, demodulate, side_densities
from linecheck.dsp.spectra.jitter_lines import without_known_lines
from linecheck.dsp.spectra.sidebands import take_apart
from linecheck.dsp.spectra.spectra import density

RATE_HZ = 24_300.0
SAMPLES = 24_300


def complex_noise(rng, upper, lower, samples=SAMPLES):
    """Complex noise of these total powers at positive and negative frequencies, white in each half."""
    spectrum = rng.standard_normal(samples) + 1j * rng.standard_normal(samples)
    frequencies = np.fft.fftfreq(samples)
    spectrum *= np.where(frequencies > 0.0, np.sqrt(upper), np.sqrt(lower)) * np.sqrt(samples)
    return np.fft.ifft(spectrum)


def test_an_envelope_has_the_modulation_exactly_whatever_the_rate_and_clock():
    rate, carrier_hz = 48_000.0, 11_027.31
    time = np.arange(48_000) / rate
    phase = 0.3 * np.cos(2.0 * np.pi * 700.0 * time + 0.2)
    gain = 1.0 + 0.1 * np.cos(2.0 * np.pi * 300.0 * time + 1.0)
    values = 0.5 * gain * np.cos(2.0 * np.pi * carrier_hz * time + phase)
    envelope = demodulate(values, rate, carrier_hz + 0.1, 20.0, 20_000.0, 200.0)
    at = np.linspace(0.0, 1.0, len(envelope.values), endpoint=False)
    inside = slice(len(at) // 50, -len(at) // 50)
    turned = envelope.values * np.exp(2j * np.pi * (envelope.carrier_hz - carrier_hz) * at)
    angle = np.angle(turned / np.mean(turned))
    expected = 0.3 * np.cos(2.0 * np.pi * 700.0 * at + 0.2)
    wanted = 1.0 + 0.1 * np.cos(2.0 * np.pi * 300.0 * at + 1.0)
    assert envelope.seconds == pytest.approx(1.0)
    assert np.std((angle - expected)[inside]) < 3e-4
    size = np.abs(envelope.values) * envelope.amplitude / 0.5
    assert np.std((size - wanted)[inside]) < 3e-4


def test_densities_of_both_sides_and_of_both_parts():
    rng = np.random.default_rng(3)
    both = [side_densities(complex_noise(rng, 4.0, 1.0), RATE_HZ) for _ in range(4)]
    for name, power in (("upper", 4.0), ("lower", 1.0), ("real", 2.5), ("imaginary", 2.5)):
        means = [np.mean(getattr(densities, name).values[100:-100]) for densities in both]
        # Real and imaginary part share the total; upper and lower each fill their half of the rate.
        assert np.mean(means) * RATE_HZ == pytest.approx(2.0 * power, rel=0.02)


def test_the_parts_have_the_densities_that_each_has_alone():
    rng = np.random.default_rng(4)
    real, imaginary = rng.standard_normal(SAMPLES), 0.1 * rng.standard_normal(SAMPLES)
    together = side_densities(real + 1j * imaginary, RATE_HZ)
    count = round(together.real.seconds * RATE_HZ)
    for got, alone in ((together.real, real), (together.imaginary, imaginary)):
        expected = density(alone[:count], RATE_HZ)
        assert got.spacing_hz == pytest.approx(expected.spacing_hz)
        kept = min(len(got.values), len(expected.values)) - 1
        assert got.values[1:kept] == pytest.approx(expected.values[1:kept], rel=1e-6)


def made(samples=SAMPLES, noise=1e-12, seed=0):
    rng = np.random.default_rng(seed)
    return 1.0 + complex_noise(rng, noise, noise, samples), np.arange(samples) / RATE_HZ


@settings(max_examples=30)
@given(
    hz=st.floats(30.0, 8900.0),
    nature=st.sampled_from(["jitter", "amplitude", "upper", "lower"]),
    lg=st.floats(-6.0, -3.5),
    turn=st.floats(0.0, 6.3),
)
def test_each_nature_is_told_by_phase(hz, nature, lg, turn):
    values, time = made()
    size = 10.0**lg
    swing = size * np.cos(2.0 * np.pi * hz * time + turn)
    if nature == "jitter":
        values = values * np.exp(1j * swing)
    elif nature == "amplitude":
        values = values * (1.0 + swing)
    else:
        sign = 1.0 if nature == "upper" else -1.0
        values = values + size * np.exp(sign * 1j * (2.0 * np.pi * hz * time + turn))
    parts = take_apart(Baseband(values, RATE_HZ, 11_025.0, 1.0), 10.0, 8975.0, 8975.0)
    (band,) = parts.sidebands
    assert band.nature == nature
    assert band.offset_hz == pytest.approx(hz, abs=0.1)
    pair = nature in ("jitter", "amplitude")
    sides = {"upper": band.upper.value, "lower": band.lower.value}
    wanted = {side: 0.5 * size if pair else (size if side == nature else 0.0) for side in sides}
    for side, value in sides.items():
        assert value == pytest.approx(wanted[side], rel=0.02, abs=1e-7)


def test_what_lies_beyond_one_side_s_reach_has_that_side_only():
    values, time = made()
    values = values + 1e-4 * np.cos(2.0 * np.pi * 9500.0 * time)
    envelope = Baseband(values, RATE_HZ, 11_025.0, 1.0)
    (band,) = take_apart(envelope, 10.0, 8975.0, 11_000.0).sidebands
    assert band.nature == "lower"
    (band,) = take_apart(envelope, 10.0, 11_000.0, 8975.0).sidebands
    assert band.nature == "upper"


def test_two_strong_added_lines_have_no_products():
    values, time = made()
    for hz, size in ((2000.0, 3e-3), (-3500.0, 2e-3)):
        values = values + size * np.exp(2j * np.pi * hz * time)
    parts = take_apart(Baseband(values, RATE_HZ, 11_025.0, 1.0), 10.0, 8975.0, 8975.0)
    assert [(round(band.offset_hz, 2), band.nature) for band in parts.sidebands] == [
        (2000.0, "upper"),
        (3500.0, "lower"),
    ]
    assert parts.sidebands[0].upper.value == pytest.approx(3e-3, rel=1e-4)
    assert parts.sidebands[1].lower.value == pytest.approx(2e-3, rel=1e-4)


@pytest.mark.parametrize(("bits", "noise"), [(16, 1e-14), (24, 1e-20)])
@pytest.mark.parametrize("delay", [0.0, 17.3, 95.5])
def test_the_known_lines_go_and_nothing_else_does(bits, noise, delay):
    lines = square_lines(bits)
    values, time = made(noise=noise)
    spacing = 11_025.0 / 48.0
    for offset, ratio in zip(lines.offsets, lines.ratios, strict=True):
        if -11_005.0 < offset * spacing < 8975.0:
            turns = offset * (spacing * time - delay / 192.0)
            values = values + ratio * np.exp(2j * np.pi * turns)
    jitter = 1e-6 * np.cos(2.0 * np.pi * 3.0 * spacing * time)
    envelope = Baseband(values * np.exp(1j * jitter), RATE_HZ, 11_025.0, 1.0)
    left, known = without_known_lines(envelope, lines, 8975.0, 11_005.0)
    assert len(known.offsets_hz) == len(known.doubt)
    rest = np.angle(left.values) - jitter
    assert np.sqrt(np.mean(rest**2)) < 2.0 * np.sqrt(noise)
    assert np.std(np.angle(values)) > 20.0 * np.sqrt(noise)
    # Only where something was added does doubt remain.
    assert set(np.rint(known.offsets_hz[known.doubt > 0.0] / spacing)) <= {-3.0, 3.0}
