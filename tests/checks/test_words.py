"""Sizes in words."""

import math

import pytest

from linecheck.checks.parts.words import percent_off


@pytest.mark.parametrize(
    ("size", "words"),
    [
        (0.123, "12 % off"),
        (-0.5, "50 % off"),
        (127291326725637.74, "more than 10 times off"),
        (math.inf, "more than 10 times off"),
        (math.nan, "more than 10 times off"),
    ],
)
def test_a_share_of_what_should_be_there(size, words):
    assert percent_off(size) == words
