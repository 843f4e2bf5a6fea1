"""What ideal quantising reads, through the whole measurement.

A full-scale sine quantised to N bits without dither has a signal-to-noise ratio of 20 N lg 2 + 10 lg 1.5 dB
in the full band (the standard data-converter formula; 6.0206 N + 1.7609). TPDF dither of one step makes the
total error's variance a quarter of a squared step, three times that of rounding alone (Lipshitz, Wannamaker
and Vanderkooy 1992, from memory), so it costs 4.7712 dB; RPDF dither of one step costs 3.0103 dB. Keeping
only 20 kHz of the band gives 10 lg((rate/2) / 20 kHz) back. Weighted figures: the factors of flat noise
under each curve, integrated by other software.
"""

import numpy as np
import pytest
from known_truth import measured, readings

from linecheck.checks import kinds
from linecheck.checks.base import Capture
from linecheck.dsp.quantise import full_scale_amplitude, quantise

# The spread of a noise reading over B = 20 kHz and T = 2 s is 4.34/√(BT) = 0.022 dB: four of these, and
# rounding.
TOLERANCE_DB = 0.09


def ideal(bits):
    return 20.0 * bits * np.log10(2.0) + 10.0 * np.log10(1.5)


def played(kind, rate, bits, seconds, **stimulus):
    """A check's own stimulus as its capture: an ideal wire."""
    check = kinds()[kind]
    parameters = check.stimulus_parameters(rate_hz=rate, bits=bits, seconds=seconds, **stimulus)
    return Capture(check.stimulus(parameters, 1, 0.01).samples, rate, bits=bits)


def quantised_tone(rate, bits, seconds, noise=None):
    """A full-scale 997 Hz sine rounded to integers, with nothing or ``noise`` added before (in steps)."""
    frames = int(rate * seconds)
    amplitude = full_scale_amplitude(0.0, bits)
    values = amplitude * np.cos(2.0 * np.pi * 997.0 / rate * np.arange(frames) + 0.1)
    if noise is not None:
        values += noise * 2.0 ** (1 - bits)
    return Capture(quantise(values[:, None], bits, 0, dither=False), rate, bits=bits), amplitude


@pytest.mark.parametrize("bits", [8, 16, 18, 20, 24])
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_undithered_in_the_full_band(rate, bits):
    # Published: 8 bits 49.9257, 16 98.0905, 18 110.1317, 20 122.1729, 24 146.2553 dB. The error of 997 Hz
    # repeats only after a second and is spread over so many harmonics that no statistics are in the figure
    # but the codes' own.
    capture, amplitude = quantised_tone(rate, bits, 2.0)
    _, result = measured("tone", capture, {"band_hz": [0, rate // 2]}, rate_hz=rate, bits=bits, seconds=1.9)
    sinad = readings(result)["sinad"].value - 20.0 * np.log10(amplitude)
    assert sinad == pytest.approx(ideal(bits), abs=0.15 if bits == 8 else TOLERANCE_DB)


@pytest.mark.parametrize(
    ("bits", "published"), [(8, 45.1545), (16, 93.3193), (18, 105.3605), (20, 117.4017), (24, 141.4841)]
)
def test_tpdf_in_the_full_band(bits, published):
    capture = played("tone", 48_000, bits, 2.0)
    _, result = measured("tone", capture, {"band_hz": [0, 24_000]}, rate_hz=48_000, bits=bits, seconds=2.0)
    sinad = readings(result)["sinad"].value - 20.0 * np.log10(full_scale_amplitude(0.0, bits))
    assert sinad == pytest.approx(published, abs=TOLERANCE_DB)


@pytest.mark.parametrize(("bits", "published"), [(16, 95.0802), (20, 119.1626)])
def test_rpdf_in_the_full_band(bits, published):
    noise = np.random.default_rng(2).uniform(-0.5, 0.5, 2 * 48_000)
    capture, amplitude = quantised_tone(48_000, bits, 2.0, noise)
    _, result = measured("tone", capture, {"band_hz": [0, 24_000]}, rate_hz=48_000, bits=bits, seconds=1.9)
    sinad = readings(result)["sinad"].value - 20.0 * np.log10(amplitude)
    assert sinad == pytest.approx(published, abs=TOLERANCE_DB)


@pytest.mark.parametrize(
    ("bits", "rate", "published"),
    [
        (16, 44_100, 93.743),
        (16, 48_000, 94.111),
        (16, 192_000, 100.132),
        (24, 44_100, 141.908),
        (24, 192_000, 148.297),
    ],
)
def test_tpdf_in_20_khz(bits, rate, published):
    # A 16-bit TPDF-dithered full-scale tone reads 93.7 dB at 44.1 kHz.
    capture = played("tone", rate, bits, 2.0)
    _, result = measured("tone", capture, {"band_hz": [0, 20_000]}, rate_hz=rate, bits=bits, seconds=2.0)
    assert readings(result)["sinad"].value == pytest.approx(published, abs=TOLERANCE_DB)


@pytest.mark.parametrize(
    ("rate", "weighted_a", "ccir_rms"), [(44_100, 95.724, 92.076), (48_000, 96.042, 92.444)]
)
def test_weighted_dynamic_range_of_16_bit_tpdf(rate, weighted_a, ccir_rms):
    # 997 Hz at -60 dBFS (AES17-2015, 6.4.1), full band. Weighting leaves fewer degrees of freedom: a wider
    # tolerance.
    capture = played("low_level_tone", rate, 16, 4.0)
    analysis = {"band_hz": [0, rate // 2]}
    _, result = measured("low_level_tone", capture, analysis, rate_hz=rate, bits=16, seconds=4.0)
    got = readings(result)
    assert got["dynamic_range_a_weighted"].value == pytest.approx(weighted_a, abs=TOLERANCE_DB)
    assert got["dynamic_range_ccir_rms"].value == pytest.approx(ccir_rms, abs=0.11)
    assert got["dynamic_range_unweighted"].value == pytest.approx(93.3193, abs=TOLERANCE_DB)


def test_silence_with_dither_reads_the_dither_s_variance():
    # Total error variance a quarter of a squared step: 20 lg(step/2), at 16 bits 0.25 · 2**-30 re full
    # scale 1.0.
    check = kinds()["quiet"]
    parameters = check.stimulus_parameters(rate_hz=48_000, bits=16, seconds=4.0, dither=True)
    samples = check.stimulus(parameters, 1, 0.01).samples
    capture = Capture(samples, 48_000, (1.0,), bits=16)
    _, result = measured(
        "quiet", capture, {"band_hz": [0, 24_000]}, rate_hz=48_000, bits=16, seconds=4.0, dither=True
    )
    microvolts = readings(result)["noise"].value
    assert 20.0 * np.log10(microvolts / 1e6) == pytest.approx(20.0 * np.log10(2.0**-16), abs=0.06)


@pytest.mark.parametrize("bits", [12, 16])
def test_enob_of_an_ideal_quantiser_is_its_word_length(bits):
    # ENOB = (SINAD - 1.76) / 6.02 (IEEE 1241, IEEE 1057, as a second text quotes them), exact constants.
    capture, _ = quantised_tone(48_000, bits, 2.0)
    analysis = {"band_hz": [0, 24_000]}
    _, result = measured("tone", capture, analysis, rate_hz=48_000, bits=bits, seconds=1.9)
    got = readings(result)
    assert got["enob"].value == pytest.approx(bits, abs=0.015)
    assert got["enob"].value == pytest.approx((got["sinad"].value - 1.76) / 6.02, abs=0.01)


def test_enob_is_corrected_for_level():
    # A tone at -20 dBFS over the same noise: SINAD is 20 dB less, ENOB the same (IEEE 1057).
    full, low = (
        readings(
            measured(
                "tone",
                played("tone", 48_000, 16, 2.0, level_dbfs=level),
                rate_hz=48_000,
                bits=16,
                seconds=2.0,
                level_dbfs=level,
            )[1]
        )
        for level in (0.0, -20.0)
    )
    assert full["sinad"].value - low["sinad"].value == pytest.approx(20.0, abs=TOLERANCE_DB)
    assert full["enob"].value == pytest.approx(low["enob"].value, abs=0.015)


def test_16_bit_playback_measures_91_to_94_db():
    """Common practice, no source: what good converters read playing 16 bits at 44.1 kHz."""
    from linecheck.station.interfaces.simulated.interface import SimulatedInterface

    check = kinds()["tone"]
    parameters = check.stimulus_parameters(bits=16)
    with SimulatedInterface() as interface:
        capture = interface.play("tone", check.stimulus(parameters, 2, 0.01))
    _, result = measured("tone", capture, bits=16)
    for channel in ("left", "right"):
        assert 91.0 <= readings(result, channel)["sinad"].value <= 94.0
