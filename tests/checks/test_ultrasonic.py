"""``ultrasonic`` on captures whose spectrum is known, and on a one-bit stream that a modulator has made."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from repeats import assert_covers, covering, repeats

from linecheck.checks import kinds
from linecheck.checks.base import Capture, Context
from linecheck.dsp.spectra.octaves import third_octaves
from linecheck.measure.trust import inspect_continuity, inspect_samples
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

KIND = kinds()["ultrasonic"]
RATE_HZ = 192_000
NAMES = ("left", "right")


def decibels(ratio):
    return 10.0 * np.log10(ratio)


def parameters(**keywords):
    return KIND.stimulus_parameters(**{"signal": "programme", **keywords})


def measured(capture, given=None, names=None):
    given = given or parameters()
    names = names or NAMES[: capture.channels]
    location = KIND.locate(capture, given, names)
    assert location.problems == ()
    return KIND.measure(capture, location, given, KIND.analysis_parameters(), Context(names))


def value(measurement, metric, channel="left"):
    (reading,) = (one for one in measurement.readings if (one.metric, one.channel) == (metric, channel))
    return reading.value, reading.uncertainty


def codes(measurement):
    return [problem.code for problem in measurement.problems]


def gaussian(density, seconds, seed, rate_hz=RATE_HZ):
    """Gaussian noise of a one-sided density, a function of frequency."""
    frames = int(seconds * rate_hz)
    frequency = np.arange(frames // 2 + 1) * (rate_hz / frames)
    generator = np.random.default_rng(seed)
    spectrum = generator.standard_normal((2, len(frequency)))
    with np.errstate(divide="ignore"):
        shape = np.sqrt(np.nan_to_num(density(frequency), posinf=0.0) * 0.25 * rate_hz * frames)
    return np.fft.irfft((spectrum[0] + 1j * spectrum[1]) * shape, frames)


LOWEST_HZ = 60.0


def pink(frequency, level=5e-3):
    """Density of pink noise from 60 Hz to 19 kHz with a power of ``level``."""
    inside = (frequency >= LOWEST_HZ) & (frequency <= 19_000.0)
    return np.where(inside, level / np.log(19_000.0 / LOWEST_HZ) / np.maximum(frequency, 1.0), 0.0)


def capture_of(*channels, rate_hz=RATE_HZ):
    return Capture(np.stack(channels, axis=1), rate_hz)


def played(faults=(), given=None, unit=None, **keywords):
    with SimulatedInterface(unit, faults=faults, **keywords) as interface:
        return interface.play("ultrasonic", KIND.stimulus(given or parameters(), 2, 0.01))


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("signal", ["noise", "silence", "programme"])
def test_stimulus_is_short_has_its_level_and_nothing_ultrasonic(rate_hz, signal):
    given = parameters(rate_hz=rate_hz, signal=signal)
    stimulus = KIND.stimulus(given, 2, 0.02)
    assert stimulus.seconds <= 1.2
    values = stimulus.samples[:, 0] * 2.0**-31
    assert 20.0 * np.log10(np.max(np.abs(values))) <= KIND.peak_dbfs(given) <= 0.0
    power = np.abs(np.fft.rfft(values * np.kaiser(len(values), 20.0))) ** 2
    high = np.arange(len(power)) * rate_hz / len(values) > 20_000.0
    # All that is left there is 24-bit dither, 2^-48 · 1/3 re a power of 1.
    assert decibels(np.sum(power[high]) / np.sum(power)) < (0.0 if signal == "silence" else -110.0)
    if signal != "silence":
        settled = values[len(values) // 10 : -len(values) // 10]
        assert decibels(2.0 * np.mean(settled**2)) == pytest.approx(-20.0, abs=0.7)
    assert np.array_equal(stimulus.samples, KIND.stimulus(given, 2, 0.02).samples)


def test_highest_level_is_refused_before_it_could_clip():
    given = parameters(level_dbfs=-14.0)
    assert KIND.peak_dbfs(given) < 0.0
    assert np.max(np.abs(KIND.stimulus(given, 1, 0.01).samples.astype(float))) < 2.0**31
    with pytest.raises(ValueError, match="level_dbfs"):
        parameters(level_dbfs=-13.0)
    with pytest.raises(ValueError, match="rate_hz must be at least 32000"):
        parameters(rate_hz=22_050)


@pytest.mark.parametrize("count", repeats(70, 400))
def test_noise_and_bands_are_those_of_the_densities_and_uncertainties_cover(count):
    floor, level, seconds = 2e-14, 5e-3, 0.4
    given = parameters(seconds=0.3)
    bands = third_octaves(20.0, 96_000.0)
    white = floor * (bands.upper_hz - bands.lower_hz)
    share = np.clip(
        np.log(np.minimum(bands.upper_hz, 19_000.0) / np.maximum(bands.lower_hz, LOWEST_HZ)), 0.0, None
    )
    true_bands = decibels((white + level * share / np.log(19_000.0 / LOWEST_HZ)) / level)
    true = decibels(floor * 76_000.0 / level)
    errors, spreads, of_bands = [], [], []
    for seed in range(count):
        values = gaussian(lambda frequency: pink(frequency, level) + floor, seconds, seed)
        measurement = measured(capture_of(values), given)
        found, spread = value(measurement, "noise_20k_100k")
        errors.append(found - true)
        spreads.append(spread)
        (curve,) = measurement.curves
        # Below 300 Hz a band of 0.3 s has too few degrees of freedom for ± 2u in dB to mean 95 %.
        wide = curve.x > 300.0
        of_bands.append(((curve.y - true_bands)[wide], curve.uncertainty[wide]))
    assert np.mean(errors) == pytest.approx(0.0, abs=0.05)
    assert_covers(np.array(errors), np.array(spreads))
    assert_covers(*(np.concatenate(part) for part in zip(*of_bands, strict=True)))


@pytest.mark.parametrize("rate_hz", [176_400, 192_000, 384_000])
def test_noise_goes_to_100_khz_or_the_edge_and_says_so(rate_hz):
    values = gaussian(lambda frequency: pink(frequency) + 1e-13, 1.2, 7, rate_hz)
    measurement = measured(capture_of(values, rate_hz=rate_hz))
    edge = min(100_000.0, rate_hz / 2)
    found, spread = value(measurement, "noise_20k_100k")
    assert found == pytest.approx(decibels(1e-13 * (edge - 20_000.0) / 5e-3), abs=4.0 * spread)
    notes = [problem for problem in measurement.problems if problem.code == "band_edge"]
    assert len(notes) == (rate_hz < 200_000)
    assert all(f"{edge:g} Hz" in note.message and not note.blocks for note in notes)


@pytest.mark.parametrize(("rate_hz", "images"), [(44_100, False), (48_000, False), (96_000, True)])
def test_a_narrow_capture_leaves_out_what_it_cannot_tell(rate_hz, images):
    measurement = measured(played(capture_rate_hz=rate_hz))
    assert value(measurement, "noise_20k_100k") == (None, None)
    assert (value(measurement, "image_level")[0] is not None) == images
    explained = {metric for problem in measurement.problems for metric in problem.metrics}
    assert {"noise_20k_100k", "rise_from"} | (set() if images else {"image_level"}) == explained
    assert not any(problem.blocks for problem in measurement.problems)
    assert measurement.curves[0].x[-1] * 10.0**0.05 <= rate_hz / 2


def one_bit_like(order, floor=1e-14):
    """Density of a floor and noise ahead of a high-pass of this order, 60 dB above it."""

    def density(frequency):
        ratio = (frequency / 60_000.0) ** (2 * order)
        return floor * (1.0 + 1e6 * ratio / (1.0 + ratio))

    return density


@pytest.mark.parametrize("order", [5, 6, 7])
def test_rise_is_where_the_noise_stands_3_db_above_the_floor(order):
    # 1e6 · r^2n = 1.
    true = 60_000.0 * 1e-6 ** (1.0 / (2 * order))
    errors, spreads = [], []
    for seed in range(6):
        measurement = measured(
            capture_of(gaussian(one_bit_like(order), 1.2, seed)), parameters(signal="silence")
        )
        found, spread = value(measurement, "rise_from")
        errors.append(found / true - 1.0)
        spreads.append(spread / true)
        assert "one_bit_noise" in codes(measurement)
    assert np.mean(errors) == pytest.approx(0.0, abs=0.02)
    assert np.std(errors) < 2.0 * np.mean(spreads)
    assert np.mean(spreads) < 0.01


def test_programme_hides_where_the_noise_begins_to_rise():
    # It does so at 15 kHz, and 3 dB above what is left at 19 kHz a fourteenth of that higher.
    def density(frequency):
        return pink(frequency) + one_bit_like(5)(frequency)

    measurement = measured(capture_of(gaussian(density, 1.2, 1)))
    assert 19_500.0 < value(measurement, "rise_from")[0] < 21_500.0
    assert "one_bit_noise" in codes(measurement)


def test_what_does_not_rise_is_left_out_without_a_fault():
    measurement = measured(played())
    assert value(measurement, "rise_from") == (None, None)
    (problem,) = {
        problem for problem in measurement.problems if problem.code == "no_rise" and problem.channel == "left"
    }
    assert not problem.blocks
    assert problem.metrics == ("rise_from",)


def held_images(given, low_hz, high_hz, ppm=12.0):
    """Power of the images that a zero-order hold leaves between two frequencies, re the audio band, in dB.

    From the lines of the stimulus itself: sin(x)/x with x = πf/rate at each image's place.
    """
    samples = KIND.stimulus(given, 1, 0.01).samples[:, 0] * 2.0**-31
    rate = given.rate_hz * (1.0 + 1e-6 * ppm)
    frames = round(given.seconds * given.rate_hz)
    part = samples[round(0.1 * given.rate_hz) :][:frames]
    frequency = np.arange(frames // 2 + 1) * rate / frames
    audio = (frequency >= 20.0) & (frequency <= 20_000.0)
    audio = 2.0 * np.sum((np.abs(np.fft.rfft(part)) ** 2 * np.sinc(frequency / rate) ** 2)[audio]) / frames**2
    # Images are looked at through a Hann window, which makes some of the noise louder than it is on the whole.
    power = 2.0 * np.abs(np.fft.rfft(part * np.hanning(frames))) ** 2 / (0.375 * frames**2)
    total = 0.0
    for place in (rate - frequency, rate + frequency, 2.0 * rate - frequency):
        inside = (place >= low_hz) & (place < high_hz)
        total += np.sum((power * np.sinc(place / rate) ** 2)[inside])
    return decibels(total / audio)


@pytest.mark.parametrize("ppm", [-300.0, 12.0, 300.0])
def test_images_of_a_missing_filter_have_the_level_of_the_hold(ppm):
    given = parameters()
    measurement = measured(played(unit=SimulatedUnit(filter="none", clock_ppm=ppm)))
    bands = third_octaves(20_000.0, 87_000.0)
    true = max(held_images(given, *edges, ppm) for edges in zip(bands.lower_hz, bands.upper_hz, strict=True))
    for channel in NAMES:
        found, spread = value(measurement, "image_level", channel)
        assert found == pytest.approx(true, abs=0.15)
        assert spread < 0.2
    assert "one_bit_noise" not in codes(measurement)
    assert any("notch near 44." in problem.message for problem in measurement.problems)


def test_filters_are_told_apart_by_their_images():
    levels, bound = {}, set()
    for name in ("sharp", "minimum_phase", "slow", "none"):
        measurement = measured(played(unit=SimulatedUnit(filter=name)))
        levels[name] = value(measurement, "image_level")[0]
        bound |= {
            name for reading in measurement.readings if reading.metric == "image_level" and reading.is_bound
        }
    assert levels["sharp"] < -110.0
    assert levels["minimum_phase"] < -110.0
    assert -40.0 < levels["slow"] < -20.0
    assert levels["slow"] + 5.0 < levels["none"]
    # Noise hides how little a steep filter lets through.
    assert bound == {"sharp", "minimum_phase"}


@pytest.mark.parametrize(("rate_hz", "frequency_hz"), covering([44_100, 48_000], [997.0, 12_345.0, 19_997.0]))
def test_lines_above_the_band_are_named_and_so_is_what_they_are_images_of(rate_hz, frequency_hz):
    time = np.arange(int(1.2 * RATE_HZ)) / RATE_HZ
    image = rate_hz * (1.0 + 50e-6) - frequency_hz
    values = 0.5 * np.cos(2.0 * np.pi * frequency_hz * time) + 2e-5 * np.cos(2.0 * np.pi * image * time + 1.0)
    values += 3e-6 * np.cos(2.0 * np.pi * 71_234.0 * time) + gaussian(lambda _: 1e-15, 1.2, 3)[: len(time)]
    measurement = measured(capture_of(values), parameters(rate_hz=rate_hz))
    found, _ = value(measurement, "image_level")
    assert found == pytest.approx(decibels((2e-5 / 0.5) ** 2), abs=0.1)
    words = [problem.message for problem in measurement.problems if problem.code == "ultrasonic_line"]
    assert len(words) == 2
    assert f"line at {image / 1000:.3f} kHz" in words[0]
    assert re.search(r"-8[78]\.[019] dB", words[0])
    assert f"image of the one at {frequency_hz:.1f} Hz" in words[0]
    assert re.search(r"71\.234 kHz, -104\.[345] dB", words[1])
    assert "image" not in words[1]


def one_bit(seconds, seed=1):
    """A one-bit stream of 64 · 48 kHz from a second-order modulator, as a capture of 192 kHz sees it.

    The modulator written out: two accumulators, a sign, feedback of it. Its noise rises by 12 dB an octave:
    |2 sin(πf/rate)|⁴.
    """
    ratio = 16
    frames = int(seconds * RATE_HZ)
    programme = gaussian(pink, seconds, seed)
    taken = np.repeat(programme, ratio)
    stream = np.empty(len(taken))
    first = second = 0.0
    last = 1.0
    for place, sample in enumerate(taken.tolist()):
        first += sample - last
        second += first - last
        last = 1.0 if second >= 0.0 else -1.0
        stream[place] = last
    spectrum = np.fft.rfft(stream)[: frames // 2 + 1]
    frequency = np.arange(len(spectrum)) * RATE_HZ / frames
    spectrum[frequency > 90_000.0] = 0.0
    return np.fft.irfft(spectrum, frames) / ratio


def test_a_one_bit_stream_is_recognised_by_the_shape_of_its_noise():
    values = one_bit(0.4)
    measurement = measured(capture_of(values), parameters(seconds=0.3, rate_hz=48_000))
    (note,) = (problem for problem in measurement.problems if problem.code == "one_bit_noise")
    assert not note.blocks
    assert note.metrics == ()
    assert "one-bit stream" in note.message
    rise, _ = value(measurement, "rise_from")
    assert 19_000.0 < rise < 30_000.0
    (curve,) = measurement.curves
    # An octave apart: 12 dB of density and 3 dB of bandwidth.
    levels = dict(zip(np.round(curve.x, -2), curve.y, strict=True))
    assert levels[79_400.0] - levels[39_800.0] == pytest.approx(15.0, abs=1.0)


@pytest.mark.parametrize(
    "density",
    [
        lambda f: np.where(f < 19_000.0, 1e-7, 1e-14),
        lambda f: 1e-10 + 0.0 * f,
        lambda f: 1e-5 / np.maximum(f, 20.0) ** 2,
        lambda f: 1e-13 * (1.0 + (f / 80_000.0) ** 2),
    ],
    ids=["band-limited", "white", "falling", "slight rise"],
)
def test_other_noise_is_no_one_bit_stream(density):
    capture = capture_of(gaussian(density, 1.2, 4))
    assert "one_bit_noise" not in codes(measured(capture, parameters(signal="silence")))


def test_a_comb_of_lines_is_no_one_bit_stream():
    time = np.arange(int(1.2 * RATE_HZ)) / RATE_HZ
    values = gaussian(lambda frequency: pink(frequency) + 1e-14, 1.2, 5)[: len(time)]
    for order in range(1, 9):
        values += 1e-4 * order**2 * np.cos(2.0 * np.pi * (20_000.0 + 8_011.0 * order) * time + order)
    measurement = measured(capture_of(values))
    assert "one_bit_noise" not in codes(measurement)
    assert codes(measurement).count("ultrasonic_line") == 4


@settings(max_examples=15)
@given(
    delay=st.floats(0.0, 2.0),
    tail=st.floats(0.0, 1.0),
    ppm=st.floats(-1000.0, 1000.0),
    rate_hz=st.sampled_from([44_100, 96_000, 192_000]),
)
def test_the_loud_part_is_found_wherever_it_is(delay, tail, ppm, rate_hz):
    unit = SimulatedUnit(start_seconds=(delay, delay), tail_seconds=tail, clock_ppm=ppm)
    capture = played(unit=unit, capture_rate_hz=rate_hz)
    location = KIND.locate(capture, parameters(), NAMES)
    assert location.problems == ()
    assert location.found == (True, True)
    assert (location.stop - location.start) / rate_hz == pytest.approx(1.0, abs=0.03)
    assert location.start / rate_hz > delay + 0.05
    assert location.stop / rate_hz < delay + 1.12


@given(gain_db=st.floats(-80.0, 0.0))
@settings(max_examples=8)
def test_levels_are_relative(gain_db):
    values = gaussian(lambda frequency: pink(frequency) + 1e-12, 0.5, 8)
    given = parameters(seconds=0.4)
    loud, soft = (measured(capture_of(gain * values), given) for gain in (1.0, 10.0 ** (gain_db / 20.0)))
    for metric in ("noise_20k_100k", "image_level"):
        assert value(soft, metric)[0] == pytest.approx(value(loud, metric)[0], abs=1e-6)
    assert soft.curves[0].y == pytest.approx(loud.curves[0].y, abs=1e-6)


def test_a_short_programme_is_taken_whole_and_a_shorter_one_is_a_problem():
    values = gaussian(lambda frequency: pink(frequency) + 1e-13, 0.3, 9)
    location = KIND.locate(capture_of(values), parameters(), ("left",))
    assert location.problems == ()
    assert 0.2 < (location.stop - location.start) / RATE_HZ < 0.3
    (problem,) = KIND.locate(capture_of(values[:20_000]), parameters(), ("left",)).problems
    assert problem.code == "too_short"
    assert problem.blocks


def test_a_cable_that_is_out_fails_no_unit():
    hiss = gaussian(lambda _: 1e-14, 1.5, 10)
    time = np.arange(len(hiss)) / RATE_HZ
    hum = sum(3e-4 / order * np.cos(2.0 * np.pi * 50.01 * order * time) for order in range(1, 6))
    for nothing in (hiss, hiss + hum):
        measurement = measured(capture_of(nothing))
        (problem,) = (one for one in measurement.problems if one.blocks)
        assert (problem.code, problem.channel) == ("stimulus_not_found", "left")
        assert "unit's own" in problem.message
        asked = measured(capture_of(nothing), parameters(signal="silence"))
        assert not any(one.blocks for one in asked.problems)
        assert value(asked, "noise_20k_100k")[0] is not None


def test_a_dead_channel_is_named_and_the_other_measured():
    measurement = measured(played(("dead_channel",)))
    assert [(one.code, one.channel) for one in measurement.problems if one.blocks] == [
        ("stimulus_not_found", "right")
    ]
    assert value(measurement, "noise_20k_100k")[0] == pytest.approx(-91.0, abs=1.0)


@pytest.mark.parametrize(
    ("signal", "fault"), covering(["noise", "silence"], ["one_bit_noise", None, "missing_filter", "noisy"])
)
def test_any_programme_gives_a_finite_answer(signal, fault):
    given = parameters(signal=signal)
    measurement = measured(played((fault,) if fault else (), given), given)
    for reading in measurement.readings:
        if reading.value is None:
            assert reading.metric == "rise_from"
        else:
            assert np.isfinite(reading.value)
            assert reading.uncertainty > 0.0
    for curve in measurement.curves:
        assert np.all(np.isfinite(curve.y))
        assert np.all(curve.uncertainty > 0.0)
        assert np.all(np.diff(curve.x) > 0.0)


@pytest.mark.parametrize("count", repeats(40, 1000))
def test_clean_captures_are_never_flagged(count):
    for index in range(count):
        generator = np.random.default_rng(index)
        rate = int(generator.choice([44_100, 96_000, 192_000], p=[0.5, 0.3, 0.2]))
        seconds = generator.uniform(0.25, 0.35)
        loud = 10.0 ** generator.uniform(-5.0, 0.0)
        samples = np.stack(
            [gaussian(lambda f: pink(f, 5e-3 * loud) + 1e-15, seconds, (index, channel), rate)  # noqa: B023
             for channel in range(2)],
            axis=1,
        )  # fmt: skip
        silent = int(generator.uniform(0.0, 0.05) * rate)
        samples[:silent] *= 1e-5
        bits = int(generator.choice([16, 24]))
        samples = np.round(samples * 2.0 ** (bits - 1) + generator.random(samples.shape) - 0.5)
        capture = Capture(samples.astype(np.int32) << (32 - bits), rate, bits=bits)
        location = KIND.locate(capture, parameters(), NAMES)
        found = (
            *inspect_samples(capture, NAMES),
            *location.problems,
            *inspect_continuity(capture, location, NAMES),
        )
        assert found == (), index


def test_a_gap_in_programme_is_no_notch_of_the_unit():
    def programme(frequency):
        # A chord and its harmonics, each a little wide, with gaps of 30 dB between.
        comb = np.abs(np.mod(np.log2(np.maximum(frequency, 1.0)) * 3.0, 1.0) - 0.5) < 0.25
        return pink(frequency) * np.where(comb, 1.0, 1e-3) + 1e-14

    def noise(frequency):
        gap = np.abs(frequency - 8_000.0) < 300.0
        return pink(frequency) * np.where(gap, 1e-3, 1.0) + 1e-14

    def with_images(frequency):
        # Through a filter that begins late: nothing is played around half the rate.
        return programme(frequency) + 0.1 * programme(44_100.0 - frequency)

    for density in (programme, with_images):
        assert "notch" not in codes(measured(capture_of(gaussian(density, 1.5, 21))))
    assert "notch" in codes(measured(capture_of(gaussian(noise, 1.5, 22))))


def test_a_step_at_the_rail_is_clipping_and_elsewhere_a_dropout():
    values = 0.1 * gaussian(lambda frequency: pink(frequency) + 1e-15, 1.5, 24)
    for height, code in ((1.0, "overload"), (0.5, "dropout")):
        broken = values.copy()
        broken[150_000:150_003] = height
        problems = KIND.locate(capture_of(broken), parameters(), ("left",)).problems
        assert [problem.code for problem in problems] == [code]
