"""Where the frozen tones of the multi-tone and of the crosstalk check lie, and how high their waveforms rise."""

from itertools import product

import numpy as np
import pytest

from linecheck.dsp.fits.interleaved import OCTAVE_PHASES, OCTAVE_TONES_HZ, PAIR_PHASES, PAIR_TONES_HZ
from linecheck.dsp.fits.interleaved import PEAK_OF_UNIT_TONES as PAIR_PEAK
from linecheck.dsp.fits.multitone import PEAK_OF_UNIT_TONES, TONE_PHASES, TONES_HZ

RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


def products(tones):
    """Every sum of two or three of ±tones in which no tone meets its own negative."""
    signed = np.concatenate((tones, -tones))
    opposite = np.add.outer(signed, signed) == 0.0
    first, second = np.nonzero(~opposite)
    pairs = signed[first] + signed[second]
    triples = np.add.outer(pairs, signed)
    kept = ~(opposite[first] | opposite[second])
    return np.unique(np.abs(np.concatenate((pairs, triples[kept]))))


def folded(frequencies, rate_hz):
    """Where frequencies come out at a rate."""
    part = frequencies % rate_hz
    return np.minimum(part, rate_hz - part)


def nearest(places, tones):
    """Distance of each tone from the nearest of some places."""
    return np.min(np.abs(np.subtract.outer(tones, places)), axis=1)


def peak(tones, phases):
    """Highest value of a sum of unit cosines over the second that it repeats in, 16 points where 44.1 kHz has one."""
    length = 16 * 44_100
    spectrum = np.zeros(length // 2 + 1, dtype=complex)
    spectrum[tones.astype(int)] = 0.5 * length * np.exp(1j * phases)
    return float(np.max(np.abs(np.fft.irfft(spectrum, length))))


def test_products_are_what_they_should_be():
    assert products(np.array([10.0, 13.0])).tolist() == [3, 7, 16, 20, 23, 26, 30, 33, 36, 39]


@pytest.mark.parametrize("rate", RATES)
def test_no_product_up_to_third_order_comes_near_a_tone(rate):
    made = products(TONES_HZ)
    assert len(made) > 8000
    assert np.min(nearest(made, TONES_HZ)) >= 2.0
    assert np.min(nearest(folded(made, rate), TONES_HZ)) >= 2.0


def test_there_are_32_tones_about_evenly_spaced_on_a_logarithmic_axis():
    assert len(TONES_HZ) == len(TONE_PHASES) == 32
    assert TONES_HZ[0] < 30.0
    assert 19_000.0 < TONES_HZ[-1] < 20_000.0
    even = 100.0 * (19_575.0 / 100.0) ** (np.arange(32) / 31.0) - 75.0
    assert np.all(np.abs(TONES_HZ / even - 1.0) < 0.12)


@pytest.mark.parametrize("tones", [TONES_HZ, *PAIR_TONES_HZ])
def test_tones_keep_clear_of_hum_and_of_usb_frames(tones):
    hum = np.outer((50.0, 60.0), np.arange(1, 11)).ravel()
    assert np.min(nearest(hum, tones)) >= 2.9
    assert np.min(nearest(1000.0 * np.arange(1, 21), tones)) >= 8.0


def test_the_multitone_s_crest_factor():
    reached = peak(TONES_HZ, TONE_PHASES)
    assert reached <= PEAK_OF_UNIT_TONES < 1.001 * reached
    assert 20.0 * np.log10(reached / np.sqrt(16.0)) == pytest.approx(9.71, abs=0.01)


@pytest.mark.parametrize(("own", "other"), [(0, 1), (1, 0)])
def test_no_product_of_one_channel_comes_near_a_tone_of_the_other(own, other):
    assert np.min(nearest(products(PAIR_TONES_HZ[own]), PAIR_TONES_HZ[other])) >= 4.0
    assert np.min(nearest(PAIR_TONES_HZ[own], PAIR_TONES_HZ[other])) >= 4.0


@pytest.mark.parametrize(
    ("tones", "phases"),
    [*zip(PAIR_TONES_HZ, PAIR_PHASES, strict=True), (OCTAVE_TONES_HZ, OCTAVE_PHASES)],
)
def test_the_peaks_of_the_crosstalk_tones(tones, phases):
    assert peak(tones, phases) <= PAIR_PEAK


def test_the_pair_s_tones_lie_by_the_octave_steps():
    for channel, step in product((0, 1), range(11)):
        ratio = PAIR_TONES_HZ[channel][step] / OCTAVE_TONES_HZ[step]
        assert 0.8 < ratio < 1.45
        if step >= 5:
            assert 0.93 < ratio < 1.07
