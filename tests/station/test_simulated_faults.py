"""Every fault does visibly what its name says, and nothing else."""

from functools import cache

import numpy as np
import pytest
from ideal_unit import ideal_unit

from linecheck.checks.base import Stimulus
from linecheck.errors import StationError, UsageError
from linecheck.station.interfaces.simulated.faults import FAULTS, find_faults
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

NAMES = sorted(fault.name for fault in FAULTS)

LEFT_HZ, RIGHT_HZ = 997.0, 1_499.0
BLOCKS = {256, 441, 480, 512, 1024}


def decibels(ratio):
    return 20.0 * np.log10(np.abs(ratio))


def stimulus_of(values, rate=44_100):
    return Stimulus(np.round(values * (2.0**23 - 1.0)).astype(np.int32) * 256, rate, 24)


def tones(left=LEFT_HZ, right=RIGHT_HZ, rate=44_100, seconds=0.5, level=0.999):
    angle = 2.0 * np.pi * np.outer(np.arange(int(rate * seconds)), (left, right)) / rate
    return stimulus_of(level * np.cos(angle), rate)


def play(fault, stimulus=None, unit=None, **keywords):
    faults = (fault,) if fault else ()
    with SimulatedInterface(unit, faults=faults, **keywords) as interface:
        return interface.play("tone", tones() if stimulus is None else stimulus)


def volts(capture):
    return capture.samples.T * 2.0**-31 * np.array(capture.full_scale_volts)[:, np.newaxis]


def settled(capture):
    """The inside of the stimulus, by the left channel's loudness."""
    loud = np.flatnonzero(np.abs(volts(capture)[0]) > 0.5)
    return volts(capture)[:, loud[0] + 8_000 : loud[-1] - 8_000]


def amplitudes(values, *frequencies, ppm=12.0, rate=192_000):
    """Complex amplitudes by least squares, and what is left."""
    turn = 2.0 * np.pi * (1.0 + ppm * 1e-6) / rate
    angle = turn * np.outer(np.arange(len(values)), frequencies)
    table = np.concatenate((np.cos(angle), np.sin(angle), np.ones((len(values), 1))), axis=1)
    fitted = np.linalg.lstsq(table, values, rcond=None)[0]
    count = len(frequencies)
    return fitted[:count] - 1j * fitted[count : 2 * count], values - table @ fitted


def band_rms(values, low=200.0, high=20_000.0, rate=192_000):
    window = np.hanning(len(values))
    power = np.abs(np.fft.rfft(values * window)) ** 2 * 2.0 / (len(values) * np.sum(window**2))
    frequency = np.fft.rfftfreq(len(values), 1.0 / rate)
    return float(np.sqrt(np.sum(power[(frequency >= low) & (frequency <= high)])))


@pytest.fixture(scope="module")
def clean():
    return play(None)


@cache
def twice(unit, *faults):
    """What the second of two plays comes to."""
    with SimulatedInterface(unit, faults=faults, capture_rate_hz=48_000) as interface:
        try:
            return [interface.play("tone", tones(seconds=0.1)) for _ in range(2)][1]
        except StationError as error:
            return str(error)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("unit", [SimulatedUnit(), ideal_unit()], ids=["default", "ideal"])
def test_every_fault_changes_what_is_captured_and_does_it_again(name, unit):
    healthy, faulty, again = twice(unit), twice(unit, name), twice.__wrapped__(unit, name)
    if isinstance(faulty, str):
        assert faulty == again
        return
    assert np.array_equal(faulty.samples, again.samples, equal_nan=name == "non_finite")
    assert not np.array_equal(healthy.samples, faulty.samples)


def test_every_fault_is_described_in_a_line_of_plain_words():
    assert len(set(NAMES)) == len(FAULTS) >= 24
    assert all(
        10 < len(text) < 100 and "\n" not in text and "_" not in text for text in (f.text for f in FAULTS)
    )


def test_without_a_fault_all_is_well(clean):
    left, right = settled(clean)
    of_left, _ = amplitudes(left, LEFT_HZ, RIGHT_HZ)
    of_right, _ = amplitudes(right, LEFT_HZ, RIGHT_HZ)
    assert decibels(of_left[1] / of_left[0]) < -100.0
    assert decibels(of_right[0] / of_right[1]) < -100.0
    assert clean.events == ()


def test_swapped_channels():
    left, right = settled(play("swapped_channels"))
    of_left, _ = amplitudes(left, LEFT_HZ, RIGHT_HZ)
    of_right, _ = amplitudes(right, LEFT_HZ, RIGHT_HZ)
    assert decibels(of_left[0] / of_left[1]) < -100.0
    assert decibels(of_right[1] / of_right[0]) < -100.0


@pytest.mark.parametrize(
    ("name", "signs"), [("inverted_polarity", (-1, -1)), ("inverted_polarity_right", (1, -1))]
)
def test_inverted_polarity(name, signs, clean):
    inverted, straight = volts(play(name)), volts(clean)
    for index, sign in enumerate(signs):
        slope = np.dot(inverted[index], straight[index]) / np.dot(straight[index], straight[index])
        assert slope == pytest.approx(sign, abs=1e-5)


def test_dead_channel_keeps_its_noise(clean):
    left, right = settled(play("dead_channel"))
    found, _ = amplitudes(right, RIGHT_HZ)
    assert abs(found[0]) < 1e-5
    assert 2e-6 < band_rms(right) < 2e-5
    assert np.array_equal(left, settled(clean)[0]) or np.std(left - settled(clean)[0]) < 1e-5


def test_missing_leg_is_6_db_low_with_hum_and_noise_up(clean):
    faulty, healthy = settled(play("missing_leg")), settled(clean)
    readings = []
    for values in (faulty[1], healthy[1]):
        tone, rest = amplitudes(values, RIGHT_HZ, *(RIGHT_HZ * np.arange(2, 6)))
        hum, _ = amplitudes(rest, 50.02, ppm=0.0)
        readings.append((abs(tone[0]), abs(hum[0]), band_rms(rest, 7_000.0, 20_000.0)))
    (tone, hum, noise), (good_tone, good_hum, good_noise) = readings
    assert decibels(tone / good_tone) == pytest.approx(-6.0206, abs=0.001)
    assert decibels(hum / good_hum) > 40.0
    assert decibels(noise / good_noise) > 2.0
    assert np.std(faulty[0] - healthy[0]) < 1e-4


def test_hum():
    for values in settled(play("hum")):
        tone, rest = amplitudes(values, LEFT_HZ, RIGHT_HZ)
        found, _ = amplitudes(rest, 50.02, 100.04, 150.06, 200.08, 250.1, ppm=0.0)
        assert decibels(found[:3] / np.max(np.abs(tone))) == pytest.approx([-70.0, -82.0, -76.0], abs=0.2)


def test_wrong_filter_rolls_off_and_lets_an_image_through():
    stimulus = tones(18_000.0, 18_000.0)
    frequencies = (18_000.0, 26_100.0, 62_100.0, 70_200.0)
    good, _ = amplitudes(settled(play(None, stimulus))[0], *frequencies)
    wrong, _ = amplitudes(settled(play("wrong_filter", stimulus))[0], *frequencies)
    assert decibels(wrong[0] / good[0]) == pytest.approx(-2.64, abs=0.01)
    assert decibels(good[1] / good[0]) < -100.0
    assert decibels(wrong[1] / wrong[0]) > -12.0
    slow = play("wrong_filter", stimulus, SimulatedUnit(filter="slow"))
    assert decibels(amplitudes(settled(slow)[0], *frequencies)[0][0] / good[0]) == pytest.approx(
        0.0, abs=0.001
    )


def test_noisy(clean):
    for noisy, healthy in zip(settled(play("noisy")), settled(clean), strict=True):
        noise, normal = (
            band_rms(amplitudes(values, LEFT_HZ, RIGHT_HZ)[1], 8_000.0, 20_000.0)
            for values in (noisy, healthy)
        )
        assert decibels(noise / normal) == pytest.approx(19.8, abs=0.5)


def test_distorting():
    for values, frequency in zip(settled(play("distorting")), (LEFT_HZ, RIGHT_HZ), strict=True):
        found, _ = amplitudes(values, *(frequency * np.arange(1, 6)))
        assert decibels(found[1:3] / found[0]) == pytest.approx([-85.0, -75.0], abs=0.05)


def test_rising_distortion_hides_from_a_low_tone():
    ideal = ideal_unit()
    for frequency, expected in ((10_000.0, -70.0), (5_000.0, -88.06), (997.0, -130.08)):
        found, _ = amplitudes(
            settled(play("rising_distortion", tones(frequency, frequency), ideal))[0],
            frequency,
            3.0 * frequency,
            ppm=0.0,
        )
        level = expected + 2.0 * decibels(0.999)
        assert decibels(found[1] / found[0]) == pytest.approx(level, abs=0.05)


def test_missing_filter_leaves_images_of_everything():
    found, _ = amplitudes(
        settled(play("missing_filter", tones(5_000.0, 5_000.0)))[0], 5_000.0, 39_100.0, 49_100.0
    )
    assert decibels(found / (0.999 * 4.0 * np.sqrt(2.0))) == pytest.approx(
        [-0.1841, -18.05, -20.03], abs=0.02
    )


def test_one_bit_noise_stays_out_of_the_audio_band(clean):
    _, healthy = amplitudes(settled(clean)[0], LEFT_HZ, RIGHT_HZ)
    _, faulty = amplitudes(settled(play("one_bit_noise"))[0], LEFT_HZ, RIGHT_HZ)
    assert decibels(band_rms(faulty, 200.0, 15_000.0) / band_rms(healthy, 200.0, 15_000.0)) < 0.1
    octaves = [band_rms(faulty, low, 2.0 * low) for low in (20_000.0, 40_000.0)]
    assert decibels(octaves[1] / octaves[0]) > 20.0
    # −60 dB within 20 kHz ahead of r¹² / (1 + r¹²), r = f / 60 kHz.
    ratio = (np.arange(20_000.0, 86_000.0) / 60_000.0) ** 12
    expected = -60.0 + 10.0 * np.log10(np.sum(ratio / (1.0 + ratio)) / 19_980.0)
    assert decibels(band_rms(faulty, 20_000.0, 86_000.0) / 4.0) == pytest.approx(expected, abs=0.1)


def test_bit_weight_shrinks_what_is_faint():
    # A step of −e at every zero crossing takes (2/π) e off the amplitude of a sine.
    for level_db in (-60.0, -100.0, -110.0):
        level = 10.0 ** (level_db / 20.0)
        with SimulatedInterface(ideal_unit(), faults=("bit_weight",)) as interface:
            capture = interface.play("tone", tones(level=level))
        used = volts(capture)[:, 80_000:120_000]
        found, _ = amplitudes(used[0], LEFT_HZ, ppm=0.0)
        expected = level - 2.0 / np.pi * 1e-6
        assert abs(found[0]) / (4.0 * np.sqrt(2.0)) == pytest.approx(expected, abs=3e-8)


@pytest.mark.parametrize(
    ("name", "frequency", "level_db"),
    [
        ("coupling_capacitor", 20.0, -0.53),
        ("coupling_capacitor", 997.0, 0.0),
        ("treble_droop", 20_000.0, -0.915),
        ("treble_droop", 997.0, -0.0024),
        ("treble_peak", 20_000.0, 0.80),
        ("deemphasis", 20_000.0, -9.489),
        ("deemphasis", 997.0, -0.368),
    ],
)
def test_wrong_parts_bend_the_response(name, frequency, level_db):
    capture = play(name, tones(frequency, frequency, seconds=1.5))
    loud = np.flatnonzero(np.abs(volts(capture)[0]) > 0.5)
    used = volts(capture)[0, loud[0] + 100_000 : loud[-1] - 8_000]
    found, _ = amplitudes(used, frequency)
    assert decibels(found[0] / (0.999 * 4.0 * np.sqrt(2.0))) == pytest.approx(level_db, abs=0.01)


def test_clock_jitter_supply_ripple_and_frame_noise_have_their_lines():
    stimulus, unit = tones(11_025.0, 11_025.0, seconds=1.0), ideal_unit()
    places = (11_025.0, 3_025.0, 19_025.0, 10_925.0, 11_125.0)
    jitter, _ = amplitudes(settled(play("clock_jitter", stimulus, unit))[0], *places, ppm=0.0)
    # 20 lg(π f J): 30 ps of 11 025 Hz.
    assert decibels(jitter[1:3] / jitter[0]) == pytest.approx([-119.67, -119.67], abs=0.1)
    ripple, _ = amplitudes(settled(play("supply_ripple", stimulus, unit))[0], *places, ppm=0.0)
    assert decibels(ripple[3:] / ripple[0]) == pytest.approx([-126.02, -126.02], abs=0.1)
    lines = (1_000.0, 8_000.0, 11_025.0)
    frames, _ = amplitudes(settled(play("frame_noise", stimulus, unit))[0], *lines, ppm=0.0)
    assert decibels(frames[:2] / (4.0 * np.sqrt(2.0))) == pytest.approx([-134.0, -124.0], abs=0.2)


def test_crosstalk_is_40_db_more():
    for name, level_db in ((None, -126.0), ("crosstalk", -86.0)):
        left, _ = amplitudes(settled(play(name))[0], LEFT_HZ, RIGHT_HZ)
        assert decibels(left[1] / left[0]) == pytest.approx(level_db, abs=0.7)


@pytest.mark.parametrize(
    ("name", "rate", "ratio"),
    [
        ("off_frequency_clock", 44_100, (1.0 + 12e-6) * (1.0 + 220e-6)),
        ("wrong_rate", 44_100, (1.0 + 12e-6) * 48.0 / 44.1),
        ("wrong_rate", 88_200, (1.0 + 12e-6) * 48.0 / 44.1),
        ("wrong_rate", 48_000, (1.0 + 12e-6) * 44.1 / 48.0),
    ],
)
def test_clock_faults_scale_every_frequency_and_the_duration(name, rate, ratio):
    capture = play(name, tones(rate=rate))
    tone, rest = amplitudes(settled(capture)[0], LEFT_HZ * ratio, ppm=0.0)
    assert np.std(rest) < 1e-4 * abs(tone[0])
    loud = np.flatnonzero(np.abs(volts(capture)[0]) > 0.5)
    assert (loud[-1] - loud[0]) / 192_000 == pytest.approx(0.5 / ratio, abs=0.001)


def test_dropout_loses_one_block_without_a_word(clean):
    faulty, healthy = play("dropout"), clean.samples
    lost = clean.frames - faulty.frames
    assert lost in BLOCKS
    assert faulty.events == ()
    where = int(np.flatnonzero(np.any(faulty.samples != healthy[: faulty.frames], axis=1))[0])
    assert np.array_equal(faulty.samples[where:], healthy[where + lost :])
    assert np.abs(volts(clean)[0, where - 500 : where + 500]).max() > 1.0


def test_repeated_block_has_one_block_twice_without_a_word(clean):
    faulty, healthy = play("repeated_block"), clean.samples
    assert faulty.frames == clean.frames
    assert faulty.events == ()
    changed = np.flatnonzero(np.any(faulty.samples != healthy, axis=1))
    first, last = int(changed[0]), int(changed[-1])
    length = min(size for size in BLOCKS if size >= last + 1 - first)
    assert np.array_equal(faulty.samples[first : last + 1], healthy[first - length : last + 1 - length])


def test_clipping_is_the_captures(clean):
    faulty = play("clipping")
    for channel in range(2):
        top = 2**31 - 256
        assert np.sum(faulty.samples[:, channel] == top) > 1_000
        assert np.sum(faulty.samples[:, channel] == -(2**31)) > 1_000
    assert np.max(np.abs(clean.samples.astype(np.int64))) < 2**31 - 256


def test_output_clipping_is_the_units_own():
    faulty = play("output_clipping")
    assert np.max(np.abs(faulty.samples.astype(np.int64))) < 0.75 * 2**31
    used = settled(faulty)[0]
    rail = 0.8 * 4.0 * np.sqrt(2.0)
    assert np.mean(np.abs(np.abs(used) - rail) < 0.05 * rail) > 0.35
    found, _ = amplitudes(used, LEFT_HZ, 3.0 * LEFT_HZ)
    assert decibels(found[1] / found[0]) > -30.0


def test_stuck_low_bits_leave_16_bits():
    # Undithered quantising to 16 bits: 6.0206 · 16 + 1.76 = 98.1 dB in full band, 98.5 dB in 20 kHz.
    unit = ideal_unit()
    values = settled(play("stuck_low_bits", unit=unit))[0]
    tone, rest = amplitudes(values, LEFT_HZ, ppm=0.0)
    sinad = decibels(tone[0] / np.sqrt(2.0) / band_rms(rest, 20.0))
    assert sinad == pytest.approx(98.5, abs=1.0)
    # A tone below half a step of 16 bits, positive always, is gone.
    faint = stimulus_of(2e-5 + tones(level=5e-6).samples / 2.0**31)
    with SimulatedInterface(unit, faults=("stuck_low_bits",)) as interface:
        gone = interface.play("tone", faint)
    assert np.max(np.abs(volts(gone))) < 1e-8


def test_channel_delay_is_one_sample_of_the_units():
    left, right = settled(play("channel_delay", tones(5_000.0, 5_000.0)))
    of_left, of_right = amplitudes(left, 5_000.0)[0][0], amplitudes(right, 5_000.0)[0][0]
    assert np.angle(of_left / of_right, deg=True) == pytest.approx(360.0 * 5_000.0 / 44_100.0, abs=0.01)


def test_mono():
    for values in settled(play("mono")):
        found, _ = amplitudes(values, LEFT_HZ, RIGHT_HZ)
        assert decibels(found / (0.999 * 4.0 * np.sqrt(2.0))) == pytest.approx([-6.02, -6.02], abs=0.05)


def test_crackle_is_in_the_right_channel():
    left, right = settled(play("crackle"))
    _, rest_left = amplitudes(left, LEFT_HZ)
    _, rest_right = amplitudes(right, RIGHT_HZ)
    assert np.max(np.abs(rest_left)) < 0.001
    assert np.max(np.abs(rest_right)) > 0.02
    assert np.mean(np.abs(rest_right) > 0.02) < 0.1


def test_silence_is_bit_exact_and_not_playing_is_not(clean):
    muted, idle = play("silence"), play("not_playing")
    assert muted.samples.shape == idle.samples.shape == clean.samples.shape
    assert not np.any(muted.samples)
    for values in volts(idle):
        assert 1e-6 < np.std(values) < 1e-4
        assert np.max(np.abs(values)) < 1e-3


def test_cut_short(clean):
    faulty = play("cut_short")
    assert np.array_equal(faulty.samples, clean.samples[: faulty.frames])
    loud = np.flatnonzero(np.abs(volts(clean)[0]) > 0.5)
    assert loud[0] + 0.5 * (loud[-1] - loud[0]) < faulty.frames < loud[-1]


def test_non_finite():
    faulty = play("non_finite")
    assert faulty.samples.dtype == np.float32
    assert faulty.bits is None
    assert np.any(np.isnan(faulty.samples))
    assert np.any(np.isinf(faulty.samples))
    assert np.mean(np.isfinite(faulty.samples)) > 0.999


def test_overrun_and_underrun_are_reported(clean):
    over = play("overrun")
    assert [event.code for event in over.events] == ["overrun"]
    assert 0.0 < over.events[0].seconds < over.seconds
    assert clean.frames - over.frames in BLOCKS
    under = play("underrun")
    assert [event.code for event in under.events] == ["underrun"]
    at = int(under.events[0].seconds * 192_000)
    assert under.frames == clean.frames
    assert np.max(np.abs(volts(under)[:, at + 300 : at + 1_700])) < 0.01


def test_station_is_lost_at_the_second_check_and_back_in_the_next_run():
    interface = SimulatedInterface(faults=("station_lost",))
    for _ in range(2):
        with interface:
            assert interface.play("tone", tones(seconds=0.1)).frames > 0
            with pytest.raises(StationError, match="Check its cable"):
                interface.play("quiet", tones(seconds=0.1))


def test_a_fault_leaves_noise_and_delay_as_they_were(clean):
    faulty = volts(play("dead_channel"))[1]
    loud = np.flatnonzero(np.abs(volts(clean)[0]) > 0.01)[0] - 200
    assert np.array_equal(faulty[:loud], volts(clean)[1, :loud])


def test_faults_combine():
    capture = play(None, unit=SimulatedUnit(), serial=None)
    with SimulatedInterface(
        faults=("swapped_channels", "inverted_polarity", "cut_short", "dropout")
    ) as interface:
        both = interface.play("tone", tones())
    assert both.frames < capture.frames
    found, _ = amplitudes(settled(both)[0][:8_000], RIGHT_HZ)
    assert abs(found[0]) == pytest.approx(4.0 * np.sqrt(2.0), rel=0.01)
    assert interface.identity["faults"] == "swapped_channels, inverted_polarity, cut_short, dropout"


@pytest.mark.parametrize("name", NAMES)
def test_one_channel_bears_every_fault(name):
    stimulus = stimulus_of(0.5 * np.cos(2.0 * np.pi * 0.02 * np.arange(2_000))[:, np.newaxis])
    capture = play(name, stimulus)
    assert capture.channels == 1


def test_names_are_parsed_and_unknown_ones_refused():
    assert [fault.name for fault in find_faults(["hum, noisy", "mono"], FAULTS)] == ["hum", "noisy", "mono"]
    assert find_faults([""], FAULTS) == ()
    with pytest.raises(UsageError, match=r"no fault named 'humm'.*dead_channel.*wrong_rate"):
        find_faults(["hum,humm"], FAULTS)
    with pytest.raises(UsageError):
        SimulatedInterface(faults=("x" * 10_000,))
