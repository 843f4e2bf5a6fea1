import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.dsp.spectra.octaves import (
    OCTAVE_RATIO,
    Bands,
    band_levels,
    bands_between,
    midband_hz,
    third_octaves,
)
from linecheck.dsp.spectra.spectra import Density, band_power


@given(low=st.floats(1.0, 5_000.0), octaves=st.floats(2.5, 8.0), fraction=st.sampled_from([1, 3, 6, 12, 24]))
def test_bands_adjoin_and_stay_below_the_edge(low, octaves, fraction):
    bands = bands_between(low, low * 2.0**octaves, fraction)
    assert np.allclose(bands.upper_hz[:-1], bands.lower_hz[1:], rtol=1e-12)
    assert np.allclose(bands.upper_hz / bands.lower_hz, OCTAVE_RATIO ** (1.0 / fraction), rtol=1e-12)
    assert bands.upper_hz[-1] <= low * 2.0**octaves
    assert low * 2.0**octaves < bands.upper_hz[-1] * OCTAVE_RATIO ** (1.0 / fraction)
    assert bands.lower_hz[0] < low * OCTAVE_RATIO ** (0.8 / fraction)
    assert bands.upper_hz[0] > low


def test_even_fractions_have_1_khz_between_two_bands():
    assert midband_hz(0, 24) * midband_hz(-1, 24) == pytest.approx(1e6)
    assert midband_hz(0, 1) == 1_000.0


@given(
    edges=st.lists(st.floats(0.0, 99.0), min_size=2, max_size=6, unique=True),
    seed=st.integers(0, 2**32 - 1),
)
def test_many_bands_at_once_are_each_band_alone(edges, seed):
    edges = np.sort(edges)
    values = np.random.default_rng(seed).exponential(size=64) * 10.0 ** np.linspace(0.0, -12.0, 64)
    spectrum = Density(values, 1.7, 0.6, 8)
    power, uncertainty = band_levels(spectrum, Bands(edges[:-1], edges[:-1], edges[1:]))
    for place, (low, high) in enumerate(itertools.pairwise(edges)):
        alone = band_power(spectrum, low, high)
        assert power[place] == pytest.approx(alone[0], rel=1e-9, abs=1e-25)
        assert uncertainty[place] == pytest.approx(alone[1], rel=1e-9, abs=1e-25)


def test_bands_beyond_a_density_hold_nothing():
    spectrum = Density(np.ones(11), 10.0, 1.0, 8)
    bands = third_octaves(500.0, 900.0)
    power, uncertainty = band_levels(spectrum, bands)
    assert not np.any(power)
    assert not np.any(uncertainty)
