"""Packing the points of curves: without loss, whatever the numbers; bytes that were never packed are refused."""

import contextlib
import struct

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from linecheck.log.packing import packed, unpacked

ANY = st.floats(allow_nan=False, allow_infinity=False)
SHORT = st.one_of(
    st.integers(-(10**7), 10**7).map(lambda whole: whole / 1000.0),
    st.integers(0, 10**8).map(lambda whole: whole / 100.0),
    st.builds(lambda digits, power: float(f"{digits}e{power}"), st.integers(100, 999), st.integers(-30, 30)),
    st.integers(-(2**23), 2**23).map(lambda whole: whole * 2.0**-23),
)


def columns_of(values):
    return st.integers(0, 40).flatmap(
        lambda points: st.lists(arrays(np.float64, points, elements=values), min_size=1, max_size=3)
    )


@given(st.one_of(columns_of(ANY), columns_of(SHORT), columns_of(st.just(0.0))))
@example([np.array([])])
@example([np.array([0.0, -0.0])])
@example([np.array([5e-324, 1.7e308, -1.7e308])])
@example([np.array([999.0, 1000.0, 1e-150, 9.99e-151, 0.0])])
def test_whatever_is_packed_comes_back_bit_for_bit(columns):
    found = unpacked(packed(columns))
    assert [column.tobytes() for column in found] == [column.tobytes() for column in columns]


def test_bytes_that_ask_for_far_more_than_a_curve_has_are_refused_before_anything_is_made():
    # A few bytes could ask for 16 GB.
    content = packed([np.zeros(4)])
    many = content[:1] + bytes([200]) + content[2:6] + content[6:17] * 200 + content[17:]
    with pytest.raises(ValueError, match="no known version"):
        unpacked(many)


def test_a_curve_of_short_decimals_takes_a_sixth_of_its_plain_numbers():
    draw = np.random.default_rng(1)
    axis = np.round(np.linspace(20.0, 20_000.0, 2000), 2)
    levels = np.round(draw.normal(-140.0, 3.0, 2000), 3)
    spread = np.round(draw.uniform(0.7, 0.9, 2000), 3)
    assert len(packed([axis, levels, spread])) < 3 * 8 * 2000 / 6


@given(st.binary(max_size=200))
def test_bytes_that_nobody_packed_are_refused(content):
    with pytest.raises(ValueError, match=r"packed|version"):
        unpacked(content)


@given(st.data())
def test_a_changed_byte_is_refused_or_gives_numbers_and_nothing_else(data):
    content = bytearray(packed([np.linspace(0.0, 5.0, 51), np.arange(51.0)]))
    content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    with contextlib.suppress(ValueError):
        assert all(column.dtype == np.float64 for column in unpacked(bytes(content)))


def test_more_points_than_a_curve_has_are_not_unpacked():
    content = packed([np.zeros(10)])
    (points,) = struct.unpack_from("<I", content, 2)
    assert points == 10
    for claimed in (2**32 - 1, 9_000_000):
        with pytest.raises(ValueError, match=r"packed|version"):
            unpacked(content[:2] + struct.pack("<I", claimed) + content[6:])
