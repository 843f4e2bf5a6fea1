"""Numbers and names in figures."""

from __future__ import annotations

import pytest

from linecheck.report.figures.words import file_name, near_text, place_text, plain_number, value_text


@pytest.mark.parametrize(
    ("value", "unit", "span", "text"),
    [
        (3.99441, "V", 0.6, "3.9944 V"),
        (-6.17e-07, "samples", 1.4, "0.000 samples"),
        (15.106, "ppm", 280.0, "15.1 ppm"),
        (-112.8371, "dB", 0.001, "−112.84 dB"),
        (-0.001, "dB", 5.0, "0.00 dB"),
        (1.0, "", 0.01, "1"),
        (-1.0, "", 2.0, "−1"),
        (1e300, "dB", 5.0, "1e300 dB"),
    ],
)
def test_a_value_has_the_decimals_that_its_limits_call_for(value, unit, span, text):
    assert near_text(value, unit, span) == text


def test_places_and_values_are_written_as_people_read_them():
    assert place_text(1993.827, "Hz") == "1.994 kHz"
    assert place_text(50.0, "Hz") == "50 Hz"
    assert place_text(-60.0, "dBFS") == "−60 dBFS"
    assert value_text(-118.0012, "dB") == "−118.00 dB"
    assert plain_number(1e21) == "1e21"


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("reconstruction@filter=slow", "reconstruction-filter-slow"),
        ("../../etc/passwd", "etc-passwd"),
        ("thd_n_wide", "thd_n_wide"),
        ("<script>", "script"),
        ("左", "figure"),
    ],
)
def test_a_files_name_is_plain(name, plain):
    assert file_name(name) == plain
