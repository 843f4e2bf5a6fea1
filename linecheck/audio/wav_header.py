"""What the headers of WAV and FLAC files say, read and written byte by byte.

The file library reads what is there and says nothing of what is missing, and its float files hold the time
of day; so these headers are handled here.

=========================  =====================================================================
:func:`read_wav_header`    RIFF, RIFX, RF64 (EBU Tech 3306) or BW64 (ITU-R BS.2088)
:func:`wav_header`         a header whose bytes depend on nothing but the arguments
:func:`read_flac_header`   the STREAMINFO block (RFC 9639, 8.2)
=========================  =====================================================================
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from dataclasses import dataclass

from linecheck.audio.sample_bytes import ByteOrder

PCM, FLOAT, EXTENSIBLE = 0x0001, 0x0003, 0xFFFE

#: How a WAV file begins, and with which byte order it goes on.
BYTE_ORDERS: dict[bytes, ByteOrder] = {b"RIFF": "<", b"RF64": "<", b"BW64": "<", b"RIFX": ">"}

#: What a 32-bit size says where a ``ds64`` chunk holds the true one.
_SEE_DS64 = 0xFFFFFFFF

#: The most bytes of samples that are written with sizes of 32 bits, with room for what comes before them.
MAX_RIFF_BYTES = 2**32 - 4096

#: The longest file whose first chunk can say how long it is.
_MAX_COUNTED_BYTES = 2**32 - 1 + 8

#: The part of an extensible format's GUID that follows the format tag.
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")

#: What a chunk is called (IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0: a FOURCC).
_CHUNK_NAME = re.compile(rb"[ -~]{4}")

#: More chunks than any writer puts before the samples.
_MAX_CHUNKS = 10_000

#: Gives the bytes of a file from a place on: as many as are asked for, or those up to its end.
ReadAt = Callable[[int, int], bytes]


class HeaderError(ValueError):
    """A header that cannot be what its file's name says; the text says why."""


@dataclass(frozen=True)
class WavHeader:
    """Format of a WAV file, and where its samples are.

    Attributes
    ----------
    tag, channels, rate_hz, frame_bytes : int
    bits : int
        The word length that is used, which may be less than the container's.
    order : ByteOrder
    place : int
        Where the samples begin, in bytes.
    declared_bytes : int or None
        How many bytes of samples the header promises; None where it does not know.
    present_bytes : int
        How many bytes follow ``place``.
    """

    tag: int
    channels: int
    rate_hz: int
    frame_bytes: int
    bits: int
    order: ByteOrder
    place: int
    declared_bytes: int | None
    present_bytes: int


@dataclass(frozen=True)
class FlacHeader:
    """STREAMINFO; ``frames`` is 0 where unknown, ``md5`` is that of the samples, zeros where unknown."""

    channels: int
    rate_hz: int
    bits: int
    frames: int
    md5: bytes


def read_wav_header(read_at: ReadAt, file_bytes: int) -> WavHeader:
    """Return what a WAV file says of itself.

    Raises
    ------
    HeaderError
        It is no WAV file, its header is damaged, or what follows its samples is none of its chunks.
    """
    start = read_at(0, 12)
    if start[:4] not in BYTE_ORDERS or start[8:] != b"WAVE":
        raise HeaderError("is no WAV file")
    order = BYTE_ORDERS[start[:4]]
    form: tuple[int, int, int, int, int] | None = None
    sizes: dict[bytes, int] = {}
    place = 12
    for _ in range(_MAX_CHUNKS):
        head = read_at(place, 8) if place < file_bytes else b""
        if len(head) < 8:
            break
        name, size = struct.unpack(f"{order}4sI", head)
        place += 8
        if name == b"data":
            if form is None:
                raise HeaderError("has a damaged header: its samples come before their format")
            if not sizes and file_bytes > _MAX_COUNTED_BYTES:
                raise HeaderError(
                    "is longer than 4 GiB, which its header cannot count; record as RF64 or in shorter files"
                )
            (riff_bytes,) = struct.unpack_from(f"{order}I", start, 4)
            promised = _promised(size, sizes.get(name), file_bytes - place, file_bytes - 8 - riff_bytes)
            if promised is not None and promised <= file_bytes - place:
                whole_bytes = sizes.get(b"RIFF", 0) if riff_bytes == _SEE_DS64 else riff_bytes
                _refuse_uncounted(read_at, order, place + promised, file_bytes, whole_bytes)
            return WavHeader(*form, order, place, promised, file_bytes - place)
        if name == b"ds64" and start[:4] in (b"RF64", b"BW64"):
            sizes = _long_sizes(read_at(place, min(size, 28 + 12 * 100)))
        elif name == b"fmt ":
            form = _format(read_at(place, min(size, 64)), order)
        elif size == _SEE_DS64:
            size = sizes.get(name, size)
        place += size + size % 2
    raise HeaderError("has no samples in it: it was cut off, or the recording was never closed")


def _promised(size: int, long_size: int | None, present: int, uncounted: int) -> int | None:
    """Return the length of the samples; None where the header does not know it.

    A recorder that was stopped by force leaves 0 or 2**32 - 1 behind.

    Parameters
    ----------
    size, long_size : int
        What the ``data`` chunk says, and what the ``ds64`` chunk says of it if there is one.
    present, uncounted : int
        How many bytes follow, and how many of the file are beyond the end that its first chunk states.
    """
    if long_size is not None and size in (0, _SEE_DS64):
        return long_size if 0 < long_size < 2**64 - 1 or not present else None
    unclosed = size == 0 and present > 0 and uncounted > 0
    return None if size == _SEE_DS64 or unclosed else size


def _refuse_uncounted(read_at: ReadAt, order: ByteOrder, end: int, file_bytes: int, whole_bytes: int) -> None:
    """Refuse bytes after the samples that no chunk counts: one more than was written shifts every sample.

    Parameters
    ----------
    read_at : callable
    order : ByteOrder
    end, file_bytes : int
        Where the samples end, and the file.
    whole_bytes : int
        How many bytes follow the size in the first chunk, as that says; 0 where it does not know.

    Raises
    ------
    HeaderError
        There are some.
    """
    place = end
    for _ in range(_MAX_CHUNKS):
        place += place % 2
        if place >= file_bytes:
            break
        head = read_at(place, 8)
        name, size = struct.unpack(f"{order}4sI", head) if len(head) == 8 else (b"", 0)
        if not _CHUNK_NAME.fullmatch(name) or place + 8 + size > file_bytes:
            break
        place += 8 + size
    # A file may end before the byte that pads an odd chunk; one that is there is counted.
    counted = min(place, 8 + whole_bytes) if whole_bytes else place
    if file_bytes > max(counted, end):
        raise HeaderError(
            f"is not what its header says: {file_bytes - max(counted, end):,} bytes too many, so its samples may be "
            "shifted or others than were recorded; copy or record it again"
        )


def _long_sizes(chunk: bytes) -> dict[bytes, int]:
    """Return the sizes that a ``ds64`` chunk holds (EBU Tech 3306, annex A.2), by chunk."""
    if len(chunk) < 28:
        raise HeaderError("has a damaged header: its ds64 chunk is too short")
    whole_bytes, data_bytes, _, entries = struct.unpack_from("<QQQI", chunk)
    sizes = {b"RIFF": whole_bytes if whole_bytes < 2**64 - 1 else 0, b"data": data_bytes}
    for place in range(28, min(len(chunk) - 11, 28 + 12 * entries), 12):
        name, size = struct.unpack_from("<4sQ", chunk, place)
        sizes.setdefault(name, size)
    return sizes


def _format(chunk: bytes, order: str) -> tuple[int, int, int, int, int]:
    """Return tag, channels, rate, bytes a frame and bits of a ``fmt`` chunk."""
    if len(chunk) < 16:
        raise HeaderError("has a damaged header: its format is too short")
    tag, channels, rate, _, frame_bytes, bits = struct.unpack_from(f"{order}HHIIHH", chunk)
    if tag == EXTENSIBLE and len(chunk) >= 28:
        # Big-endian writers turn the identifier's first four bytes or only two of them.
        valid, _, first, second = struct.unpack_from(f"{order}HIHH", chunk, 18)
        tag = first or second
        bits = valid if 0 < valid <= bits else bits
    if channels == 0 or rate == 0 or frame_bytes == 0:
        raise HeaderError("has a damaged header: no channels, no rate or no bytes in a frame")
    return tag, channels, rate, frame_bytes, bits


def wav_header(*, floating: bool, channels: int, rate_hz: int, bits: int, frames: int) -> bytes:
    """Return everything of a WAV file that comes before its samples.

    A file of more than 4 GiB is an RF64 file.

    Parameters
    ----------
    floating : bool
        Whether the samples are floating point of ``bits`` bits.
    channels, rate_hz, frames : int
    bits : int
        Word length of integers; they are stored in the least number of whole bytes, two at least.
    """
    container = bits if floating else max(16, (bits + 7) // 8 * 8)
    frame_bytes = channels * container // 8
    data_bytes = frames * frame_bytes
    long = data_bytes > MAX_RIFF_BYTES
    tag = FLOAT if floating else PCM
    simple = channels <= 2 and bits == container
    form = struct.pack(
        "<HHIIHH",
        tag if simple else EXTENSIBLE,
        channels,
        rate_hz,
        rate_hz * frame_bytes % 2**32,
        frame_bytes,
        container,
    )
    if not simple:
        form += struct.pack("<HHIH", 22, bits, 0, tag) + _GUID_TAIL
    elif floating:
        form += struct.pack("<H", 0)
    chunks = b"fmt " + struct.pack("<I", len(form)) + form
    if floating:
        chunks += b"fact" + struct.pack("<II", 4, _SEE_DS64 if long else frames)
    chunks += b"data" + struct.pack("<I", _SEE_DS64 if long else data_bytes)
    riff_bytes = 4 + len(chunks) + data_bytes + data_bytes % 2
    if not long:
        return b"RIFF" + struct.pack("<I", riff_bytes) + b"WAVE" + chunks
    sizes = b"ds64" + struct.pack("<IQQQI", 28, riff_bytes + 36, data_bytes, frames, 0)
    return b"RF64" + struct.pack("<I", _SEE_DS64) + b"WAVE" + sizes + chunks


def read_flac_header(content: bytes) -> FlacHeader:
    """Return what a FLAC file says of itself.

    Parameters
    ----------
    content : bytes
        Its first 42 bytes, or more.

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
