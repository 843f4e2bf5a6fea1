"""What the headers of WAV and FLAC files say, read and written byte by byte.

The file library reads what is there and says nothing of what is missing, and its float files hold the time
of day; so these headers are handled here.

=========================  =====================================================================
:func:`read_wav_header`    RIFF, RIFX or RF64 (EBU Tech 3306): format, and how much data there is
:func:`wav_header`         a header whose bytes depend on nothing but the arguments
:func:`read_flac_header`   the STREAMINFO block (RFC 9639, 8.2)
=========================  =====================================================================
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

__all__ = ["FlacHeader", "HeaderError", "WavHeader", "read_flac_header", "read_wav_header", "wav_header"]

PCM, FLOAT, EXTENSIBLE = 0x0001, 0x0003, 0xFFFE

#: The part of an extensible format's GUID that follows the format tag.
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")

#: More chunks than any writer puts before the samples.
_MOST_CHUNKS = 10_000


class HeaderError(ValueError):
    """A header that cannot be what its file's name says; the text says why."""


@dataclass(frozen=True)
class WavHeader:
    """Format of a WAV file, and where its samples are.

    ``bits`` is the word length that is used, which may be less than the container's; ``declared_bytes`` is
    what the header promises, ``present_bytes`` what the file holds.
    """

    tag: int
    channels: int
    rate_hz: int
    frame_bytes: int
    bits: int
    declared_bytes: int
    present_bytes: int


@dataclass(frozen=True)
class FlacHeader:
    """STREAMINFO; ``frames`` is 0 where unknown, ``md5`` is that of the samples, zeros where unknown."""

    channels: int
    rate_hz: int
    bits: int
    frames: int
    md5: bytes


def read_wav_header(content: bytes) -> WavHeader:
    """Return what a WAV file says of itself.

    Raises
    ------
    HeaderError
        It is no WAV file, or its header is damaged.
    """
    order = ">" if content[:4] == b"RIFX" else "<"
    if content[:4] not in (b"RIFF", b"RIFX", b"RF64") or content[8:12] != b"WAVE":
        raise HeaderError("is no WAV file")
    form: tuple[int, int, int, int, int] | None = None
    long_bytes: int | None = None
    place = 12
    for _ in range(_MOST_CHUNKS):
        if place + 8 > len(content):
            break
        name, size = struct.unpack_from(f"{order}4sI", content, place)
        place += 8
        if name == b"ds64" and place + 16 <= len(content):
            long_bytes = struct.unpack_from("<Q", content, place + 8)[0]
        elif name == b"fmt ":
            form = _format(content[place : place + min(size, 64)], order)
        elif name == b"data":
            if form is None:
                break
            declared = long_bytes if long_bytes is not None and content[:4] == b"RF64" else size
            return WavHeader(*form, declared, min(declared, len(content) - place))
        place += size + size % 2
    raise HeaderError("has no samples in it: it was cut off, or the recording was never closed")


def _format(chunk: bytes, order: str) -> tuple[int, int, int, int, int]:
    """Return tag, channels, rate, bytes a frame and bits of a ``fmt`` chunk."""
    if len(chunk) < 16:
        raise HeaderError("has a damaged header")
    tag, channels, rate, _, frame_bytes, bits = struct.unpack_from(f"{order}HHIIHH", chunk)
    if tag == EXTENSIBLE and len(chunk) >= 28:
        valid, _, tag = struct.unpack_from(f"{order}HII", chunk, 18)
        bits = valid if 0 < valid <= bits else bits
    if channels == 0 or rate == 0 or frame_bytes == 0:
        raise HeaderError("has a damaged header")
    return tag, channels, rate, frame_bytes, bits


def wav_header(*, floating: bool, channels: int, rate_hz: int, bits: int, frames: int) -> bytes:
    """Return everything of a WAV file that comes before its samples.

    Parameters
    ----------
    floating : bool
        Whether the samples are floating point of ``bits`` bits.
    channels, rate_hz, frames : int
    bits : int
        Word length of integers; they are stored in the least number of whole bytes, two at least.

    Raises
    ------
    ValueError
        The file would be longer than the format allows.
    """
    container = bits if floating else max(16, (bits + 7) // 8 * 8)
    frame_bytes = channels * container // 8
    data_bytes = frames * frame_bytes
    if data_bytes > 2**32 - 4096:
        raise ValueError("too long for a WAV file: more than 4 GiB")
    tag = FLOAT if floating else PCM
    simple = channels <= 2 and bits == container
    form = struct.pack(
        "<HHIIHH",
        tag if simple else EXTENSIBLE,
        channels,
        rate_hz,
        rate_hz * frame_bytes,
        frame_bytes,
        container,
    )
    if not simple:
        form += struct.pack("<HHIH", 22, bits, 0, tag) + _GUID_TAIL
    elif floating:
        form += struct.pack("<H", 0)
    chunks = b"fmt " + struct.pack("<I", len(form)) + form
    if floating:
        chunks += b"fact" + struct.pack("<II", 4, frames)
    chunks += b"data" + struct.pack("<I", data_bytes)
    return b"RIFF" + struct.pack("<I", 4 + len(chunks) + data_bytes + data_bytes % 2) + b"WAVE" + chunks


def read_flac_header(content: bytes) -> FlacHeader:
    """Return what a FLAC file says of itself.

    Raises
    ------
    HeaderError
        It is no FLAC file, or its header is damaged.
    """
    if content[:4] != b"fLaC" or len(content) < 42 or content[4] & 0x7F != 0:
        raise HeaderError("is no FLAC file, or it was cut off")
    packed = int.from_bytes(content[18:26], "big")
    return FlacHeader(
        channels=(packed >> 41 & 0x7) + 1,
        rate_hz=packed >> 44,
        bits=(packed >> 36 & 0x1F) + 1,
        frames=packed & 0xFFFFFFFFF,
        md5=content[26:42],
    )
