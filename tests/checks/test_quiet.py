"""``quiet``: which part of a capture is measured, and what it refers to."""

from dataclasses import replace

import numpy as np
import pytest
from fault_corpus import clean, fault_trial, judged

from linecheck.checks import kinds
from linecheck.checks.base import Capture, Context, Reference

CHANNELS = ("left", "right")
QUIET = kinds()["quiet"]


def measure(samples, context=None, **parameters):
    capture = Capture(samples, 48000, (8.0, 8.0))
    given = QUIET.stimulus_parameters(**{"seconds": 0.5, **parameters})
    location = QUIET.locate(capture, given, CHANNELS)
    measured = QUIET.measure(
        capture, location, given, QUIET.analysis_parameters(), context or Context(CHANNELS)
    )
    return {(reading.metric, reading.channel): reading for reading in measured.readings}, measured


@pytest.mark.parametrize("before", [0, 20_000, 90_000])
def test_ends_that_are_bit_exact_silence_are_not_measured(before):
    noise = 1e-5 * np.random.default_rng(1).standard_normal((26_000, 2))
    dead = np.zeros((before, 2))
    readings, _ = measure(np.concatenate([dead, noise, np.zeros((1000, 2))]))
    # 8 V at full scale, white to 24 kHz, read to 20 kHz.
    expected = 1e6 * 8.0 * 1e-5 * np.sqrt(19_980 / 24_000)
    assert readings["noise", "left"].value == pytest.approx(expected, rel=0.03)


def test_a_transient_at_the_start_is_not_measured():
    samples = 1e-5 * np.random.default_rng(2).standard_normal((48_000, 2))
    samples[:4000] += 0.1 * np.exp(-np.arange(4000) / 300)[:, None]
    readings, _ = measure(samples)
    assert readings["noise", "right"].value < 1e6 * 8.0 * 1.1e-5


def test_ratios_refer_to_the_level_of_the_named_check():
    samples = 1e-5 * np.random.default_rng(3).standard_normal((48_000, 2))
    reference = Reference("tone", (-3.0, None), (0.001, None))
    readings, measured = measure(samples, Context(CHANNELS, reference))
    rms_db = 20 * np.log10(1e-5 * np.sqrt(19_980 / 24_000))
    assert readings["snr", "left"].value == pytest.approx(-3.0 - 3.0103 - rms_db, abs=0.3)
    assert readings["snr", "right"].value is None
    assert [(p.code, p.channel, p.blocks) for p in measured.problems] == [
        ("reference_missing", "right", False)
    ]
    assert {curve.channel for curve in measured.curves} == {"left"}


def test_dither_keeps_the_unit_awake():
    given = QUIET.stimulus_parameters(dither=True, bits=16)
    samples = QUIET.stimulus(given, 2, 0.01).samples >> 16
    assert set(np.unique(samples)) == {-1, 0, 1}
    silent = QUIET.stimulus(QUIET.stimulus_parameters(), 2, 0.01).samples
    assert not np.any(silent)


@pytest.mark.parametrize("start", [0.0, 0.12, 0.3, 0.34])
def test_coarse_dither_is_measured_where_it_sounds_however_late_it_begins(start):
    # 16-bit dither, 93.7 dB below full scale, in a unit that is 17 dB quieter: so is what comes before it.
    draw, rate = np.random.default_rng(6), 48_000
    frames = round(1.4 * rate)
    dither = 10 ** (-93.7 / 20) * np.sqrt(0.5 * 24_000 / 19_980) * draw.standard_normal((2, frames))
    begins, ends = round(start * rate), round((start + 1.06) * rate)
    dither[:, :begins] *= 10 ** (-17 / 20)
    dither[:, ends:] *= 10 ** (-17 / 20)
    capture = Capture(dither.T.copy(), rate, (8.0, 8.0))
    location = QUIET.locate(capture, QUIET.stimulus_parameters(seconds=1.0, dither=True, bits=16), CHANNELS)
    assert not location.problems
    assert begins <= location.start < location.stop <= ends


def test_a_stretch_that_is_muted_within_coarse_dither_is_still_seen():
    draw, rate = np.random.default_rng(7), 48_000
    noise = 1e-5 * draw.standard_normal((round(1.3 * rate), 2))
    noise[round(0.6 * rate) : round(0.65 * rate)] *= 0.2
    given = QUIET.stimulus_parameters(seconds=1.0, dither=True, bits=16)
    location = QUIET.locate(Capture(noise, rate, (8.0, 8.0)), given, CHANNELS)
    assert {problem.channel for problem in location.problems if problem.blocks} == set(CHANNELS)


def test_noise_below_half_a_step_of_the_capture_is_no_reading():
    noise = np.random.default_rng(4).standard_normal((30_000, 2)) * [0.25, 2.0] / 2**15
    capture = Capture(np.round(noise * 2**15) / 2**15, 48000, (8.0, 8.0), 16)
    location = QUIET.locate(capture, QUIET.stimulus_parameters(seconds=0.5), CHANNELS)
    assert [(p.code, p.channel, p.blocks) for p in location.problems] == [
        ("capture_too_coarse", "left", True)
    ]


def test_a_reference_captured_with_another_full_scale_counts_by_its_volts():
    samples = 1e-5 * np.random.default_rng(5).standard_normal((48_000, 2))
    # 4 V rms: -3.01 dBFS of 8 V peak here, full scale of the 5.657 V peak that the tone was captured with.
    tone = Reference("tone", (0.0, 0.0), (0.0, 0.0), (4.0, 4.0))
    readings, _ = measure(samples, Context(CHANNELS, tone))
    noise_volts = 8.0 * 1e-5 * np.sqrt(19_980 / 24_000)
    assert readings["snr", "left"].value == pytest.approx(20 * np.log10(4.0 / noise_volts), abs=0.3)


@pytest.mark.parametrize("name", ["quiet", "dithered_quiet"])
def test_noise_that_stops_for_a_while_reads_nothing(name):
    capture = clean(name, 1)
    codes = capture.samples.copy()
    codes[30_000:31_500, 1] //= 8
    found = judged(name, replace(capture, samples=codes), None)
    assert [(entry.code, entry.channel) for entry in found.problems if entry.blocks] == [("dropout", "right")]
    assert not [entry for entry in judged(name, capture, None).problems if entry.blocks]


@pytest.mark.parametrize(
    ("name", "fault", "seed"),
    [
        ("quiet", "lost", 5),
        ("quiet", "gain_step", 0),
        ("dithered_quiet", "dipped", 0),
        ("dithered_quiet", "gain_step_in_one", 0),
        ("ultrasonic_silence", "swapped_channels", 0),
        ("ultrasonic_silence", "dipped", 0),
        ("ultrasonic_silence", "gain_step", 2),
        ("ultrasonic_silence", "gain_step_in_one", 2),
        ("treble_tone", "swapped_channels", 1),
        ("treble_tone", "gain_step", 3),
        ("low_level_tone", "gain_step", 3),
    ],
)
def test_what_is_not_steady_reads_nothing(name, fault, seed):
    trial = fault_trial(name, fault, seed)
    assert trial.unseen == ()
    assert "dropout" in trial.codes


def test_noise_that_is_cut_off_reads_nothing():
    trial = fault_trial("quiet", "clipped", 10)
    assert trial.unseen == ()
    assert "clipping" in trial.codes


@pytest.mark.parametrize("fault", ["clipped", "wrapped", "truncated_words"])
def test_what_a_unit_does_all_through_reads_as_it_is(fault):
    trials = [fault_trial("treble_tone", fault, seed) for seed in range(4)]
    assert [trial.unseen for trial in trials if trial.passed and trial.unseen] == []


def test_a_click_is_no_stretch_that_is_missing():
    time = np.arange(48_000) / 48_000
    hum = sum(5e-6 * np.sin(2.0 * np.pi * order * 50.02 * time + order) for order in (1, 2, 3))
    samples = hum[:, None] + 1e-6 * np.random.default_rng(7).standard_normal((48_000, 2))
    for at, size in ((12_000, 0.1), (24_000, -0.13)):
        samples[at : at + 2000, 0] += size * np.exp(-np.arange(2000) / 60.0)
    _, measured = measure(samples, seconds=0.9)
    (problem,) = (entry for entry in measured.problems if entry.blocks)
    assert (problem.code, problem.channel) == ("dropout", "left")
    assert "a click at 0.50 s" in problem.message
    lost = np.delete(hum, np.s_[24_000:24_400])[:, None] + 1e-6 * np.random.default_rng(8).standard_normal(
        (47_600, 2)
    )
    _, measured = measure(lost, seconds=0.9)
    assert {"hum turns" in entry.message for entry in measured.problems if entry.blocks} == {True}
