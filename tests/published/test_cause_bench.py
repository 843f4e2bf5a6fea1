"""The outside bench: a healthy unit passes, and its faults are as large as their sources say."""

import shutil

import numpy as np
import pytest
from cause_bench import Moment, converted, healthy, judged, kaiser_taps
from cause_cases import NAMES, made
from needed import lacking

from linecheck.limits.verdict import Verdict


def needs(*programs):
    """Skip, or fail in CI, where a program is missing."""
    missing = [program for program in programs if shutil.which(program) is None]
    if missing:
        lacking(f"needs {', '.join(missing)} (Debian: apt-get install sox ngspice lame opus-tools)")


def moment(check="tone"):
    return Moment(check, 50.0, 0.1, 1.1, np.random.default_rng(1))


def levels(values, rate_hz, *frequencies_hz):
    """Return amplitudes at frequencies that a record holds whole periods of, by a Fourier transform."""
    lines = np.abs(np.fft.rfft(values)) * 2.0 / len(values)
    return np.array([lines[round(hz * len(values) / rate_hz)] for hz in frequencies_hz])


def test_a_healthy_unit_passes_every_mask():
    run = judged(healthy(3))
    assert run.verdict is Verdict.PASS
    assert not run.problems


def test_words_come_out_as_the_samples_of_their_sine():
    """Sampling theorem: behind the filter a sine of the words is that sine, late by half the filter's length."""
    rate, count = 44_100.0, 4410
    taps = kaiser_taps(20_100.0, 24_000.0, 112.0, 8 * rate)
    words = np.sin(2 * np.pi * 1000.0 * np.arange(count) / rate)[None]
    dense, dense_hz = converted(words, rate, taps)
    time = np.arange(8 * count) / dense_hz - (len(taps) // 2) / dense_hz
    assert dense[0] == pytest.approx(np.sin(2 * np.pi * 1000.0 * time), abs=2e-5)


def test_a_hold_leaves_the_images_that_sin_x_over_x_says():
    rate, count = 44_100.0, 4410
    words = np.sin(2 * np.pi * 10_000.0 * np.arange(count) / rate)[None]
    dense, dense_hz = converted(words, rate, None)
    wanted = np.sinc(np.array([10_000.0, 34_100.0, 54_100.0]) / rate)
    assert levels(dense[0], dense_hz, 10_000.0, 34_100.0, 54_100.0) == pytest.approx(np.abs(wanted), rel=1e-9)


@pytest.mark.parametrize(("code", "order"), [("distortion_even", 2), ("distortion_odd", 3)])
def test_a_bent_stage_has_the_harmonic_that_its_case_says(code, order):
    bench, case = made(code, 0)
    sine = np.tile(np.sin(2 * np.pi * 1000.0 * np.arange(9600) / 96_000.0), (2, 1))
    bent = bench.dense[-1](sine, 96_000.0, moment())
    found = [levels(row, 96_000.0, order * 1000.0)[0] for row in bent]
    assert 20 * np.log10(max(found)) == pytest.approx(float(case.size.split()[0]), abs=1.5)


def test_a_coupling_capacitor_of_ngspice_is_the_first_order_of_the_book():
    needs("ngspice")
    from cause_tools import ac_response

    response = ac_response("V1 in 0 AC 1\nC1 in out 1u\nR1 out 0 10k")
    hz = np.array([1.0, 15.915494, 20.0, 1000.0, 20_000.0])
    turn = 2j * np.pi * hz * 0.01
    assert response(hz) == pytest.approx(turn / (1 + turn), abs=2e-6)


def test_a_biased_pair_in_a_loop_is_straighter_than_one_without_bias():
    needs("ngspice")
    from cause_bending import _stage

    sine = 1.0 * np.sin(2 * np.pi * np.arange(4096) / 4096)
    third = []
    for bias in (0.3, 0.62):
        volts_in, volts_out = _stage(bias, 15.0, 2000.0, 1e3)
        third.append(levels(np.interp(sine, volts_in, volts_out), 4096.0, 3.0)[0])
    assert third[0] > 30 * third[1]


def test_every_case_can_be_made():
    needs("ngspice", "sox", "lame", "opusenc")
    for name in NAMES:
        bench, case = made(name, 1)
        assert case.codes or name == "clean"
        assert bench.seed == healthy(bench.seed).seed
