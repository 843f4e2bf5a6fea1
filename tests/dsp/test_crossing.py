"""Where products come out of the noise, against lines whose crossing is known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.dsp.spectra.products import noise_crossing

LEVELS = -5.0 * np.arange(13)


def ratios(slope, at, floor_at_full_scale=-110.0):
    """Noise that falls by 1 dB per dB, products that meet it at a level and go on with a slope."""
    floors = 10.0 ** ((floor_at_full_scale - LEVELS) / 10.0)
    values = 10.0 ** ((floor_at_full_scale - at + slope * (LEVELS - at)) / 10.0)
    return values, np.sqrt(floors**2 + 0.2 * values * floors), floors


@given(slope=st.floats(0.0, 3.0), at=st.floats(-45.0, -22.0))
def test_straight_lines_meet_where_they_meet(slope, at):
    values, spreads, floors = ratios(slope, at)
    found = noise_crossing(LEVELS, values, spreads, floors)
    assert found.side == "here"
    assert found.level == pytest.approx(at, abs=1e-6)
    assert 0.0 < found.uncertainty <= 5.0


def test_products_nowhere_or_everywhere_out_of_the_noise():
    values, spreads, floors = ratios(1.0, 20.0)
    assert noise_crossing(LEVELS, values, spreads, floors).side == "above"
    assert noise_crossing(LEVELS, values, spreads, floors).level == 0.0
    values, spreads, floors = ratios(1.0, -80.0)
    assert noise_crossing(LEVELS, values, spreads, floors).side == "below"
    assert noise_crossing(LEVELS, values, spreads, floors).level == -60.0


def test_one_level_out_of_the_noise_is_told_less_well():
    values, spreads, floors = ratios(1.0, -8.0)
    one = noise_crossing(LEVELS, values, spreads, floors)
    assert one.level == pytest.approx(-8.0, abs=1e-6)
    assert one.uncertainty > noise_crossing(LEVELS, *ratios(1.0, -28.0)).uncertainty
