"""Marks: short coded sounds that tell, in a recording of a standalone source, which stimulus follows.

============================  =====================================================================================
:class:`MarkCode`             what a mark says
:func:`mark_signal`           a mark as it is played, in one channel
:func:`wake_tone`             its first part, of any length
:func:`encode`                its bits
:func:`decode`                what bits say, or that they say nothing
:func:`decode_channel`        in which channel they were played
============================  =====================================================================================

A mark is (seconds from its beginning)

=================  ===============================================================================================
0 … 0.2            a tone of 800 Hz, so that an output that mutes by itself has opened
0.22 … 0.32        the sync: a chirp from 500 Hz to 6 kHz. Its time-bandwidth product of 550 lifts it by 27 dB
                   above noise in the same band
0.34 … 1.0         82 bits, each a chirp of 8 ms over the same band: upwards for 1, downwards for 0
=================  ===============================================================================================

The bits are the same in all channels but for the last ten, which number the channel: so they are read from what any
channel carries, in any order, inverted, or as the sum of several. All lies below 8 kHz, so that a recording at any rate
from 16 kHz on holds it. Peak: -20 dBFS.
"""

from __future__ import annotations

import binascii
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linecheck.dsp.arrays import FloatArray

BitArray = NDArray[np.uint8]

WAKE_HZ = 800.0
WAKE_SECONDS = 0.2
SYNC_AT_SECONDS = 0.22
SYNC_SECONDS = 0.1
PAYLOAD_AT_SECONDS = 0.34
BIT_SECONDS = 0.008
LOW_HZ, HIGH_HZ = 500.0, 6000.0
#: Peak amplitude of every part: -20 dB re full scale.
AMPLITUDE = 0.1
#: Everything begins and ends along a raised cosine so long.
EDGE_SECONDS = 0.0015
WAKE_EDGE_SECONDS = 0.01

#: A recording at a lower rate does not hold the marks.
LOWEST_RATE_HZ = 16_000

#: The rates that a mark can name, by their number in it.
RATES_HZ = (
    22_050, 24_000, 32_000, 44_100, 48_000, 64_000, 88_200, 96_000,
    128_000, 176_400, 192_000, 352_800, 384_000, 705_600, 768_000, 1_536_000,
)  # fmt: skip

FORMAT = 1
MAX_SEGMENTS = 1000
MAX_CHANNELS = 32
_CHANNEL_BITS = 5
_CRC_BITS = 16
#: Format 3, programme 24, rate 4, word length less one 5, segment 10, segments 10, and their checksum.
_FIELDS = (3, 24, 4, 5, 10, 10)
CODE_BITS = sum(_FIELDS) + _CRC_BITS
BITS = CODE_BITS + 2 * _CHANNEL_BITS
MARK_SECONDS = PAYLOAD_AT_SECONDS + BITS * BIT_SECONDS


@dataclass(frozen=True)
class MarkCode:
    """What a mark says of the segment that it opens.

    Attributes
    ----------
    programme : int
        24 bits that identify all that its programme plays.
    rate_hz : int
        One of :data:`RATES_HZ`.
    bits : int
        Word length of the programme, 1 to 32.
    segment : int
        Its number, from 0.
    segments : int
        How many the programme has.
    """

    programme: int
    rate_hz: int
    bits: int
    segment: int
    segments: int


def encode(code: MarkCode, channel: int) -> BitArray:
    """Return the bits of a mark, shape (BITS,), each 0 or 1.

    Raises
    ------
    ValueError
        Something in it is out of range.
    """
    if code.rate_hz not in RATES_HZ:
        raise ValueError(f"a mark cannot name a rate of {code.rate_hz} Hz")
    if not (0 <= code.programme < 2**24 and 1 <= code.bits <= 32 and 0 <= channel < MAX_CHANNELS):
        raise ValueError("programme, word length or channel are out of range")
    if not (0 <= code.segment < MAX_SEGMENTS and 1 <= code.segments <= MAX_SEGMENTS):
        raise ValueError(f"a programme has at most {MAX_SEGMENTS} segments")
    rate = RATES_HZ.index(code.rate_hz)
    values = (FORMAT, code.programme, rate, code.bits - 1, code.segment, code.segments)
    word = 0
    for value, width in zip(values, _FIELDS, strict=True):
        word = word << width | value
    fields = _bits_of(word, sum(_FIELDS))
    number = _bits_of(channel, _CHANNEL_BITS)
    return np.concatenate((fields, _bits_of(_checksum(fields), _CRC_BITS), number, 1 - number))


def decode(bits: BitArray) -> MarkCode | None:
    """Return what a mark's bits say; None where their checksum is wrong, or they say what cannot be.

    Parameters
    ----------
    bits : uint8 array, shape (BITS,) or (CODE_BITS,)
    """
    fields = bits[: sum(_FIELDS)]
    if _checksum(fields) != _number_of(bits[len(fields) : CODE_BITS]):
        return None
    values = [_number_of(part) for part in np.split(fields, np.cumsum(_FIELDS)[:-1])]
    known, programme, rate, word_length, segment, segments = values
    if known != FORMAT or segment >= MAX_SEGMENTS or not 1 <= segments <= MAX_SEGMENTS:
        return None
    return MarkCode(programme, RATES_HZ[rate], word_length + 1, segment, segments)


def decode_channel(bits: BitArray) -> int | None:
    """Return the channel that a mark was played in; None where its bits contradict each other."""
    number, inverse = bits[CODE_BITS : CODE_BITS + _CHANNEL_BITS], bits[CODE_BITS + _CHANNEL_BITS : BITS]
    return _number_of(number) if np.all(number != inverse) else None


def _checksum(fields: BitArray) -> int:
    """Return the CRC-16 of some bits: polynomial 0x1021, all ones to begin with, of whole bytes."""
    return binascii.crc_hqx(np.packbits(fields).tobytes(), 0xFFFF)


def _bits_of(value: int, width: int) -> BitArray:
    return np.array([value >> place & 1 for place in reversed(range(width))], dtype=np.uint8)


def _number_of(bits: BitArray) -> int:
    return int("".join("1" if bit else "0" for bit in bits), 2)


def chirp(rate_hz: float, seconds: float, *, falling: bool = False) -> FloatArray:
    """Return a linear chirp from 500 Hz to 6 kHz, or down, of peak 1, that begins with its first frame.

    Parameters
    ----------
    rate_hz : float
    seconds : float
    falling : bool
    """
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    low, high = (HIGH_HZ, LOW_HZ) if falling else (LOW_HZ, HIGH_HZ)
    cycles = low * time + 0.5 * (high - low) / seconds * time**2
    return np.asarray(np.sin(2.0 * np.pi * cycles) * _edges(time, seconds, EDGE_SECONDS))


def _edges(time: FloatArray, seconds: float, edge: float) -> FloatArray:
    """Return 1 inside, falling to 0 at both ends of a stretch along a raised cosine."""
    inside = np.clip(np.minimum(time, seconds - time) / edge, 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * inside))


def mark_signal(code: MarkCode, channel: int, rate_hz: int) -> FloatArray:
    """Return a mark in one channel, full scale 1.0, shape (frames,).

    Raises
    ------
    ValueError
        The code or the channel cannot be written in a mark.
    """
    signal = np.zeros(round(MARK_SECONDS * rate_hz) + 1)
    _add(signal, _wake(rate_hz, WAKE_SECONDS), 0.0, rate_hz)
    _add(signal, chirp(rate_hz, SYNC_SECONDS), SYNC_AT_SECONDS, rate_hz)
    chirps = [chirp(rate_hz, BIT_SECONDS, falling=falling) for falling in (True, False)]
    for place, bit in enumerate(encode(code, channel)):
        _add(signal, chirps[bit], PAYLOAD_AT_SECONDS + place * BIT_SECONDS, rate_hz)
    return AMPLITUDE * signal


def wake_tone(rate_hz: int, seconds: float) -> FloatArray:
    """Return the tone that opens an output which mutes by itself, shape (frames,)."""
    return AMPLITUDE * _wake(rate_hz, seconds)


def _wake(rate_hz: int, seconds: float) -> FloatArray:
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    return np.asarray(np.sin(2.0 * np.pi * WAKE_HZ * time) * _edges(time, seconds, WAKE_EDGE_SECONDS))


def _add(signal: FloatArray, part: FloatArray, seconds: float, rate_hz: int) -> None:
    start = round(seconds * rate_hz)
    signal[start : start + len(part)] += part
