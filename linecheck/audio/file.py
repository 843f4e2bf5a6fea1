"""Audio files as a whole: the one place where they are read and written.

==========================  ==============================================================
:func:`read_audio`          a WAV (also RF64) or FLAC file, refused unless it is all there
:func:`write_audio`         a WAV file that is the same, byte for byte, for the same samples
:func:`write_audio_blocks`  such a file of any length, block by block
:class:`Audio`              samples with their rate and word length
:func:`refuse_too_long`     files of which only a stream can be had
==========================  ==============================================================

:mod:`linecheck.audio.stream` reads files that are too long to be held.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from linecheck.audio.sample_bytes import SampleForm, Samples, encode
from linecheck.audio.stream import AudioStream, open_audio
from linecheck.audio.wav_header import wav_header
from linecheck.errors import FileError
from linecheck.files.durable import write_durably

#: Samples of all channels together: 23 minutes of stereo at 96 kHz.
MAX_SAMPLES = 2**28

#: Samples of all channels together that are written and compared at a time.
_PIECE_SAMPLES = 2**18


@dataclass(frozen=True)
class Audio:
    """Samples with all that a file says of them.

    Attributes
    ----------
    samples : int32, float32 or float64 array, shape (frames, channels)
        Integers are left-justified, full scale 2**31; floats have full scale 1.0.
    rate_hz : int
    bits : int or None
        Word length of integers; None for floats.
    sha256 : str
        Of the file's bytes.
    """

    samples: Samples
    rate_hz: int
    bits: int | None
    sha256: str

    @property
    def channels(self) -> int:
        """How many channels there are."""
        return int(self.samples.shape[1])


def read_audio(path: str | Path) -> Audio:
    """Read a WAV or FLAC file.

    Raises
    ------
    FileError
        It is missing, unreadable, too long, no audio, a Git LFS pointer, or not all there: cut off, without
        a single frame, or other samples than its own checksum says.
    """
    with open_audio(path) as stream:
        refuse_too_long(stream)
        return Audio(stream.read_all(), stream.rate_hz, stream.bits, stream.sha256())


def refuse_too_long(stream: AudioStream) -> None:
    """Refuse a file whose samples are too many to be held.

    Raises
    ------
    FileError
        They are.
    """
    if stream.frames * stream.channels > MAX_SAMPLES:
        raise FileError(
            stream.path,
            f"is too long to be held: {stream.frames:,} frames of {stream.channels} channels, at most "
            f"{MAX_SAMPLES:,} samples of all; make a capture set of a long recording with `linecheck cut`",
        )


def write_audio(path: str | Path, samples: Samples, rate_hz: int, bits: int | None) -> str:
    """Write a WAV file, durably and reproducibly, and read it back before it takes its name.

    Parameters
    ----------
    path : str or Path
    samples : int32, float32 or float64 array, shape (frames, channels)
        Integers are left-justified.
    rate_hz : int
    bits : int or None
        Word length of integers, 8 to 32: the bits below it must be zero. None for floats.

    Returns
    -------
    str
        SHA-256 of the file.

    Raises
    ------
    FileError
        It cannot be written, or does not read back the same.
    ValueError
        The samples are not what the arguments say.
    """
    if samples.ndim != 2 or not all(samples.shape):
        raise ValueError(f"samples must have frames and channels, got shape {samples.shape}")
    frames, channels = samples.shape
    form = SampleForm(rate_hz, channels, frames, bits, samples.dtype)
    piece = max(1, _PIECE_SAMPLES // channels)
    return write_audio_blocks(path, (samples[at : at + piece] for at in range(0, frames, piece)), form)


def write_audio_blocks(path: str | Path, blocks: Iterable[Samples], form: SampleForm) -> str:
    """Write a WAV file (RF64 above 4 GiB) as :func:`write_audio` does, holding no more than a block.

    Parameters
    ----------
    path : str or Path
    blocks : iterable of arrays, shape (frames, channels)
        All of them together have ``form.frames`` frames.
    form : SampleForm

    Returns
    -------
    str
        SHA-256 of the file.

    Raises
    ------
    FileError
        It cannot be written, or does not read back the same.
    ValueError
        The blocks are not what ``form`` says.
    """
    path = Path(path)
    file_digest, samples_digest = hashlib.sha256(), hashlib.sha256()

    def parts() -> Iterator[bytes | memoryview]:
        header = wav_header(
            floating=form.bits is None,
            channels=form.channels,
            rate_hz=form.rate_hz,
            bits=form.bits if form.bits is not None else form.dtype.itemsize * 8,
            frames=form.frames,
        )
        yield header
        data_bytes = 0
        for block in _as_declared(blocks, form):
            samples_digest.update(_bytes_of(block))
            payload = encode(block, form.bits)
            data_bytes += len(payload)
            yield payload
        yield b"\0" * (data_bytes % 2)

    def hashed() -> Iterator[bytes | memoryview]:
        for part in parts():
            file_digest.update(part)
            yield part

    write_durably(
        path, hashed(), check=lambda temporary: verify(path, temporary, form, samples_digest.hexdigest())
    )
    return file_digest.hexdigest()


def _as_declared(blocks: Iterable[Samples], form: SampleForm) -> Iterator[Samples]:
    """Yield the blocks, which must be what the form says."""
    frames = 0
    for block in blocks:
        frames += len(block)
        if block.dtype != form.dtype or block.ndim != 2 or block.shape[1] != form.channels:
            raise ValueError(f"a block of {block.dtype}, shape {block.shape} is not as declared: {form}")
        yield block
    if frames != form.frames:
        raise ValueError(f"the blocks have {frames} frames, not {form.frames} as declared")


def verify(path: Path, temporary: Path, form: SampleForm, expected_sha256: str) -> None:
    """Refuse a file that does not read back as it was written.

    Raises
    ------
    FileError
        It does not; the message names ``path``.
    """
    digest = hashlib.sha256()
    try:
        with open_audio(temporary) as stream:
            back = stream.form
            for block in stream.blocks(max(1, _PIECE_SAMPLES // stream.channels)):
                digest.update(_bytes_of(block))
    except FileError as error:
        raise FileError(path, f"cannot be written: what was written {error.message}") from error
    if back != form or digest.hexdigest() != expected_sha256:
        raise FileError(path, "cannot be written: it does not read back as it was written")


def _bytes_of(samples: Samples) -> memoryview:
    """Return samples as their little-endian bytes, frame by frame."""
    return np.ascontiguousarray(samples, dtype=samples.dtype.newbyteorder("<")).view(np.uint8).data


def samples_sha256(samples: Samples) -> str:
    """Return the SHA-256 of samples: their little-endian bytes, frame by frame."""
    return hashlib.sha256(_bytes_of(samples)).hexdigest()
