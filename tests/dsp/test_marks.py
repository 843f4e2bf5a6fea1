"""Marks: what they say is read back, and nothing else is."""

import binascii

import numpy as np
import pytest
import soxr
from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.dsp.locating.mark_search import PayloadReader, SyncFinder
from linecheck.dsp.locating.marks import (
    BITS,
    CODE_BITS,
    HIGH_HZ,
    LOW_HZ,
    MARK_SECONDS,
    MAX_CHANNELS,
    MAX_SEGMENTS,
    RATES_HZ,
    SYNC_AT_SECONDS,
    SYNC_SECONDS,
    MarkCode,
    chirp,
    decode,
    decode_channel,
    encode,
    mark_signal,
)

CODES = st.builds(
    MarkCode,
    programme=st.integers(0, 2**24 - 1),
    rate_hz=st.sampled_from(RATES_HZ),
    bits=st.integers(1, 32),
    segment=st.integers(0, MAX_SEGMENTS - 1),
    segments=st.integers(1, MAX_SEGMENTS),
)
CODE = MarkCode(0xA5C3F0, 44_100, 16, 7, 14)


def test_the_checksum_is_the_catalogued_one():
    # "CRC-16/CCITT-FALSE" (also IBM-3740) of the nine digits, in the public catalogue of parametrised CRC algorithms;
    # from memory. The polynomial is ITU-T V.41's, 0x1021.
    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1
    fields = encode(CODE, 0)[: CODE_BITS - 16]
    checksum = int("".join(map(str, encode(CODE, 0)[CODE_BITS - 16 : CODE_BITS])), 2)
    register = 0xFFFF
    for bit in fields:  # by long division, bit by bit
        register ^= int(bit) << 15
        register = (register << 1 ^ 0x1021) & 0xFFFF if register & 0x8000 else register << 1
    assert checksum == register


@given(code=CODES, channel=st.integers(0, MAX_CHANNELS - 1))
def test_what_is_written_is_read_back(code, channel):
    bits = encode(code, channel)
    assert bits.shape == (BITS,)
    assert decode(bits) == code
    assert decode_channel(bits) == channel


@given(code=CODES, wrong=st.sets(st.integers(0, CODE_BITS - 1), min_size=1, max_size=3))
def test_one_two_or_three_wrong_bits_are_always_noticed(code, wrong):
    # A CRC-16 of this polynomial has a Hamming distance of 4 up to 32751 bits (Koopman and Chakravarty 2004, from
    # memory).
    bits = encode(code, 3)
    bits[list(wrong)] ^= 1
    assert decode(bits) is None


@given(wrong=st.integers(0, 9), channel=st.integers(0, MAX_CHANNELS - 1))
def test_a_wrong_bit_in_the_channel_s_number_names_no_other_channel(wrong, channel):
    bits = encode(CODE, channel)
    bits[CODE_BITS + wrong] ^= 1
    assert decode_channel(bits) is None
    assert decode(bits) == CODE


@pytest.mark.parametrize(
    ("code", "channel"),
    [
        (MarkCode(2**24, 44_100, 16, 0, 1), 0),
        (MarkCode(0, 44_101, 16, 0, 1), 0),
        (MarkCode(0, 44_100, 33, 0, 1), 0),
        (MarkCode(0, 44_100, 16, MAX_SEGMENTS, 1), 0),
        (MarkCode(0, 44_100, 16, 0, MAX_SEGMENTS + 1), 0),
        (CODE, MAX_CHANNELS),
    ],
)
def test_what_a_mark_cannot_say_is_refused(code, channel):
    with pytest.raises(ValueError, match=r"mark|programme"):
        encode(code, channel)


@pytest.mark.parametrize("rate_hz", RATES_HZ[:11])
def test_a_mark_is_quiet_and_lies_below_8_kilohertz(rate_hz):
    signal = mark_signal(CODE, 1, rate_hz)
    assert len(signal) == pytest.approx(MARK_SECONDS * rate_hz, abs=2)
    assert np.max(np.abs(signal)) <= 0.1
    power = np.abs(np.fft.rfft(signal)) ** 2
    above = np.fft.rfftfreq(len(signal), 1.0 / rate_hz) > 8_000.0
    assert np.sum(power[above]) < 1e-4 * np.sum(power)


def test_the_sync_s_time_bandwidth_product_is_what_lifts_it_out_of_noise():
    assert SYNC_SECONDS * (HIGH_HZ - LOW_HZ) >= 400.0
    # Its instantaneous frequency, from the zero crossings: from the lowest to the highest, in a straight line.
    sync = chirp(192_000, SYNC_SECONDS)
    crossings = np.flatnonzero(np.diff(np.signbit(sync[300:-300]))) + 300
    middle = 0.5 * (crossings[1:] + crossings[:-1]) / 192_000
    frequency = 0.5 * 192_000 / np.diff(crossings)
    slope, start = np.polyfit(middle, frequency, 1)
    assert slope == pytest.approx((HIGH_HZ - LOW_HZ) / SYNC_SECONDS, rel=0.01)
    assert start == pytest.approx(LOW_HZ, abs=20.0)


def search(samples, rate_hz):
    """Return what is found in a short recording: (frame, amplitude, payload) each."""
    finder, reader = SyncFinder(rate_hz), PayloadReader(rate_hz)
    block = np.zeros(finder.frames, dtype=np.float32)
    block[finder.first : finder.first + len(samples)] = samples
    found = []
    for sync in finder.find(block):
        first = round(sync.frame)
        part = np.zeros(reader.frames, dtype=np.float32)
        part[: len(block) - first - reader.before] = block[first + reader.before :][: reader.frames]
        payload = reader.read(part, sync.frame - first)
        found.append((sync.frame - finder.first, sync.amplitude, payload))
    return found


@settings(max_examples=15)
@given(
    rate_hz=st.sampled_from([22_050, 44_100, 48_000, 96_000, 192_000]),
    recorder_hz=st.sampled_from([16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000]),
    ppm=st.floats(-1000.0, 1000.0),
    gain=st.sampled_from([1.0, -1.0, 0.1, -0.03]),
    noise_dbfs=st.sampled_from([-50.0, -60.0, -120.0]),
    channel=st.integers(0, 31),
    seed=st.integers(0, 99),
)
def test_a_mark_is_found_and_read_at_any_rate(rate_hz, recorder_hz, ppm, gain, noise_dbfs, channel, seed):
    generator = np.random.default_rng(seed)
    before = round(generator.uniform(0.2, 0.5) * rate_hz)
    code = MarkCode(int(generator.integers(2**24)), rate_hz, 24, int(generator.integers(1000)), 1000)
    played = np.concatenate((np.zeros(before), mark_signal(code, channel, rate_hz), np.zeros(rate_hz // 5)))
    clock_hz = rate_hz * (1.0 + 1e-6 * ppm)
    samples = gain * soxr.resample(played, clock_hz, recorder_hz, quality="VHQ")
    # Noise of so many dB re a full-scale sine, but 10 dB or more below the mark.
    deviation = 10.0 ** (noise_dbfs / 20.0) / np.sqrt(2.0)
    samples += generator.standard_normal(len(samples)) * min(deviation, 0.07 * abs(gain) * 0.3)
    ((frame, amplitude, payload),) = search(samples, recorder_hz)
    assert frame / recorder_hz == pytest.approx((before + SYNC_AT_SECONDS * rate_hz) / clock_hz, abs=2e-4)
    assert amplitude == pytest.approx(0.1 * abs(gain), rel=0.1)
    assert payload.code == code
    assert payload.channel == channel
    assert payload.polarity == np.sign(gain)
    assert not payload.mixed


def test_two_channels_at_once_are_read_and_known_as_such():
    left, right = (mark_signal(CODE, channel, 48_000) for channel in (0, 1))
    ((_, _, payload),) = search(0.5 * (left + right), 48_000)
    assert payload.code == CODE
    assert payload.mixed


@pytest.mark.parametrize("seed", range(4))
def test_noise_holds_no_mark(seed):
    generator = np.random.default_rng(seed)
    assert search(0.3 * generator.standard_normal(8 * 48_000 - 4_000), 48_000) == []


@pytest.mark.parametrize("silent", [0, 1])
def test_what_ends_or_begins_at_full_level_is_no_mark(silent):
    time = np.arange(3 * 48_000) / 48_000
    samples = 0.9 * np.sin(2.0 * np.pi * 2_997.0 * time)
    samples[48_000:][: silent * 48_000] = 0.0
    samples += 1e-6 * np.random.default_rng(1).standard_normal(len(samples))
    assert search(samples, 48_000) == []
