"""The jitter test signal and what a time error does to its tone.

The sequence is J. Dunn's, "Diagnosis and Solution of Jitter-Related Problems in Digital Audio Systems", AES 96th
Convention, 1994 (author and venue from memory; the 24-bit cycle as quoted in public transcriptions of the paper). The
16-bit cycle follows by the same rule. Levels are computed from the sequence; sideband levels are Dunn's small-angle
form, 20 lg(J_pp · ω / 4), from memory.
"""

import numpy as np
import pytest
from jitter_truth import Beside, measured, notes, readings, record

from linecheck.checks.jitter import KIND
from linecheck.dsp.jitter_sequence import jitter_sequence

WORDS = {
    24: ["C00000 C00000 400000 400000"] * 24 + ["BFFFFF BFFFFF 3FFFFF 3FFFFF"] * 24,
    16: ["C000 C000 4000 4000"] * 24 + ["BFFF BFFF 3FFF 3FFF"] * 24,
}
#: dBFS re a full-scale sine, by harmonic of rate/192.
SQUARE_DBFS = {
    24: {1: -142.396, 3: -151.935, 5: -156.366, 7: -159.279, 9: -161.450, 11: -163.177, 13: -164.609},
    16: {1: -94.231, 3: -103.770, 5: -108.201, 7: -111.114, 9: -113.285, 11: -115.012, 13: -116.445},
}
BESIDE_THE_TONE_DBFS = {24: {49: -175.25, 47: -174.96}, 16: {49: -127.1, 47: -126.8}}
DC_DBFS = {24: -144.494, 16: -96.330}


def published(bits):
    words = np.array([int(word, 16) for line in WORDS[bits] for word in line.split()])
    return np.where(words >= 1 << (bits - 1), words - (1 << bits), words)


def levels(bits):
    """Peak amplitudes by harmonic of rate/192, dB re full scale."""
    spectrum = np.abs(np.fft.rfft(jitter_sequence(bits) / 2.0 ** (bits - 1))) / 96.0
    spectrum[0] /= 2.0
    return 20.0 * np.log10(np.maximum(spectrum, 1e-30))


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_the_stimulus_is_the_published_sequence_bit_for_bit(bits, rate_hz):
    stimulus = KIND.stimulus(KIND.stimulus_parameters(bits=bits, rate_hz=rate_hz), 2, 0.01)
    words = stimulus.samples >> (32 - bits)
    assert np.array_equal(words << (32 - bits), stimulus.samples)
    assert np.array_equal(words[:, 0], words[:, 1])
    ramp = round(0.01 * rate_hz)
    exact = words[ramp:-ramp, 0]
    assert len(exact) == round(2.1 * rate_hz)
    assert np.array_equal(exact, np.resize(published(bits), len(exact)))
    assert np.max(np.abs(words[:ramp])) <= 1 << (bits - 2)


@pytest.mark.parametrize("bits", [16, 24])
def test_the_sequence_has_the_levels_computed_for_it(bits):
    got = levels(bits)
    assert got[48] == pytest.approx(-3.0103, abs=0.001)
    assert KIND.peak_dbfs(KIND.stimulus_parameters(bits=bits)) == pytest.approx(-3.0103, abs=0.001)
    assert got[0] == pytest.approx(DC_DBFS[bits], abs=0.001)
    for order, level in SQUARE_DBFS[bits].items():
        assert got[order] == pytest.approx(level, abs=0.01)
    for order, level in BESIDE_THE_TONE_DBFS[bits].items():
        assert got[order] == pytest.approx(level, abs=0.06)
    assert np.all(got[2:96:2][np.arange(2, 96, 2) != 48] < -250.0)


#: Peak jitter (ps), tone (Hz): level of each sideband, dB re the tone.
SIDEBANDS = [
    (1000.0, 11_025.0, -89.209),
    (500.0, 11_025.0, -95.230),
    (100.0, 11_025.0, -109.209),
    (10.0, 11_025.0, -129.209),
    (5.0, 11_025.0, -135.230),
    (1000.0, 12_000.0, -88.473),
    (500.0, 12_000.0, -94.494),
    (100.0, 12_000.0, -108.473),
    (10.0, 12_000.0, -128.473),
    (5.0, 12_000.0, -134.494),
]


@pytest.mark.parametrize(("picoseconds", "tone_hz", "level"), SIDEBANDS)
def test_jitter_reads_as_the_published_sidebands(picoseconds, tone_hz, level):
    capture = record(
        Beside(jitter=[(picoseconds, 2500.0)], noise_db=-140.0), rate_hz=48_000, stimulus_hz=int(4 * tone_hz)
    )
    _, result = measured(capture, rate_hz=int(4 * tone_hz))
    got = readings(result)
    assert got["largest_sideband"].value == pytest.approx(level, abs=0.1)
    assert got["paired_jitter"].value == pytest.approx(picoseconds, rel=0.02)
    assert [round(note.values[0], 1) for note in notes(result)] == [2500.0]


def test_minus_120_db_is_53_picoseconds_peak_to_peak_at_12_khz():
    # Dunn's form inverted, from memory: 53.05 ps at 12 kHz.
    capture = record(
        Beside(jitter=[(53.05 / 2.0, 1750.0)], noise_db=-140.0), rate_hz=48_000, stimulus_hz=48_000
    )
    _, result = measured(capture, rate_hz=48_000)
    assert readings(result)["largest_sideband"].value == pytest.approx(-120.0, abs=0.1)


@pytest.mark.parametrize(("picoseconds", "snr_db"), [(100.0, 103.19), (1000.0, 83.19)])
def test_random_jitter_raises_the_floor_by_the_data_converter_formula_and_is_no_line(picoseconds, snr_db):
    # SNR = -20 lg(2πfJ), the standard formula of data-converter handbooks: 12 kHz and 100 ps give 102.453 dB, and
    # 11.025 kHz 0.736 dB more. That noise spreads evenly up to half of 44.1 kHz; the skirt holds 490 Hz on either side.
    assert snr_db == pytest.approx(102.453 - 20.0 * np.log10(picoseconds / 100.0) + 0.736, abs=0.005)
    powers = []
    for seed in range(4):
        capture = record(Beside(random_ps=picoseconds, noise_db=-140.0), seed=seed)
        _, result = measured(capture)
        assert not notes(result)
        powers.append(readings(result)["skirt"].value)
    share = 10.0 * np.log10(2.0 * (500.0 - 10.0) / 22_050.0)
    assert np.mean(powers) == pytest.approx(-snr_db + share, abs=0.3)
