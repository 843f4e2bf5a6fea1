"""Random clean captures are never flagged; random single faults are, or they move no reading."""

import numpy as np
import pytest
from known_truth import Scene, record, record_combs
from many_tone_captures import crosstalk_capture
from repeats import covering, repeats

from linecheck.checks import kinds
from linecheck.checks.base import Capture, Reference
from linecheck.limits.model import Check
from linecheck.measure.measure import Analysis, take_measurement

CHANNELS = ("left", "right")
STEADY = ("tone", "low_level_tone", "simultaneous", "in_turn", "wiring")
#: Frames at which the fault lies, re the stimulus's length, from its beginning: inside what is measured.
FAULT_FROM, FAULT_TO = 0.4, 0.85


def ideal(sort, rng, rate, delay, ppm):
    """A stimulus as it arrives without noise: values of both channels, and the stimulus's parameters."""
    seed = int(rng.integers(2**31))
    if sort in ("tone", "low_level_tone", "quiet"):
        hertz = float(rng.choice([997.0, 997.0, 100.0, 440.0, 6007.0]))
        scene = Scene(frequency_hz=hertz, amplitude=1.0, harmonics_db={2: -60.0, 3: -70.0})
        made = record(
            (scene, scene),
            rate,
            seed=seed,
            seconds=0.6,
            clock_ppm=ppm,
            delay_seconds=delay,
            tone=sort != "quiet",
        )
        named = {} if sort == "quiet" else {"frequency_hz": hertz}
        return np.array(made.capture.samples), {"seconds": 0.6, **named}, 0.72
    if sort == "wiring":
        made = record_combs(rate, seed=seed, seconds=0.4, noise_db=-300.0, clock_ppm=ppm, delay_seconds=delay)
        return 4.0 * made.samples, {"seconds": 0.4}, 0.52
    leak = 10.0 ** (rng.uniform(-120.0, -30.0) / 20.0)
    made = crosstalk_capture(
        rate,
        lambda tones: np.full(len(tones), leak),
        method=sort,
        seconds=1.0,
        clock_ppm=ppm,
        delay=delay,
        bend=1e-3 * rng.uniform() ** 3,
    )
    return made, {"seconds": 1.0, "method": sort}, 1.12 * (2 if sort == "in_turn" else 1)


def capture_of(sort, rng):
    """Codes of a random clean capture, their word length, their rate, the stimulus, where it begins and its length."""
    rate = int(rng.choice([44_100, 48_000, 96_000, 192_000], p=[0.45, 0.45, 0.05, 0.05]))
    delay, ppm = 0.8 * rng.uniform() ** 2, rng.uniform(-1000.0, 1000.0)
    values, named, length = ideal(sort, rng, rate, delay, ppm)
    bits = int(rng.choice([16, 24])) if sort != "quiet" else 24
    level = 10.0 ** (
        -(rng.uniform(20.0, 50.0) if sort == "low_level_tone" else rng.uniform(0.2, 45.0)) / 20.0
    )
    hum = np.sin(2.0 * np.pi * 50.02 * np.arange(len(values)) / rate) * 10.0 ** (
        rng.uniform(-120.0, -75.0) / 20.0
    )
    noise = np.sqrt(0.5) * 10.0 ** (rng.uniform(-140.0, -70.0) / 20.0) * rng.standard_normal(values.shape)
    values = (
        level * values
        + hum[:, None]
        + noise
        + rng.uniform(-1.0, 1.0) * 10.0 ** (rng.uniform(-90.0, -45.0) / 20.0)
    )
    values *= min(1.0, 0.999 / np.max(np.abs(values)))
    codes = np.round(values * 2.0 ** (bits - 1)).astype(np.int64)
    return codes, bits, rate, named, delay, length


def taken(sort, codes, bits, rate, named):
    kind = kinds()["crosstalk" if sort in ("simultaneous", "in_turn") else sort]
    capture = Capture((codes << (32 - bits)).astype(np.int32), rate, (2.0, 2.0), bits=bits, mains_hz=50.0)
    reference = Reference("tone", (-1.0, -1.0), (1e-4, 1e-4)) if kind.reference_kind else None
    parameters = kind.stimulus_parameters(**named)
    check = Check(sort, kind, parameters, kind.analysis_parameters(), {}, {}, reference and "tone")
    return take_measurement(Analysis(check, capture, CHANNELS, "simple", reference))


@pytest.mark.parametrize("count", repeats(4, 80))
@pytest.mark.parametrize("sort", [*STEADY, "quiet"])
def test_a_clean_capture_is_never_flagged(sort, count):
    for index in range(count):
        rng = np.random.default_rng([41, len(sort), index])
        measured = taken(sort, *capture_of(sort, rng)[:4])
        assert [problem for problem in measured.problems if problem.blocks] == [], index
        assert any(reading.value is not None for reading in measured.readings)


def lost(codes, at, count):
    return np.delete(codes, np.s_[at : at + count], axis=0)


def played_twice(codes, at, count):
    return np.insert(codes, at, codes[at - count : at], axis=0)


def copied(codes, at, count):
    broken = codes.copy()
    broken[at : at + count] = codes[at - count : at]
    return broken


def zeroed(codes, at, count):
    broken = codes.copy()
    broken[at : at + count] = 0
    return broken


@pytest.mark.parametrize("count", repeats(2, 20))
@pytest.mark.parametrize(("sort", "fault"), covering(STEADY, [lost, played_twice, copied, zeroed]))
def test_a_fault_that_is_not_seen_moves_no_reading(sort, fault, count):
    seen = 0
    for index in range(count):
        rng = np.random.default_rng([43, len(sort), len(fault.__name__), index])
        codes, bits, rate, named, delay, length = capture_of(sort, rng)
        frames = round(np.exp(rng.uniform(np.log(2.0), np.log(500.0))))
        at = int((delay + rng.uniform(FAULT_FROM, FAULT_TO) * length) * rate)
        clean, broken = (taken(sort, part, bits, rate, named) for part in (codes, fault(codes, at, frames)))
        void = {problem.channel for problem in broken.problems if problem.blocks}
        seen += bool(void)
        if None in void:
            continue
        for truth, reading in zip(clean.readings, broken.readings, strict=True):
            if reading.channel in void or (reading.channel is None and void) or truth.value is None:
                continue
            assert reading.value == pytest.approx(truth.value, abs=3.0 * truth.uncertainty + 1e-3), index
    assert seen >= count // 2
