"""Where the samples of an audio file come from: the bytes of a WAV file, the decoder of a FLAC file.

======================  ==================================================================
:func:`open_source`     whichever of them a file needs
:class:`Source`         samples from a frame on
:class:`Checksum`       of a FLAC file, what it knows of its own samples
======================  ==================================================================

What is wrong comes as :class:`HeaderError`, whose text needs only the file's name before it. Files are read
without a position of their own, so that whoever reads too does not disturb.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Iterator
from typing import Protocol

import numpy as np

from linecheck.audio.file_sort import described_sort
from linecheck.audio.sample_bytes import SampleForm, Samples, decode, highest_bytes
from linecheck.audio.wav_header import (
    BYTE_ORDERS,
    FLOAT,
    PCM,
    FlacHeader,
    HeaderError,
    WavHeader,
    read_flac_header,
    read_wav_header,
)
from linecheck.files.bounded import LFS_ADVICE, LFS_SIGNATURES

#: A header that says more channels, or another rate, is not believed.
MAX_CHANNELS = 64
RATES_HZ = range(1_000, 2_000_001)

#: No FLAC frame is shorter: header 6, number of frames 2, a channel 1, checksum 2 (RFC 9639, 9.1 to 9.3).
_MIN_FLAC_FRAME_BYTES = 11
#: Samples of one channel: the block size has 16 bits (RFC 9639, 8.2).
_MAX_FLAC_FRAME = 65_535


class Source(Protocol):
    """The samples of an open file."""

    form: SampleForm

    def fill(self, samples: Samples, start: int) -> None:
        """Fill an array, shape (frames, channels) and C-contiguous, with the frames from ``start`` on."""

    def checksum(self) -> Checksum | None:
        """Return a new checksum; None where whatever can be read is right."""

    def close(self) -> None:
        """Let go of what is held beside the file itself."""


def open_source(handle: int) -> Source:
    """Return the samples of an open file, refusing what can be refused before anything is decoded.

    Raises
    ------
    HeaderError
        It is no audio, or not all there.
    """
    start = os.pread(handle, 1024, 0)
    if start[:4] in BYTE_ORDERS:
        return _WavSource(handle)
    if start[:4] == b"fLaC":
        return _FlacSource(handle, read_flac_header(start))
    if start.startswith(LFS_SIGNATURES):
        raise HeaderError(LFS_ADVICE)
    raise HeaderError(described_sort(start))


def _form(channels: int, rate_hz: int, frames: int, bits: int | None, dtype: str) -> SampleForm:
    """Return what a header says of the samples, if it can be."""
    if channels > MAX_CHANNELS:
        raise HeaderError(f"has {channels} channels; at most {MAX_CHANNELS} are read")
    if rate_hz not in RATES_HZ:
        raise HeaderError(f"says that its rate is {rate_hz} Hz, which cannot be")
    return SampleForm(rate_hz, channels, frames, bits, np.dtype(dtype))


class _WavSource:
    """The samples of a WAV file, decoded from its bytes."""

    def __init__(self, handle: int) -> None:
        self._handle = handle
        self._header = header = read_wav_header(self._read_at, os.fstat(handle).st_size)
        self._width = header.frame_bytes // header.channels
        self.form = _wav_form(header)

    def _read_at(self, place: int, count: int) -> bytes:
        """Return bytes from a place on, fewer only at the file's end."""
        content = os.pread(self._handle, count, place)
        while len(content) < count and (
            more := os.pread(self._handle, count - len(content), place + len(content))
        ):
            content += more
        return content

    def fill(self, samples: Samples, start: int) -> None:
        """Fill an array, shape (frames, channels) and C-contiguous, with the frames from ``start`` on."""
        header = self._header
        count = len(samples) * header.frame_bytes
        content = self._read_at(header.place + start * header.frame_bytes, count)
        if len(content) < count:
            raise HeaderError("was cut off while it was being read; copy or record it again")
        decode(content, samples, self._width, header.order)

    def checksum(self) -> None:
        """Return nothing: a WAV file has no checksum."""

    def close(self) -> None:
        """Do nothing: there is only the file."""


def _wav_form(wav: WavHeader) -> SampleForm:
    """Return what a WAV file's samples are, refusing those that are not all there."""
    width = wav.frame_bytes * 8 / wav.channels
    kinds = {
        (PCM, 16): "int32",
        (PCM, 24): "int32",
        (PCM, 32): "int32",
        (FLOAT, 32): "float32",
        (FLOAT, 64): "float64",
    }
    dtype = kinds.get((wav.tag, int(width)))
    if dtype is None or width % 8 or (wav.tag == PCM and not 8 <= wav.bits <= width):
        raise HeaderError(
            f"holds samples of a sort that is not read (format {wav.tag:#06x}, {wav.bits} bits in {width:g}); "
            "use PCM of 16, 24 or 32 bits, or 32-bit float"
        )
    bits = wav.bits if dtype == "int32" else None
    return _form(wav.channels, wav.rate_hz, _wav_frames(wav), bits, dtype)


def _wav_frames(wav: WavHeader) -> int:
    """Return how many frames there are, if there are as many as the header says."""
    if wav.declared_bytes is None:
        raise HeaderError(
            f"was never closed and does not say how long it is, though {wav.present_bytes:,} bytes follow its "
            "header; close it with `sox --ignore-length THIS.wav CLOSED.wav`, or record again"
        )
    if wav.present_bytes < wav.declared_bytes:
        raise HeaderError(
            f"is cut off: its header promises {wav.declared_bytes:,} bytes of samples and it holds "
            f"{wav.present_bytes:,}; copy or record it again"
        )
    if wav.declared_bytes % wav.frame_bytes:
        raise HeaderError("is cut off in the middle of a frame; copy or record it again")
    if wav.declared_bytes == 0:
        raise HeaderError("has no frame in it: it is empty, or the recording was never closed")
    return wav.declared_bytes // wav.frame_bytes


class _FlacSource:
    """The samples of a FLAC file, decoded by the file library."""

    def __init__(self, handle: int, header: FlacHeader) -> None:
        self.form = _flac_form(header, os.fstat(handle).st_size)
        self._md5 = header.md5
        self._next = 0
        os.lseek(handle, 0, os.SEEK_SET)
        import soundfile

        self._errors = (soundfile.SoundFileError, RuntimeError, ValueError, TypeError)
        with self._decoding():
            self._stream = soundfile.SoundFile(os.dup(handle), closefd=True)
        if (self._stream.samplerate, self._stream.channels) != (self.form.rate_hz, self.form.channels):
            self.close()
            raise HeaderError("is damaged: its header contradicts its frames; copy or record it again")

    @contextlib.contextmanager
    def _decoding(self) -> Iterator[None]:
        try:
            yield
        except HeaderError:
            raise
        except self._errors as error:
            reason = str(getattr(error, "error_string", error)).strip().removeprefix("Error : ")
            raise HeaderError(
                f"is damaged and cannot be decoded ({reason or 'no valid frame'}); copy or record it again"
            ) from error

    def fill(self, samples: Samples, start: int) -> None:
        """Fill an array, shape (frames, channels) and C-contiguous, with the frames from ``start`` on."""
        with self._decoding():
            if start != self._next:
                self._stream.seek(start)
            self._next = start + len(self._stream.read(out=samples))
        if self._next < start + len(samples):
            raise HeaderError(
                f"is damaged: of {self.form.frames:,} frames only {self._next:,} could be read; "
                "copy or record it again"
            )

    def checksum(self) -> Checksum:
        """Return a new checksum, which is the only proof that no sample was damaged."""
        return Checksum(self._md5, self.form.bits or 32)

    def close(self) -> None:
        """Let go of the decoder."""
        self._stream.close()


def _flac_form(header: FlacHeader, file_bytes: int) -> SampleForm:
    """Return what a FLAC file's samples are, if so many can be in it."""
    if header.frames == 0:
        raise HeaderError(
            "does not say how many frames it has: it is empty, was never closed, or was written into a pipe; "
            "encode or record it again"
        )
    if header.bits not in (8, 16, 24):
        raise HeaderError(
            f"holds samples of {header.bits} bits, which are not read from FLAC; convert it to WAV"
        )
    # Else a few damaged bytes would ask for gigabytes of memory.
    if header.frames > file_bytes // _MIN_FLAC_FRAME_BYTES * _MAX_FLAC_FRAME:
        raise HeaderError(
            f"is cut off: {file_bytes:,} bytes cannot hold the {header.frames:,} frames that its header "
            "promises; copy or record it again"
        )
    return _form(header.channels, header.rate_hz, header.frames, header.bits, "int32")


class Checksum:
    """MD5 of samples as FLAC defines it: signed, little-endian, interleaved, in whole bytes (RFC 9639, 8.2)."""

    def __init__(self, expected: bytes, bits: int) -> None:
        self._expected = expected if any(expected) else None
        self._width = (bits + 7) // 8
        self._digest = hashlib.md5(usedforsecurity=False)

    def update(self, samples: Samples) -> None:
        """Take the next frames."""
        if self._expected is not None:
            self._digest.update(highest_bytes(samples, self._width))

    def check(self) -> None:
        """Raise :class:`HeaderError` where they are others than the file says."""
        if self._expected is not None and self._digest.digest() != self._expected:
            raise HeaderError("has samples that are not those that were written: their checksum differs")
