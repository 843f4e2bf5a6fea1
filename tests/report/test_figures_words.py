"""Numbers and names in figures."""

from __future__ import annotations

import pytest

from linecheck.report.figures.words import file_name, limit_text, place_text, plain_number, value_text


def test_places_and_values_are_written_as_people_read_them():
    assert place_text(1993.827, "Hz") == "1.994 kHz"
    assert place_text(50.0, "Hz") == "50 Hz"
    assert place_text(-60.0, "dBFS") == "−60 dBFS"
    assert value_text(-118.0012, "dB") == "−118.00 dB"
    assert plain_number(1e21) == "1e21"
    assert value_text(-159321.4, "Hz") == "−159320 Hz"
    assert place_text(0.00003125, "ms") == "0.00003125 ms"
    assert limit_text(1234567.0, "Hz") == "1234570 Hz"


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
