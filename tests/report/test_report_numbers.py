"""Names and numbers on pages: as the trade writes them, with the digits that an uncertainty leaves."""

import pytest

from linecheck.checks import kinds
from linecheck.report.figures.words import amount_text, measured_texts, metric_name, signed_texts


# Two digits of the expanded uncertainty: Guide to the Expression of Uncertainty in Measurement (JCGM 100:2008), 7.2.6.
@pytest.mark.parametrize(
    ("value", "expanded", "unit", "text", "spread"),
    [
        (88.7201, 2.2, "dB", "88.7 dB", "± 2.2 dB"),
        (-74.4593, 0.00063, "dB", "−74.46 dB", "± below 0.01 dB"),
        (-0.18831, 6e-6, "dB", "−0.188 dB", "± below 0.001 dB"),
        (997.0119640023, 6.3e-8, "Hz", "997.012 Hz", "± below 0.001 Hz"),
        (12.0000023, 6e-8, "ppm", "12.0000 ppm", "± below 0.0001 ppm"),
        (1234.5, 570.0, "Hz", "1230 Hz", "± 570 Hz"),
        (-1e-9, 1e-6, "samples", "0.0000 samples", "± below 0.0001 samples"),
        (1.0, None, "", "1", ""),
    ],
)
def test_a_value_has_the_digits_that_its_uncertainty_leaves(value, expanded, unit, text, spread):
    assert measured_texts(value, expanded, unit) == (text, spread)


def test_a_value_is_told_from_a_limit_that_it_is_not():
    assert measured_texts(-111.9996, 0.1, "dB", apart=(-112.0, None)) == ("−111.9996 dB", "± 0.1000 dB")
    assert measured_texts(-112.0, 0.1, "dB", apart=(-112.0,))[0] == "−112.00 dB"
    assert measured_texts(-112.001, None, "dB", apart=(-112.0,))[0] == "−112.001 dB"


def test_differences_have_a_sign_and_levels_re_full_scale_are_decibels_apart():
    assert signed_texts(0.25, 0.01, "dBFS") == ("+0.250 dB", "± 0.010 dB")
    assert signed_texts(-3.5, 0.1, "Hz") == ("−3.50 Hz", "± 0.10 Hz")
    assert signed_texts(1e-9, 0.01, "dB")[0] == "0.000 dB"
    assert [amount_text(*found) for found in ((37.5411, "dB"), (10.0, "dBFS"), (0.07964912, "V"), (4e-6, "dB"))] == [
        "37.54 dB", "10.00 dB", "0.07965 V", "0.000004000 dB",
    ]  # fmt: skip


def test_names_are_those_of_the_trade():
    names = [
        "thd_n",
        "enob",
        "snr_a",
        "dc_offset",
        "level_dbfs",
        "imd",
        "droop_17k",
        "harmonic_3",
        "clean_range",
    ]
    assert [metric_name(name) for name in names] == [
        "THD+N", "ENOB", "SNR (A)", "DC offset", "level, dBFS", "IMD", "droop at 17 kHz", "harmonic 3", "clean range",
    ]  # fmt: skip


def test_no_two_metrics_of_a_kind_share_a_name():
    for kind in kinds().values():
        names = [spec.name for spec in (*kind.metrics, *kind.curves)]
        assert len({metric_name(name) for name in names}) == len(set(names))
        assert not any("_" in metric_name(name) for name in names)
