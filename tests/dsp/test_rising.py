import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.dsp.spectra.octaves import bands_between
from linecheck.dsp.spectra.rising import find_notches, find_rise

BANDS = bands_between(10_000.0, 86_000.0, 24)
FREQUENCY = BANDS.midband_hz


def noisy(density, seed, seconds=1.0):
    relative = 1.0 / np.sqrt((BANDS.upper_hz - BANDS.lower_hz) * seconds)
    return density * (1.0 + relative * np.random.default_rng(seed).standard_normal(len(FREQUENCY))), relative


def shaped(corner_hz, order, floor=1.0, top=1e5):
    ratio = (FREQUENCY / corner_hz) ** (2 * order)
    return floor + top * ratio / (1.0 + ratio)


@pytest.mark.parametrize("order", [5, 6, 7])
@pytest.mark.parametrize("corner_hz", [50_000.0, 70_000.0])
def test_rise_begins_3_db_above_the_floor(order, corner_hz):
    # floor + top · r^2n = 2 · floor, so r = top^(-1/2n) well below the corner.
    true = corner_hz * 1e-5 ** (1.0 / (2 * order))
    found = []
    for seed in range(40):
        rise = find_rise(FREQUENCY, *noisy(shaped(corner_hz, order), seed))
        assert rise is not None
        assert rise.is_even
        assert rise.height_db == pytest.approx(10.0 * np.log10(np.max(shaped(corner_hz, order))), abs=1.5)
        # 6.02 dB an octave and order, less where it bends at either end.
        assert 3.5 * order < rise.slope_db_per_octave < 6.1 * order
        found.append((rise.from_hz, rise.uncertainty_hz))
    places, spreads = np.transpose(found)
    if true > 12_000.0:
        # A floor that is the lowest of many bands is read a little low.
        assert np.mean(places) == pytest.approx(true, rel=0.01)
        assert np.std(places) < 2.0 * np.mean(spreads)


@given(st.integers(0, 2**32 - 1), st.floats(-12.0, 0.0))
def test_what_is_flat_or_falls_does_not_rise(seed, slope):
    density, relative = noisy((FREQUENCY / 10_000.0) ** slope, seed, seconds=0.2)
    assert find_rise(FREQUENCY, density, relative) is None


def test_falling_then_rising_begins_behind_the_valley():
    falling = 1e6 * (FREQUENCY / 10_000.0) ** -30
    rise = find_rise(FREQUENCY, *noisy(falling + shaped(60_000.0, 6), 3))
    assert rise is not None
    assert 20_000.0 < rise.from_hz < 26_000.0


def test_a_comb_is_no_even_rise():
    comb = shaped(60_000.0, 6) * np.where(np.arange(len(FREQUENCY)) % 12 < 6, 1.0, 0.1)
    rise = find_rise(FREQUENCY, *noisy(comb, 4))
    assert rise is not None
    assert not rise.is_even


def test_nothing_to_look_at_is_no_rise():
    assert find_rise(FREQUENCY[:2], np.ones(2), np.ones(2)) is None
    assert find_rise(FREQUENCY, np.zeros(len(FREQUENCY)), np.ones(len(FREQUENCY))) is None


def test_notches_are_named_and_edges_and_noise_are_none():
    ratio = np.abs(np.log2(FREQUENCY / 44_100.0))
    notched = 1.0 - 0.99 * np.exp(-((ratio / 0.03) ** 2))
    density, _ = noisy(notched, 5)
    assert find_notches(FREQUENCY, density) == pytest.approx([44_100.0], rel=0.03)
    cliff = np.where(FREQUENCY < 22_000.0, 1.0, 1e-9)
    assert len(find_notches(FREQUENCY, noisy(cliff, 6)[0])) == 0
    assert len(find_notches(FREQUENCY, noisy(np.ones(len(FREQUENCY)), 7, seconds=0.3)[0])) == 0
    gap = np.where((FREQUENCY > 19_000.0) & (FREQUENCY < 25_000.0), 1e-9, 1.0)
    assert len(find_notches(FREQUENCY, noisy(gap, 8)[0])) == 0
