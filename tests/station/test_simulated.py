"""The simulated interface: what its parameters promise, measured by code of the tests' own."""

import subprocess
import sys
import time

import numpy as np
import pytest
from ideal_unit import ideal_unit
from pydantic import ValidationError

from linecheck.checks.base import Stimulus
from linecheck.errors import StationError
from linecheck.station.interfaces.interface import Interface
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

LEFT_HZ, RIGHT_HZ = 997.0, 1_499.0


def decibels(ratio):
    return 20.0 * np.log10(np.abs(ratio))


def dithered(values, bits=24):
    """Quantise with TPDF dither, left-justified: the textbook way, independent of the project's own."""
    generator = np.random.default_rng(7)
    steps = values * (2.0 ** (bits - 1) - 3.0)
    steps = steps + generator.random(steps.shape) - generator.random(steps.shape)
    return (np.round(steps).astype(np.int64) << (32 - bits)).astype(np.int32)


def tones(*frequencies, rate=44_100, seconds=1.0, level_db=0.0):
    """One sine to a channel."""
    angle = 2.0 * np.pi * np.outer(np.arange(int(rate * seconds)), frequencies) / rate
    return Stimulus(dithered(10.0 ** (level_db / 20.0) * np.cos(angle)), rate, 24)


def silence(channels=2, seconds=1.0):
    return Stimulus(np.zeros((int(44_100 * seconds), channels), dtype=np.int32), 44_100, 24)


def volts(capture):
    """The capture in volts, shape (channels, frames)."""
    return capture.samples.T * 2.0**-31 * np.array(capture.full_scale_volts)[:, np.newaxis]


def settled(capture, threshold=0.5, margin=0.06):
    """The part of the capture where both ends of the stimulus are well away."""
    loud = np.flatnonzero(np.max(np.abs(volts(capture)), axis=0) > threshold)
    gap = int(margin * capture.rate_hz)
    return slice(loud[0] + gap, loud[-1] - gap)


def fitted_frequency(values, rate, near):
    """Frequency of the strongest line, by phase steps between windowed parts."""
    quarter = len(values) // 4
    window = np.kaiser(quarter, 14.0)
    turn = np.exp(-2j * np.pi * near / rate * np.arange(len(values)))
    parts = [
        np.sum((values * turn)[at : at + quarter] * window) for at in (0, quarter, 2 * quarter, 3 * quarter)
    ]
    steps = np.unwrap(np.angle(parts))
    return near + (steps[3] - steps[0]) / (2.0 * np.pi * 3 * quarter / rate)


def lines(values, rate, *frequencies):
    """Complex amplitudes by least squares, and what is left."""
    angle = 2.0 * np.pi / rate * np.outer(np.arange(len(values)), frequencies)
    table = np.concatenate((np.cos(angle), np.sin(angle), np.ones((len(values), 1))), axis=1)
    fitted = np.linalg.lstsq(table, values, rcond=None)[0]
    count = len(frequencies)
    return fitted[:count] - 1j * fitted[count : 2 * count], values - table @ fitted


def band_rms(values, rate, low=20.0, high=20_000.0):
    """Rms within a band, by a Hann window."""
    window = np.hanning(len(values))
    power = np.abs(np.fft.rfft(values * window)) ** 2 * 2.0 / (len(values) * np.sum(window**2))
    frequency = np.fft.rfftfreq(len(values), 1.0 / rate)
    return float(np.sqrt(np.sum(power[(frequency >= low) & (frequency <= high)])))


def played(stimulus, unit=None, check="tone", **keywords):
    with SimulatedInterface(unit, **keywords) as interface:
        return interface.play(check, stimulus)


def test_it_is_an_interface():
    interface: Interface = SimulatedInterface()
    with interface as opened:
        capture = opened.play("tone", tones(LEFT_HZ, RIGHT_HZ, seconds=0.2))
    assert opened.identity["kind"] == "simulated"
    assert all(isinstance(text, str) for text in opened.identity.values())
    assert capture.samples.dtype == np.int32
    assert (capture.rate_hz, capture.bits, capture.mains_hz) == (192_000, 24, 50.0)
    assert capture.full_scale_volts == (8.0, 8.0)
    assert not np.any(capture.samples & 0xFF)


@pytest.mark.parametrize(("rate", "capture_rate"), [(44_100, 192_000), (48_000, 44_100), (192_000, 96_000)])
def test_level_in_volts(rate, capture_rate):
    unit = SimulatedUnit(output_volts=2.1, channel_gain_db=(0.0, -0.5), clock_ppm=0.0)
    capture = played(tones(LEFT_HZ, RIGHT_HZ, rate=rate), unit, capture_rate_hz=capture_rate)
    used = volts(capture)[:, settled(capture)]
    left = lines(used[0], capture_rate, LEFT_HZ)[0][0]
    right = lines(used[1], capture_rate, RIGHT_HZ)[0][0]
    assert decibels(abs(left) / np.sqrt(2.0) / 2.1) == pytest.approx(0.0, abs=1e-4)
    assert decibels(right / left) == pytest.approx(-0.5, abs=1e-4)


@pytest.mark.parametrize("ppm", [-300.0, 0.0, 12.0, 123.0])
def test_clock_error(ppm):
    capture = played(tones(LEFT_HZ, RIGHT_HZ), SimulatedUnit(clock_ppm=ppm))
    used = volts(capture)[:, settled(capture)]
    for values, frequency in zip(used, (LEFT_HZ, RIGHT_HZ), strict=True):
        found = fitted_frequency(values, capture.rate_hz, frequency)
        assert (found / frequency - 1.0) * 1e6 == pytest.approx(ppm, abs=0.02)


def test_start_delay_is_within_its_range_and_noise_is_there_before():
    unit = SimulatedUnit(start_seconds=(0.1, 0.2), tail_seconds=0.15)
    starts = []
    for check in ("a", "b", "c", "d"):
        capture = played(tones(LEFT_HZ, RIGHT_HZ, seconds=0.3), unit, check=check)
        loud = np.flatnonzero(np.abs(volts(capture)[0]) > 1.0)
        starts.append(loud[0] / capture.rate_hz)
        assert capture.seconds - loud[-1] / capture.rate_hz == pytest.approx(0.15, abs=0.001)
        before = volts(capture)[:, : loud[0] - 2_000]
        assert np.all(np.std(before, axis=1) > 5e-6)
        assert np.all(np.std(before, axis=1) < 50e-6)
    assert all(0.1 <= start <= 0.2 for start in starts)
    assert len({round(start, 4) for start in starts}) == 4


def test_ideal_unit_is_limited_by_the_stimulus_dither_alone():
    # 24 bits, TPDF: 6.0206 · 24 − 3.01 = 141.48 dB in full band, of which 20 kHz hold 20/22.05.
    capture = played(tones(LEFT_HZ, seconds=2.0), ideal_unit())
    values = volts(capture)[0, settled(capture)]
    tone, rest = lines(values, capture.rate_hz, LEFT_HZ)
    sinad = decibels(abs(tone[0]) / np.sqrt(2.0) / band_rms(rest, capture.rate_hz))
    assert sinad == pytest.approx(141.91, abs=0.1)


def test_default_unit_reads_as_a_good_converter():
    unit = SimulatedUnit()
    capture = played(tones(LEFT_HZ, LEFT_HZ), unit)
    for values in volts(capture)[:, settled(capture)]:
        frequency = fitted_frequency(values, capture.rate_hz, LEFT_HZ)
        tone, rest = lines(values, capture.rate_hz, frequency)
        sinad = decibels(abs(tone[0]) / np.sqrt(2.0) / band_rms(rest, capture.rate_hz))
        assert 112.5 < sinad < 113.5
        harmonics, _ = lines(values, capture.rate_hz, *(frequency * np.arange(1, 6)))
        assert decibels(harmonics[1:] / harmonics[0]) == pytest.approx(np.array(unit.harmonics_db), abs=0.3)
    quiet = played(tones(LEFT_HZ, LEFT_HZ, level_db=-60.0), unit)
    for values in volts(quiet)[:, settled(quiet, threshold=0.003)]:
        tone, rest = lines(values, quiet.rate_hz, LEFT_HZ * (1.0 + 12e-6))
        dynamic_range = 60.0 + decibels(abs(tone[0]) / np.sqrt(2.0) / band_rms(rest, quiet.rate_hz))
        assert 116.0 < dynamic_range < 118.0


@pytest.mark.parametrize("capture_rate", [44_100, 96_000, 192_000])
def test_noise_level_in_the_band_whatever_the_capture_rate(capture_rate):
    unit = ideal_unit(noise_db=-100.0, adc_bits=24)
    capture = played(silence(), unit, capture_rate_hz=capture_rate)
    values = volts(capture)
    for one in values:
        assert decibels(band_rms(one, capture_rate) / 4.0) == pytest.approx(-100.0, abs=0.15)
    assert abs(np.corrcoef(values)[0, 1]) < 0.02


def test_noise_of_the_capture_is_relative_to_its_own_full_scale():
    unit = ideal_unit(adc_noise_db=-110.0)
    capture = played(silence(), unit, full_scale_volts=(8.0, 2.0), capture_rate_hz=48_000)
    for values, full_scale in zip(volts(capture), (8.0, 2.0), strict=True):
        level = decibels(band_rms(values, 48_000) / (full_scale / np.sqrt(2.0)))
        assert level == pytest.approx(-110.0, abs=0.15)


def test_hum_has_its_levels_at_multiples_of_the_mains():
    unit = ideal_unit(hum_db=(-80.0, -95.0, -85.0), mains_deviation_hz=0.03)
    capture = played(silence(seconds=1.0), unit, mains_hz=60.0)
    assert capture.mains_hz == 60.0
    for values in volts(capture):
        found, rest = lines(values, capture.rate_hz, *(60.03 * np.arange(1, 4)))
        assert decibels(found / (4.0 * np.sqrt(2.0))) == pytest.approx([-80.0, -95.0, -85.0], abs=1e-3)
        assert band_rms(rest, capture.rate_hz) < 1e-8


def test_offset_in_millivolts():
    capture = played(silence(), ideal_unit(dc_offset_mv=(3.0, -1.5)))
    assert np.mean(volts(capture), axis=1) * 1e3 == pytest.approx([3.0, -1.5], abs=1e-4)


def test_crosstalk_level():
    unit = ideal_unit(crosstalk_db=-90.0, crosstalk_corner_hz=1e9)
    capture = played(tones(LEFT_HZ, RIGHT_HZ), unit)
    left, right = volts(capture)[:, settled(capture)]
    of_left, _ = lines(left, capture.rate_hz, LEFT_HZ, RIGHT_HZ)
    of_right, _ = lines(right, capture.rate_hz, LEFT_HZ, RIGHT_HZ)
    assert decibels(of_left[1] / of_right[1]) == pytest.approx(-90.0, abs=1e-3)
    assert decibels(of_right[0] / of_left[0]) == pytest.approx(-90.0, abs=1e-3)


def test_sinusoidal_jitter_makes_two_sidebands():
    # Phase modulation: 20 lg(J1(β)/J0(β)) with β = 2π · 12 kHz · 1 ns, by closed form −88.4734 dB each.
    unit = ideal_unit(jitter_sine_ps=1_000.0, jitter_sine_hz=250.0)
    capture = played(tones(12_000.0, 12_000.0, rate=48_000), unit)
    for values in volts(capture)[:, settled(capture)]:
        found, _ = lines(values, capture.rate_hz, 12_000.0, 11_750.0, 12_250.0)
        assert decibels(found[1:] / found[0]) == pytest.approx([-88.4734, -88.4734], abs=0.001)


def test_modulated_level_makes_two_sidebands_in_phase():
    # (1 + m cos Ωt) cos ωt: two lines of m/2 whose phases lie evenly about the carrier's.
    unit = ideal_unit(modulation_db=-80.0, modulation_hz=100.0)
    capture = played(tones(12_000.0, 12_000.0, rate=48_000), unit)
    both = []
    for values in volts(capture)[:, settled(capture)]:
        found, _ = lines(values, capture.rate_hz, 12_000.0, 11_900.0, 12_100.0)
        assert decibels(found[1:] / found[0]) == pytest.approx([-86.0206, -86.0206], abs=0.001)
        turn = found[1] * found[2] / found[0] ** 2
        assert np.angle(turn, deg=True) == pytest.approx(0.0, abs=0.1)
        both.append(found[2] / found[0])
    assert both[0] == pytest.approx(both[1], abs=1e-8)


def test_jitter_sidebands_are_in_antiphase():
    unit = ideal_unit(jitter_sine_ps=1_000.0, jitter_sine_hz=250.0)
    capture = played(tones(12_000.0, 12_000.0, rate=48_000), unit)
    for values in volts(capture)[:, settled(capture)]:
        found, _ = lines(values, capture.rate_hz, 12_000.0, 11_750.0, 12_250.0)
        turn = -found[1] * found[2] / found[0] ** 2
        assert np.angle(turn, deg=True) == pytest.approx(0.0, abs=0.1)


def test_added_lines_are_there_whatever_is_played():
    unit = ideal_unit(added_lines=((1_000.0, -100.0), (8_000.0, -110.5), (150_000.0, -20.0)))
    for stimulus in (silence(), tones(LEFT_HZ, RIGHT_HZ)):
        capture = played(stimulus, unit)
        part = settled(capture) if np.any(stimulus.samples) else slice(None)
        for values in volts(capture)[:, part]:
            found, _ = lines(values, capture.rate_hz, 1_000.0, 8_000.0, LEFT_HZ, RIGHT_HZ)
            levels = decibels(found[:2] / (4.0 * np.sqrt(2.0)))
            assert levels == pytest.approx([-100.0, -110.5], abs=0.02)
    assert np.max(np.abs(volts(played(silence(), unit)))) < 1e-4  # 150 kHz does not fold back


def test_shaped_noise_has_its_density():
    # |H|² = r¹² / (1 + r¹²): half at the corner, r¹² well below it.
    unit = ideal_unit(shaped_noise_db=-60.0, shaped_noise_hz=50_000.0)
    capture = played(silence(seconds=1.0), unit)
    left, right = volts(capture)
    for values in (left, right):
        for centre, expected in ((25_000.0, 6.0 * decibels(0.5)), (50_000.0, -3.0103), (85_000.0, -0.0074)):
            half = 0.02 * centre
            level = decibels(band_rms(values, 192_000, centre - half, centre + half) / 4.0)
            flat = -60.0 + 10.0 * np.log10(2.0 * half / 19_980.0)
            assert level - flat == pytest.approx(expected, abs=0.35)
    assert abs(np.corrcoef(left, right)[0, 1]) < 0.02


@pytest.mark.parametrize("frequency", [20.0, 100.0, 997.0])
def test_coupling_capacitor_is_a_first_order_high_pass(frequency):
    # |jf / (jf + fc)|; 2.2 µF into 10 kΩ is 7.234 Hz: −0.53 dB at 20 Hz.
    unit = ideal_unit(coupling_hz=7.234)
    capture = played(tones(frequency, seconds=2.0), unit, capture_rate_hz=48_000)
    values = volts(capture)[0, settled(capture, margin=0.8)]
    found, _ = lines(values, capture.rate_hz, frequency)
    expected = decibels(frequency / np.hypot(frequency, 7.234))
    assert decibels(found[0] / (4.0 * np.sqrt(2.0))) == pytest.approx(expected, abs=0.002)


def test_bit_errors_are_what_each_bit_is_worth():
    # Words written out: the top bit is worth −1, the next ones 1/2, 1/4 …, each with its error.
    levels = np.array([-0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75])
    held = np.repeat(levels, 4_000)
    stimulus = Stimulus((held * 2.0**31).astype(np.int32)[:, np.newaxis], 44_100, 24)
    errors = (0.02, -0.04, 0.08)
    capture = played(stimulus, ideal_unit(bit_errors=errors, start_seconds=(0.1, 0.1)), check="words")
    bits = {
        -0.75: (1, 0, 1), -0.5: (1, 1, 0), -0.25: (1, 1, 1), 0.0: (0, 0, 0), 0.25: (0, 0, 1), 0.5: (0, 1, 0),
        0.75: (0, 1, 1),
    }  # fmt: skip
    for index, level in enumerate(levels):
        middle = round((0.1 + (index + 0.5) * 4_000 / 44_100) * 192_000)
        seen = np.mean(volts(capture)[0, middle - 500 : middle + 500]) / (4.0 * np.sqrt(2.0))
        weights = np.array([-1.0, 0.5, 0.25]) * (1.0 + np.array(errors))
        assert seen == pytest.approx(np.array(bits[level]) @ weights, abs=1e-5)


def test_random_jitter_makes_noise_in_proportion_to_frequency():
    # The error is j(t) · ds/dt: its rms is 2πf · J re the tone's, spread over the unit's rate about the tone.
    unit = ideal_unit(jitter_random_ps=500.0)
    for frequency in (3_000.0, 12_000.0):
        capture = played(tones(frequency, rate=48_000), unit)
        values = volts(capture)[0, settled(capture)]
        tone, rest = lines(values, capture.rate_hz, frequency)
        level = band_rms(rest, capture.rate_hz, 0.0, 60_000.0) * np.sqrt(2.0) / abs(tone[0])
        assert decibels(level) == pytest.approx(decibels(2.0 * np.pi * frequency * 500e-12), abs=0.15)


def test_capture_clips_at_its_rails():
    capture = played(tones(LEFT_HZ, RIGHT_HZ, seconds=0.3), full_scale_volts=4.0)
    assert np.max(capture.samples) == 2**31 - 256
    assert np.min(capture.samples) == -(2**31)
    assert np.mean(np.abs(volts(capture)[0, settled(capture)]) > 3.999) > 0.3


@pytest.mark.parametrize("channels", [1, 2, 3, 8])
def test_any_number_of_channels(channels):
    frequencies = 500.0 + 100.0 * np.arange(channels)
    unit = SimulatedUnit(channel_gain_db=(0.0, -1.0), clock_ppm=0.0)
    capture = played(tones(*frequencies, seconds=0.3), unit)
    assert capture.channels == channels
    assert capture.full_scale_volts == (8.0,) * channels
    used = volts(capture)[:, settled(capture)]
    for index, frequency in enumerate(frequencies):
        found, _ = lines(used[index], capture.rate_hz, frequency)
        assert decibels(found[0] / (4.0 * np.sqrt(2.0))) == pytest.approx(-(index % 2), abs=1e-3)


def test_full_scale_must_be_known_for_every_channel():
    with pytest.raises(StationError, match="full_scale_volts has 3 entries"):
        played(silence(), full_scale_volts=(8.0, 8.0, 8.0))


def test_same_seed_check_and_attempt_give_the_same_capture():
    stimulus = tones(LEFT_HZ, RIGHT_HZ, seconds=0.2)
    first = played(stimulus).samples
    assert np.array_equal(first, played(stimulus).samples)
    assert np.array_equal(first, played(stimulus, serial="PR3-000001").samples)
    others = [
        played(stimulus, check="other").samples,
        played(stimulus, attempt=2).samples,
        played(stimulus, SimulatedUnit(seed=2)).samples,
    ]
    assert all(first.shape != other.shape or not np.array_equal(first, other) for other in others)


def test_a_capture_does_not_depend_on_what_was_played_before():
    stimulus = tones(LEFT_HZ, RIGHT_HZ, seconds=0.2)
    with SimulatedInterface() as interface:
        interface.play("other", stimulus)
        assert np.array_equal(interface.play("tone", stimulus).samples, played(stimulus).samples)


def test_serial_numbers_differ_by_the_spread():
    unit = SimulatedUnit(spread=1.0)
    units = [unit.of_serial(f"PR3-{number:06d}") for number in range(300)]
    assert units[7] == unit.of_serial("PR3-000007")
    assert len({one.noise_db for one in units}) == 300
    for values, mean, deviation in (
        ([one.clock_ppm for one in units], 12.0, 3.0),
        ([one.noise_db for one in units], -117.3, 0.4),
        ([one.channel_gain_db[1] for one in units], -0.03, 0.02),
        ([one.harmonics_db[0] for one in units], -118.0, 1.0),
        ([one.dc_offset_mv[0] for one in units], 0.6, 0.3),
    ):
        assert np.mean(values) == pytest.approx(mean, abs=4.0 * deviation / np.sqrt(300))
        assert np.std(values) == pytest.approx(deviation, rel=0.2)
    assert SimulatedUnit().of_serial("PR3-000007") == SimulatedUnit()


def test_serial_numbers_are_heard():
    unit = SimulatedUnit(spread=1.0)
    levels = set()
    for serial in ("PR3-000001", "PR3-000002"):
        capture = played(tones(LEFT_HZ, RIGHT_HZ, seconds=0.3), unit, serial=serial)
        levels.add(round(float(np.std(volts(capture)[0, settled(capture)])), 5))
    assert len(levels) == 2


@pytest.mark.parametrize(
    "table",
    [
        {"filter": "brickwall"},
        {"clock_ppm": "12"},
        {"clock_ppm": float("nan")},
        {"output_volts": 0.0},
        {"start_seconds": [0.3, 0.1]},
        {"harmonics_db": [-100.0] * 20},
        {"adc_bits": 20},
        {"lowpass_hz": 500.0},
        {"lowpass_q": 5.0},
        {"bit_errors": [2.0]},
        {"added_lines": [[1000.0]]},
        {"added_lines": [[0.0, -100.0]]},
        {"loudness": 1},
    ],
)
def test_impossible_units_are_refused(table):
    with pytest.raises(ValidationError):
        SimulatedUnit.model_validate(table)


def test_table_of_a_station_config_is_understood():
    unit = SimulatedUnit.model_validate(
        {
            "harmonics_db": [-90, -95.5],
            "start_seconds": [0, 1],
            "filter": "slow",
            "added_lines": [[1000, -100], [8000.0, -95.5]],
            "bit_errors": [0, 1e-6],
        }
    )
    assert unit.added_lines == ((1_000.0, -100.0), (8_000.0, -95.5))
    assert unit.bit_errors == (0.0, 1e-6)
    assert unit.harmonics_db == (-90.0, -95.5)
    assert unit.start_seconds == (0.0, 1.0)


def test_it_never_waits_out_the_audio(monkeypatch):
    monkeypatch.setattr(time, "sleep", lambda seconds: pytest.fail("it waits"))
    assert played(tones(LEFT_HZ, RIGHT_HZ, seconds=0.5)).seconds > 0.5


def test_describing_a_unit_loads_nothing_heavy():
    module = "linecheck.station.interfaces.simulated.unit"
    code = f"import sys, {module}; print('scipy' in sys.modules, 'numpy' in sys.modules)"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.split() == ["False", "False"]
