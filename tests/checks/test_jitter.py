"""The jitter check against captures whose jitter, modulation and added lines are known exactly."""

from collections import defaultdict
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jitter_truth import NAMES, Beside, measured, notes, readings, record
from repeats import assert_covers, assert_near, covering, repeats

from linecheck.checks.base import Capture, Context
from linecheck.checks.jitter import KIND, MAX_NAMED, SIDE_PARTS
from linecheck.measure.trust import inspect_continuity, inspect_samples

# Sound starts at once or late, clocks differ by up to ±300 ppm; bits, capture rate and stimulus rate in turn.
STARTS = [(-300.0, 0.0), (300.0, 2.0), (12.7, 0.713)]
CASES = [
    pytest.param(bits, rate, stimulus, *STARTS[index % 3], id=f"{bits} bit, {stimulus} Hz at {rate} Hz")
    for index, (rate, bits, stimulus) in enumerate(
        [*product((44_100,), (16, 24), (44_100,)), *product((192_000,), (16, 24), (44_100, 48_000))]
    )
]


@pytest.mark.parametrize(("bits", "rate", "stimulus", "ppm", "delay"), CASES)
def test_several_things_at_once(bits, rate, stimulus, ppm, delay):
    beside = Beside(
        jitter=[(10_000.0, 100.0), (700.0, 421.0), (50.0, 2777.0)],
        modulation=[(2e-6, 5111.0)],
        lines=[(-105.0, 4100.0)],
        noise_db=-115.0,
    )
    capture = record(beside, rate_hz=rate, bits=bits, stimulus_hz=stimulus, clock_ppm=ppm, delay=delay)
    location, result = measured(capture, bits=bits, rate_hz=stimulus)
    clock = 1.0 + 1e-6 * ppm
    assert 1e6 * (location.clock_ratio / clock - 1.0) == pytest.approx(0.0, abs=1.0)
    got = readings(result)
    assert got["paired_jitter"].value == pytest.approx(10_000.0, rel=0.02)
    assert abs(got["paired_jitter"].value - 10_000.0) <= 3.0 * got["paired_jitter"].uncertainty
    tone = 0.25 * stimulus
    assert got["largest_sideband"].value == pytest.approx(20.0 * np.log10(np.pi * tone * 1e-8), abs=0.1)
    assert got["sideband_offset"].value == pytest.approx(100.0 * clock, abs=1e-3)
    assert got["lone_spur"].value == pytest.approx(-105.0, abs=0.1)
    # No sideband of second order, though 10 ns has one of -135 dB at 200 Hz; none of the stimulus's own lines.
    offsets = [100.0 * clock, 421.0 * clock, tone * clock - 4100.0, 2777.0 * clock, 5111.0 * clock]
    levels = [20.0 * np.log10(np.pi * tone * 1e-12 * peak) for peak, _ in beside.jitter]
    levels = [*levels[:2], -105.0, levels[2], -120.0]
    assert len(notes(result)) == 5
    for note, offset, level in zip(notes(result), offsets, levels, strict=True):
        assert note.values[0] == pytest.approx(offset, abs=max(0.003, 4.0 * note.values[1]))
        # The stronger of two sides with noise of their own: it may stand above either.
        assert note.values[2] == pytest.approx(level, abs=max(0.1, 3.5 * note.values[3]))
    words = [note.message for note in notes(result)]
    assert "jitter of 10000 ps" in words[0]
    assert "jitter of 7" in words[1]
    assert "below the tone" in words[2]
    assert "added" in words[2]
    assert "jitter of" in words[3]
    assert "the level is modulated by 0.0002 %, it is no jitter" in words[4]


@pytest.mark.parametrize(
    ("picoseconds", "hz"), covering([50.0, 200.0, 1000.0, 10_000.0], [15.0, 100.0, 1000.0, 8000.0])
)
def test_jitter_is_read_within_2_percent(picoseconds, hz):
    capture = record(Beside(jitter=[(picoseconds, hz)], noise_db=-120.0), clock_ppm=-150.0)
    _, result = measured(capture)
    assert readings(result)["paired_jitter"].value == pytest.approx(picoseconds, rel=0.02)


@settings(max_examples=12)
@given(
    lg=st.floats(np.log10(50.0), 4.0),
    hz=st.floats(15.0, 8900.0),
    phase=st.floats(0.0, 6.3),
    ppm=st.floats(-1000.0, 1000.0),
    bits=st.sampled_from([16, 24]),
)
def test_any_jitter_at_any_offset_is_read_within_2_percent(lg, hz, phase, ppm, bits):
    beside = Beside(jitter=[(10.0**lg, hz)], noise_db=-125.0, phases=(phase,))
    _, result = measured(record(beside, bits=bits, seconds=1.0, clock_ppm=ppm), bits=bits, seconds=1.0)
    got = readings(result)["paired_jitter"]
    assert got.value == pytest.approx(10.0**lg, rel=0.02, abs=3.0 * got.uncertainty)
    assert got.uncertainty < 0.05 * 10.0**lg


@pytest.mark.parametrize("count", repeats(2, 20))
@pytest.mark.parametrize("noise_db", [-120.0, -110.0, -104.0, -95.0])
def test_5_picoseconds_lie_within_three_uncertainties_whether_they_stand_out_or_not(noise_db, count):
    for seed in range(count):
        faint = Beside(jitter=[(5.0, 1234.0)], noise_db=noise_db)
        _, result = measured(record(faint, faint, seed=seed))
        for name in NAMES:
            got = readings(result, name)["paired_jitter"]
            assert abs(got.value - 5.0) <= 3.0 * got.uncertainty
            if noise_db <= -110.0:
                assert got.uncertainty < 0.5
                assert len(notes(result, name)) == 1


@pytest.mark.parametrize(("bits", "order"), covering([16, 24], [1, 3, 21, 37]))
def test_jitter_on_the_stimulus_own_lines_is_told_from_them(bits, order):
    # Jitter that follows the lowest bit falls on odd multiples of rate/192, where the 16-bit signal has lines of its
    # own: 9 dB below those of 50 ps near the tone, above them far off.
    hz = order * 44_100 / 192
    capture = record(Beside(jitter=[(50.0, hz)], noise_db=-115.0), bits=bits, clock_ppm=100.0)
    _, result = measured(capture, bits=bits)
    assert readings(result)["paired_jitter"].value == pytest.approx(50.0, rel=0.02)
    assert len(notes(result)) == 1


@pytest.mark.parametrize("bits", [16, 24])
def test_the_stimulus_alone_has_no_sidebands(bits):
    stimulus = KIND.stimulus(KIND.stimulus_parameters(bits=bits), 2, 0.01)
    capture = Capture(stimulus.samples, 44_100, bits=bits)
    location, result = measured(capture, bits=bits)
    assert not inspect_continuity(capture, location, NAMES)
    assert not notes(result)
    got = readings(result)
    assert got["largest_sideband"].value < -180.0
    assert got["paired_jitter"].value < 0.1
    assert {metric for metric, reading in got.items() if reading.is_bound} == BOUNDED
    assert got["sideband_offset"].value is None
    assert any(
        problem.code == "no_sideband" and problem.metrics == ("sideband_offset",) and not problem.blocks
        for problem in result.problems
    )


@pytest.mark.parametrize("kind", ["coupled", "minimum phase", "elliptic", "inverted"])
def test_a_filter_s_dispersion_makes_no_sidebands_of_the_16_bit_signal(kind):
    from scipy import signal

    capture = record(Beside(noise_db=None), bits=16, rate_hz=48_000, clock_ppm=50.0)
    values = capture.samples[:, 0]
    if kind == "coupled":
        values = signal.sosfilt(signal.butter(1, 5.0, "highpass", fs=48_000, output="sos"), values)
    elif kind == "minimum phase":
        values = signal.lfilter(signal.minimum_phase(signal.firwin(255, 20_500, fs=48_000)), 1.0, values)
    elif kind == "elliptic":
        values = signal.sosfilt(signal.ellip(7, 0.1, 80, 20_500, fs=48_000, output="sos"), values)
    else:
        values = -values
    values = values + 1e-6 * np.random.default_rng(1).standard_normal(len(values))
    _, result = measured(Capture(values[:, None], 48_000), bits=16)
    assert not notes(result)
    assert readings(result)["paired_jitter"].value < 2.0


BOUNDED = {"largest_sideband", "paired_jitter", "lone_spur"}


def test_what_noise_hides_is_a_bound_above_it_and_what_stands_out_is_none():
    # A line of -128 dB; without noise it stands out, in noise of -85 dB it does not.
    for noise_db, seen in ((-125.0, True), (-85.0, False)):
        _, result = measured(record(Beside(lines=[(-128.0, 5000.0)], noise_db=noise_db)))
        got = readings(result)
        bound = {metric for metric, reading in got.items() if reading.is_bound}
        assert bound == ({"paired_jitter"} if seen else BOUNDED)
        if not seen:
            assert got["lone_spur"].value > -128.0


def test_a_line_beside_noise_that_could_hide_a_stronger_one_is_only_a_bound():
    from scipy.signal import butter, sosfilt

    # Noise around 3 kHz; a faint line far from it.
    capture = record(Beside(lines=[(-125.0, 14_000.0)], noise_db=-130.0))
    band = butter(4, (2500.0, 3500.0), "bandpass", fs=44_100, output="sos")
    noise = 3e-4 * sosfilt(band, np.random.default_rng(1).standard_normal(capture.frames))
    _, result = measured(Capture(capture.samples + noise[:, None], 44_100))
    assert [round(note.values[0]) for note in notes(result)] == [2975]
    got = readings(result)
    assert got["lone_spur"].is_bound
    assert got["lone_spur"].value > -120.0


@pytest.mark.parametrize("count", repeats(15, 40))
def test_noise_makes_no_line(count):
    found = 0
    for seed in range(count):
        quiet, loud = Beside(noise_db=-130.0), Beside(noise_db=-130.0 + 15.0 * (seed % 5))
        capture = record(quiet, loud, seed=seed, seconds=1.0, clock_ppm=7.0 * seed, bits=(16, 24)[seed % 2])
        _, result = measured(capture, seconds=1.0, bits=(16, 24)[seed % 2])
        found += len(notes(result)) + len(notes(result, "right"))
    assert found == 0


@pytest.mark.parametrize("walk", [1e-4, 1e-2, 0.3])
def test_a_wandering_clock_is_skirt_and_no_line(walk):
    levels = []
    for seed in range(3):
        _, result = measured(record(Beside(walk=walk, noise_db=-135.0), seed=seed))
        assert not notes(result)
        levels.append(readings(result)["skirt"].value)
    # A random walk of q rad² a second has the one-sided density 2 q / (2π f)².
    expected = 2.0 * walk**2 / (2.0 * np.pi) ** 2 * (1.0 / 10.0 - 1.0 / 500.0)
    assert np.mean(levels) == pytest.approx(10.0 * np.log10(expected), abs=1.5)


@pytest.mark.parametrize(
    ("hz", "mains_hz", "words"),
    [
        (100.0, 50.0, "2 × 50 Hz: the mains"),
        (120.05, None, "2 × 60 Hz: the mains"),
        (3000.0, 50.0, "3 × 1 kHz: USB frames"),
        (8000.0, 50.0, "1 × 8 kHz: USB microframes"),
        (1000.0, 50.0, "1 × 1 kHz: USB frames, or 20 × 50 Hz: the mains"),
        (1234.5, 50.0, "look for what runs at 1234.5 Hz"),
        # 44.1 kHz to 48 kHz and back, which is near the 78th of 50 Hz as well.
        (3900.3, 50.0, "the offset is the difference of 48 kHz and 44.1 kHz: a sample-rate converter"),
        (3899.9, 50.0, "the offset is the difference of 48 kHz and 44.1 kHz: a sample-rate converter"),
        (7801.0, None, "the offset is the difference of 96 kHz and 88.2 kHz: a sample-rate converter"),
        (3904.0, 60.0, "look for what runs at 3904.0 Hz"),
        (1050.0, 50.0, "look for what runs at 1050.0 Hz"),
    ],
)
def test_what_runs_at_an_offset_is_named(hz, mains_hz, words):
    capture = record(Beside(jitter=[(200.0, hz)]), mains_hz=mains_hz)
    _, result = measured(capture)
    (note,) = notes(result)
    assert note.message.endswith(words)
    assert (note.blocks, note.metrics) == (False, ())


def test_hum_is_named_and_counts_in_no_metric_of_this_check():
    capture = record(Beside(lines=[(-90.0, 50.02), (-100.0, 150.06)], jitter=[(50.0, 700.0)]))
    _, result = measured(capture)
    got = readings(result)
    assert got["sideband_offset"].value == pytest.approx(700.0, abs=0.01)
    assert got["lone_spur"].value < -130.0
    assert "a line at 50.0 Hz (1 × 50 Hz: the mains)" in notes(result)[0].message
    curve, both = result.curves
    assert np.max(both.y[both.x < -10_900.0]) == pytest.approx(-90.0, abs=0.1)
    assert np.max(curve.y[curve.x > 10_900.0]) == pytest.approx(-90.0, abs=0.1)


@pytest.mark.parametrize("hz", [8765.4, 11_025.0 + 500.0, 11_025.0 - 3900.3])
def test_an_added_line_is_told_by_its_own_frequency_wherever_the_tone_lies(hz):
    _, result = measured(record(Beside(lines=[(-90.0, hz)]), mains_hz=50.0))
    (note,) = notes(result)
    assert note.message.startswith(f"a line at {hz:.1f} Hz, ")
    assert note.message.endswith(f" dB: added; look for what runs at {hz:.1f} Hz")


@pytest.mark.parametrize(("level", "hz"), covering([-60.0, -90.0, -120.0], [3000.0, 11_525.0, 19_500.0]))
def test_an_added_line_is_read_on_its_own_side_and_leaves_no_products(level, hz):
    _, result = measured(record(Beside(lines=[(level, hz)], noise_db=-125.0), mains_hz=60.0))
    (note,) = notes(result)
    assert ("above" in note.message) == (hz > 11_025.0)
    got = readings(result)
    assert got["lone_spur"].value == pytest.approx(level, abs=0.1)
    assert got["largest_sideband"].value == got["lone_spur"].value
    assert got["sideband_offset"].value == pytest.approx(abs(hz - 11_025.0), abs=0.01)
    assert got["paired_jitter"].value < 5.0


def test_jitter_and_modulation_on_one_offset_are_mixed_and_the_jitter_is_still_read():
    # The same circuit disturbs clock and reference voltage.
    both = Beside(jitter=[(200.0, 1500.0)], modulation=[(1e-5, 1500.0)], noise_db=-120.0)
    _, result = measured(record(both))
    (note,) = notes(result)
    assert "and more on the same offset" in note.message
    assert readings(result)["paired_jitter"].value == pytest.approx(200.0, rel=0.02)


def test_the_curve_holds_every_line_at_its_level_and_noise_at_its_resolution():
    beside = Beside(jitter=[(100.0, 3456.7)], lines=[(-112.0, 12_345.6)], noise_db=-110.0)
    _, result = measured(record(beside), {"resolution_hz": 10.0})
    curve = result.curves[0]
    assert len(curve.x) <= 2000
    assert (np.diff(curve.x) > 0.0).all()
    assert curve.resolution_hz == 10.0
    assert np.interp(3456.7, curve.x, curve.y) == pytest.approx(-109.2, abs=0.3)
    assert np.max(curve.y[(curve.x > 1310) & (curve.x < 1331)]) == pytest.approx(-112.0, abs=0.3)
    spans = KIND.curve_spans(KIND.stimulus_parameters(), KIND.analysis_parameters())
    assert curve.x[0] >= spans["sidebands"][0]
    assert curve.x[-1] == pytest.approx(spans["sidebands"][1], rel=0.001)
    # Peak-hold lifts noise; its level over few points does not.
    floor = -110.0 + 10.0 * np.log10(10.0 / 19_980.0)
    low = (curve.x > 20.0) & (curve.x < 200.0)
    assert np.mean(10.0 ** (curve.y[low] / 10.0)) == pytest.approx(10.0 ** (floor / 10.0), rel=1.0)


def test_both_sides_hold_every_line_on_its_own_side_at_its_level_and_the_noise_of_each_side():
    """Jitter of J s peak puts a line of 20 lg(π f J) on either side (J. Dunn, AES 96th Convention; from memory)."""
    pair = 20.0 * np.log10(np.pi * 11_025.0 * 100e-12)
    beside = Beside(jitter=[(100.0, 3456.7)], lines=[(-112.0, 12_345.6), (-115.0, 9_000.3)], noise_db=-110.0)
    _, result = measured(record(beside), {"resolution_hz": 10.0})
    (curve,) = (found for found in result.curves if found.metric == "both_sides")
    assert (np.diff(curve.x) > 0.0).all()
    assert len(curve.x) <= 2 * SIDE_PARTS + 2 * MAX_NAMED
    span = KIND.curve_spans(KIND.stimulus_parameters(), KIND.analysis_parameters())["both_sides"]
    assert (curve.x[0], curve.x[-1]) == (pytest.approx(span[0], rel=0.01), pytest.approx(span[1], rel=0.01))
    lines = {-3456.7: pair, 3456.7: pair, 1320.6: -112.0, -2024.7: -115.0}
    for place, level in lines.items():
        at = int(np.argmin(np.abs(curve.x - place)))
        assert curve.x[at] == pytest.approx(place, abs=0.05)
        assert curve.y[at] == pytest.approx(level, abs=0.3)
    # What is on one side only is not on the other.
    floor = -110.0 + 10.0 * np.log10(10.0 / 19_980.0)
    for place in (-1320.6, 2024.7):
        assert curve.y[int(np.argmin(np.abs(curve.x - place)))] < floor + 8.0
    apart = np.min(np.abs(np.subtract.outer(curve.x, list(lines))), axis=1) > 50.0
    for side in (-1.0, 1.0):
        # The highest of 35 estimates of 8 degrees of freedom each and more lies some 3 to 5 dB above their mean.
        assert floor < np.median(curve.y[apart & (side * curve.x > 0.0)]) < floor + 6.0


SECONDS = 0.5
NOISE_DB = -104.0


def random_beside(generator):
    """Jitter and an added line above it, both well above the noise, and not at one offset."""
    jitter = generator.uniform(100.0, 200.0), generator.uniform(600.0, 2000.0)
    line = generator.uniform(-104.0, -98.0), generator.uniform(3000.0, 9000.0)
    return Beside(
        jitter=[jitter], lines=[line], noise_db=NOISE_DB, phases=(generator.uniform(0.0, 2.0 * np.pi),)
    )


@pytest.fixture(scope="module", params=repeats(50, 220))
def errors(request):
    """Error and stated uncertainty of every reading, two channels a record."""
    found = defaultdict(list)
    for seed in range(request.param):
        generator = np.random.default_rng((5, seed))
        both = random_beside(generator), random_beside(generator)
        ppm, delay = generator.uniform(-300.0, 300.0), generator.uniform(0.0, 0.02)
        capture = record(*both, seed=seed, seconds=SECONDS, clock_ppm=ppm, delay=delay, tail=0.02)
        _, result = measured(capture, seconds=SECONDS)
        for channel, beside in zip(NAMES, both, strict=True):
            ((picoseconds, hz),), ((level, line_hz),) = beside.jitter, beside.lines
            clock = 1.0 + 1e-6 * ppm
            pair = 20.0 * np.log10(np.pi * 11_025.0 * 1e-12 * picoseconds)
            lone = 11_025.0 * clock - line_hz
            truth = {
                "paired_jitter": picoseconds,
                "lone_spur": level,
                # Both sides, from 10 cycles over the record on.
                "skirt": NOISE_DB + 10.0 * np.log10(2.0 * (500.0 - 20.0) / 19_980.0),
                "largest_sideband": max(pair, level),
                "sideband_offset": hz * clock if pair > level else lone,
            }
            if abs(pair - level) < 1.0:
                # Noise decides which is the larger.
                del truth["largest_sideband"], truth["sideband_offset"]
            for metric, true in truth.items():
                got = readings(result, channel)[metric]
                found[metric].append((got.value - true, got.uncertainty))
    return {metric: np.array(pairs).T for metric, pairs in found.items()}


@pytest.mark.parametrize("metric", [spec.name for spec in KIND.metrics])
def test_twice_the_uncertainty_holds_the_truth_in_95_percent(errors, metric):
    assert_covers(*errors[metric])


def test_coverage_beside_the_band_s_edges():
    # A line within 5 to 25 Hz of the lower edge or 10 Hz of the upper, a pair whose upper side is as close to it.
    found = []
    for seed in range(20):
        rng = np.random.default_rng((9, seed))
        pair, level = (rng.uniform(100.0, 200.0), rng.uniform(8850.0, 8960.0)), rng.uniform(-104.0, -98.0)
        place = rng.uniform(25.0, 45.0) if seed % 2 else rng.uniform(19_990.0, 19_999.0)
        phases = (rng.uniform(0.0, 2.0 * np.pi),)
        beside = Beside(jitter=[pair], lines=[(level, place)], noise_db=NOISE_DB, phases=phases)
        _, result = measured(record(beside, beside, seed=seed, seconds=SECONDS), seconds=SECONDS)
        for channel in NAMES:
            got = readings(result, channel)
            for metric, true in (("paired_jitter", pair[0]), ("lone_spur", level)):
                found.append(abs(got[metric].value - true) <= 2.0 * got[metric].uncertainty)
                assert got[metric].uncertainty < (2.0 if metric == "paired_jitter" else 0.2)
    # Of 80, two deviations are 4.7 %.
    assert 0.90 <= np.mean(found) <= 0.995


def test_jitter_s_spread_is_near_the_cramer_rao_bound(errors):
    # var of an amplitude in noise of density S over T seconds: S/T (Rife and Boorstyn 1974, from memory); the phase
    # has the noise of both sides.
    error, _ = errors["paired_jitter"]
    density = 10.0 ** (NOISE_DB / 10.0) / 19_980.0
    bound = np.sqrt(density / SECONDS) / (2.0 * np.pi * 11_025.0) * 1e12
    assert_near(np.std(error) / bound, len(error))


def codes(values, rate_hz, parameters=None, bits=24):
    """What is found wrong with a capture, as the station asks."""
    if bits:
        values = np.rint(values * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1)
    capture = Capture(values, rate_hz, bits=bits)
    parameters = parameters or KIND.stimulus_parameters(seconds=0.5)
    found = [*inspect_samples(capture, NAMES)]
    location = KIND.locate(capture, parameters, NAMES)
    found += [*location.problems, *inspect_continuity(capture, location, NAMES)]
    if not found:
        result = KIND.measure(capture, location, parameters, KIND.analysis_parameters(), Context(NAMES))
        found += [problem for problem in result.problems if problem.blocks]
    return {problem.code for problem in found}


@pytest.mark.parametrize("count", repeats(16, 160))
def test_a_clean_capture_is_never_flagged(count):
    for index in range(count):
        rng = np.random.default_rng([0, index])
        stimulus = int(rng.choice([44_100, 48_000]))
        rate = int(rng.choice([stimulus, 96_000, 192_000], p=[0.8, 0.1, 0.1]))
        beside = Beside(
            jitter=[(10.0 ** rng.uniform(0.0, 4.0), rng.uniform(20.0, 8000.0))],
            noise_db=rng.uniform(-140.0, -35.0),
            walk=10.0 ** rng.uniform(-5.0, -2.0),
        )
        bits = int(rng.choice([16, 24]))
        capture = record(
            beside,
            beside,
            rate_hz=rate,
            seed=index,
            bits=bits,
            stimulus_hz=stimulus,
            seconds=0.5,
            clock_ppm=rng.uniform(-1000.0, 1000.0),
            delay=rng.uniform(0.0, 0.4),
        )
        values = capture.samples * 10.0 ** (rng.uniform(-60.0, -0.1) / 20.0)
        peak = np.max(np.abs(values))
        hum = np.sin(2.0 * np.pi * 50.02 * np.arange(len(values)) / rate)
        values = values + rng.uniform(-0.01, 0.01) * peak + 0.02 * rng.uniform() * peak * hum[:, None]
        parameters = KIND.stimulus_parameters(seconds=0.5, rate_hz=stimulus, bits=bits)
        assert codes(values, rate, parameters, bits=int(rng.choice([16, 24, 0]))) == set(), index


def blank(values, at, count):
    values[at : at + count] = 0.0
    return values


@pytest.mark.parametrize("rate", [44_100, 192_000])
@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (lambda values, at: np.delete(values, np.s_[at : at + 1], axis=0), "dropout"),
        (lambda values, at: np.delete(values, np.s_[at : at + 1001], axis=0), "dropout"),
        (lambda values, at: blank(values, at, 64), "dropout"),
        (lambda values, at: np.insert(values, at, values[at - 441 : at], axis=0), "repeated_block"),
    ],
)
def test_a_fault_inside_the_stimulus_is_caught(fault, code, rate):
    beside = Beside(noise_db=-90.0)
    capture = record(beside, beside, rate_hz=rate, seconds=0.5)
    assert codes(fault(capture.samples.copy(), int(0.35 * rate)), rate) == {code}


@pytest.mark.parametrize(
    ("lost", "code"), [(4, {"dropout"}), (96, {"dropout"}), (188, {"dropout"}), (192, set())]
)
def test_a_stretch_that_leaves_the_tone_unchanged_shows_in_the_lowest_bit(lost, code):
    # As of 16 bits; a multiple of the sequence's 192 frames changes nothing at all.
    beside = Beside(noise_db=-105.0)
    values = record(beside, bits=16, clock_ppm=0.0).samples
    values = np.delete(values, np.s_[50_000 : 50_000 + lost], axis=0)
    capture, parameters = Capture(values, 44_100), KIND.stimulus_parameters(bits=16)
    location = KIND.locate(capture, parameters, NAMES[:1])
    result = KIND.measure(capture, location, parameters, KIND.analysis_parameters(), Context(NAMES[:1]))
    found = [problem for problem in (*location.problems, *result.problems) if problem.blocks]
    assert {problem.code for problem in found} == code
    for problem in found:
        assert float(problem.message.split("from about ")[1].split()[0]) == pytest.approx(1.13, abs=0.12)


def test_what_is_not_there_is_said():
    beside = Beside(noise_db=-90.0)
    noise = 1e-5 * np.random.default_rng(1).standard_normal((44_100, 2))
    assert codes(noise, 44_100) == {"stimulus_not_found"}
    good = record(beside, beside, seconds=0.5).samples
    assert codes(good, 48_000) == {"wrong_rate"}
    assert codes(good[: int(0.3 * 44_100)], 44_100) == {"too_short"}
    dead = good.copy()
    dead[:, 1] = noise[:1, 0]
    assert codes(dead, 44_100) == {"stimulus_not_found", "silence"}
    assert codes(record(beside, beside, seconds=0.5, clock_ppm=1500.0).samples, 44_100) == {"wrong_rate"}
    assert codes(noise[:20_000], 16_000) == {"capture_rate_low"}


def test_a_dead_channel_leaves_the_other_measured():
    good = record(Beside(jitter=[(100.0, 700.0)]), Beside()).samples.copy()
    good[:, 1] = 1e-5 * np.random.default_rng(1).standard_normal(len(good))
    capture, parameters = Capture(good, 44_100), KIND.stimulus_parameters()
    location = KIND.locate(capture, parameters, NAMES)
    assert location.found == (True, False)
    assert [(problem.code, problem.channel) for problem in location.problems] == [
        ("stimulus_not_found", "right")
    ]
    result = KIND.measure(capture, location, parameters, KIND.analysis_parameters(), Context(NAMES))
    assert readings(result)["paired_jitter"].value == pytest.approx(100.0, rel=0.02)
    assert readings(result, "right") == {}


def test_crosstalk_in_a_dead_channel_is_not_taken_for_its_tone():
    both = record(Beside(noise_db=-120.0), Beside(noise_db=-120.0)).samples
    values = both * [1.0, 0.0] + np.roll(both, 1, axis=1) * [0.0, 1e-4]
    location = KIND.locate(Capture(values, 44_100), KIND.stimulus_parameters(), NAMES)
    assert location.found == (True, False)
    (problem,) = location.problems
    assert (problem.code, problem.channel, problem.blocks) == ("stimulus_not_found", "right", True)
    assert "80 dB weaker" in problem.message


def test_a_tone_that_drowns_has_no_readings_and_says_why():
    capture = record(Beside(noise_db=-8.0), Beside(noise_db=-100.0))
    parameters = KIND.stimulus_parameters()
    location = KIND.locate(capture, parameters, NAMES)
    assert location.found == (True, True)
    result = KIND.measure(capture, location, parameters, KIND.analysis_parameters(), Context(NAMES))
    assert {reading.value for reading in result.readings if reading.channel == "left"} == {None}
    (problem,) = [entry for entry in result.problems if entry.channel == "left"]
    assert (problem.code, problem.blocks) == ("tone_unclear", False)
    assert set(problem.metrics) == {spec.name for spec in KIND.specs}
    assert readings(result, "right")["skirt"].value is not None


def test_a_band_that_the_capture_does_not_reach_is_said():
    analysis = KIND.analysis_parameters(band_hz=(20.0, 23_000.0))
    parameters = KIND.stimulus_parameters(seconds=0.5)
    capture = record(Beside(), seconds=0.5)
    location = KIND.locate(capture, parameters, NAMES[:1])
    result = KIND.measure(capture, location, parameters, analysis, Context(NAMES[:1]))
    (problem,) = result.problems
    assert problem.code == "band_not_reached"
    assert not problem.blocks
    assert set(problem.metrics) == {spec.name for spec in KIND.specs}
    assert {reading.value for reading in result.readings} == {None}


@pytest.mark.parametrize("rate", [96_000, 192_000])
def test_a_tone_outside_the_band_is_refused_before_anything_is_played(rate):
    parameters = KIND.stimulus_parameters(rate_hz=rate)
    audio = KIND.analysis_parameters(band_hz=(20.0, 20_000.0))
    never = KIND.never_measured(parameters, audio, 2, has_reference=False)
    assert set(never) == {spec.name for spec in KIND.specs}
    # Left out, the band goes with the tone.
    assert KIND.never_measured(parameters, KIND.analysis_parameters(), 2, has_reference=False) == {}


@pytest.mark.parametrize("rate", [22_050, 44_100])
def test_at_a_low_rate_the_band_ends_below_the_images(rate):
    # The tone's image at 22050 - 5512.5 Hz, as a filter with little attenuation leaves it.
    lines = [(-60.0, 16_537.5)] if rate == 44_100 else []
    image = Beside(jitter=[(200.0, 700.0)], lines=lines)
    capture = record(image, rate_hz=rate, stimulus_hz=22_050, seconds=1.0)
    _, result = measured(capture, rate_hz=22_050, seconds=1.0)
    assert readings(result)["paired_jitter"].value == pytest.approx(200.0, rel=0.02)
    assert len(notes(result)) == 1


@pytest.mark.parametrize("analysis", [{}, {"band_hz": (20.0, 44_000.0)}])
def test_at_96_khz_with_a_band_that_holds_the_tone(analysis):
    capture = record(Beside(jitter=[(50.0, 700.0)]), rate_hz=192_000, stimulus_hz=96_000, seconds=1.0)
    _, result = measured(capture, analysis, rate_hz=96_000, seconds=1.0)
    assert readings(result)["paired_jitter"].value == pytest.approx(50.0, rel=0.02)
