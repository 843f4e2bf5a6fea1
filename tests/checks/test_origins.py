"""What runs at a frequency: near multiples of the mains, of USB's frames, and of differences of rates."""

import pytest

from linecheck.checks.parts.origins import frames_at, mains_at, rates_at


def test_differences_of_rates_are_told_and_other_offsets_are_not():
    assert rates_at(48_000 - 44_100 + 0.3, 1.0) == (44_100, 48_000)
    assert rates_at(88_200 - 32_000, 1.0) == (32_000, 88_200)
    assert rates_at(3910.0, 1.0) is None


def test_a_high_multiple_of_the_mains_is_anything():
    assert mains_at(3900.0, 50.0, 0.05) == 0  # the 78th
    assert (mains_at(100.1, 50.0, 0.05), mains_at(1000.0, 50.0, 0.05)) == (2, 20)
    assert (mains_at(0.0, 50.0, 0.05), mains_at(104.0, 50.0, 0.05)) == (0, 0)


@pytest.mark.parametrize(
    ("frequency_hz", "told"),
    [(8000.0, (1, 8000)), (16_001.0, (2, 8000)), (3000.2, (3, 1000)), (3900.3, None), (0.0, None)],
)
def test_frames_are_told_by_the_higher_rate_first(frequency_hz, told):
    assert frames_at(frequency_hz, 0.05) == told
