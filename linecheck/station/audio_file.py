"""Audio files: the one place where they are read and written.

=====================  ==============================================================
:func:`read_audio`     a WAV (also RF64) or FLAC file, refused unless it is all there
:func:`write_audio`    a WAV file that is the same, byte for byte, for the same samples
:class:`Audio`         samples with their rate and word length
=====================  ==============================================================

Integers are left-justified in 32 bits here and everywhere: full scale is 2**31. They are written from these
very bits and never through a conversion of the file library, which rounds towards minus infinity.
"""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linecheck.errors import FileError
from linecheck.station.durable_file import write_durably
from linecheck.station.toml_file import read_bounded
from linecheck.station.wav_header import (
    FLOAT,
    PCM,
    HeaderError,
    read_flac_header,
    read_wav_header,
    wav_header,
)

__all__ = ["MOST_CHANNELS", "Audio", "read_audio", "samples_sha256", "write_audio"]

MOST_CHANNELS = 64
LONGEST_FILE_BYTES = 2**31
#: Samples of all channels together: 23 minutes of stereo at 96 kHz.
MOST_SAMPLES = 2**28

RATES_HZ = range(1_000, 2_000_001)

Samples = NDArray[Any]


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


@dataclass(frozen=True)
class _Header:
    """What WAV and FLAC have in common; ``bits`` is None for floats."""

    channels: int
    rate_hz: int
    frames: int
    bits: int | None
    dtype: str
    md5: bytes = b""


def read_audio(path: str | Path) -> Audio:
    """Read a WAV or FLAC file.

    Raises
    ------
    FileError
        It is missing, unreadable, too long, no audio, a Git LFS pointer, or not all there: cut off, without
        a single frame, or other samples than its own checksum says.
    """
    path = Path(path)
    content = read_bounded(path, longest=LONGEST_FILE_BYTES)
    try:
        header = _header(content)
    except HeaderError as error:
        raise FileError(path, str(error)) from error
    samples = _decoded(path, content, header)
    if header.md5.strip(b"\0") and _flac_md5(samples, header.bits or 32) != header.md5:
        raise FileError(path, "its samples are not those that were written: their checksum differs")
    return Audio(samples, header.rate_hz, header.bits, hashlib.sha256(content).hexdigest())


def _header(content: bytes) -> _Header:
    """Return the header, refusing what can be refused before anything is decoded."""
    match content[:4]:
        case b"RIFF" | b"RIFX" | b"RF64":
            header = _wav(content)
        case b"fLaC":
            flac = read_flac_header(content)
            header = _Header(flac.channels, flac.rate_hz, flac.frames, flac.bits, "int32", flac.md5)
        case b"":
            raise HeaderError("is empty")
        case _:
            raise HeaderError("is neither WAV nor FLAC")
    if header.frames == 0:
        raise HeaderError("has no frame in it: it is empty, or the recording was never closed")
    if header.channels > MOST_CHANNELS:
        raise HeaderError(f"has {header.channels} channels; at most {MOST_CHANNELS} are read")
    if header.rate_hz not in RATES_HZ:
        raise HeaderError(f"says that its rate is {header.rate_hz} Hz, which cannot be")
    if header.frames * header.channels > MOST_SAMPLES:
        raise HeaderError(f"is too long: more than {MOST_SAMPLES:,} samples")
    return header


def _wav(content: bytes) -> _Header:
    wav = read_wav_header(content)
    if wav.present_bytes < wav.declared_bytes:
        raise HeaderError(
            f"is cut off: its header promises {wav.declared_bytes:,} bytes of samples and it holds "
            f"{wav.present_bytes:,}; copy or record it again"
        )
    width = wav.frame_bytes * 8 / wav.channels
    kinds = {
        (PCM, 16): "int32",
        (PCM, 24): "int32",
        (PCM, 32): "int32",
        (FLOAT, 32): "float32",
        (FLOAT, 64): "float64",
    }
    dtype = kinds.get((wav.tag, int(width)))
    if dtype is None or width % 8:
        raise HeaderError(
            f"holds samples of a sort that is not read (format {wav.tag:#06x}, {width:g} bits); "
            "use PCM of 16, 24 or 32 bits, or 32-bit float"
        )
    if wav.declared_bytes % wav.frame_bytes:
        raise HeaderError("is cut off in the middle of a frame; copy or record it again")
    bits = wav.bits if dtype == "int32" else None
    return _Header(wav.channels, wav.rate_hz, wav.declared_bytes // wav.frame_bytes, bits, dtype)


def _decoded(path: Path, content: bytes, header: _Header) -> Samples:
    """Return the samples as the file library decodes them, all of them."""
    import soundfile

    try:
        with soundfile.SoundFile(io.BytesIO(content)) as stream:
            rate, channels = int(stream.samplerate), int(stream.channels)
            samples: Samples = stream.read(frames=header.frames, dtype=header.dtype, always_2d=True)
    except (soundfile.SoundFileError, RuntimeError, ValueError, TypeError) as error:
        reason = str(getattr(error, "error_string", error)).strip().removeprefix("Error : ")
        raise FileError(
            path, f"is damaged and cannot be decoded ({reason}); copy or record it again"
        ) from error
    if (rate, channels, len(samples)) != (header.rate_hz, header.channels, header.frames):
        raise FileError(path, f"is damaged: of {header.frames:,} frames only {len(samples):,} could be read")
    return samples


def _flac_md5(samples: Samples, bits: int) -> bytes:
    """Return the MD5 of samples as FLAC defines it: signed, little-endian, interleaved, in whole bytes."""
    width = (bits + 7) // 8
    values = np.ascontiguousarray(samples >> (32 - bits), dtype="<i4")
    packed = values.view(np.uint8).reshape(-1, 4)[:, :width]
    return hashlib.md5(np.ascontiguousarray(packed).data, usedforsecurity=False).digest()


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
    path = Path(path)
    payload = _payload(samples, bits)
    frames, channels = samples.shape
    header = wav_header(
        floating=bits is None,
        channels=channels,
        rate_hz=rate_hz,
        bits=bits if bits is not None else samples.dtype.itemsize * 8,
        frames=frames,
    )
    parts = (header, payload, b"\0" * (len(payload) % 2))
    write_durably(path, parts, check=lambda temporary: _verify(path, temporary, samples, rate_hz, bits))
    digest = hashlib.sha256()
    for part in parts:
        digest.update(part)
    return digest.hexdigest()


def _payload(samples: Samples, bits: int | None) -> memoryview:
    """Return the samples as they stand in the file."""
    if samples.ndim != 2 or not all(samples.shape):
        raise ValueError(f"samples must have frames and channels, got shape {samples.shape}")
    if bits is None:
        if samples.dtype not in (np.float32, np.float64):
            raise ValueError(f"samples without a word length must be float32 or float64, got {samples.dtype}")
        return (
            np.ascontiguousarray(samples, dtype=samples.dtype.newbyteorder("<"))
            .view(np.uint8)
            .reshape(-1)
            .data
        )
    if samples.dtype != np.int32 or not 8 <= bits <= 32:
        raise ValueError(f"samples must be int32 of 8 to 32 bits, got {samples.dtype} of {bits} bits")
    if bits < 32 and np.any(samples & np.int32((1 << (32 - bits)) - 1)):
        raise ValueError(f"samples have more than {bits} bits: writing them would lose some")
    width = max(2, (bits + 7) // 8)
    raw = np.ascontiguousarray(samples, dtype="<i4").view(np.uint8).reshape(-1, 4)
    return np.ascontiguousarray(raw[:, 4 - width :]).reshape(-1).data


def _verify(path: Path, temporary: Path, samples: Samples, rate_hz: int, bits: int | None) -> None:
    try:
        back = read_audio(temporary)
    except FileError as error:
        raise FileError(path, f"cannot be written: what was written {error.message}") from error
    same = (
        back.samples.dtype == samples.dtype
        and back.samples.tobytes() == np.ascontiguousarray(samples).tobytes()
    )
    if not same or (back.rate_hz, back.bits) != (rate_hz, bits):
        raise FileError(path, "cannot be written: it does not read back as it was written")


def samples_sha256(samples: Samples) -> str:
    """Return the SHA-256 of samples: their little-endian bytes, frame by frame."""
    order = samples.dtype.newbyteorder("<")
    return hashlib.sha256(np.ascontiguousarray(samples, dtype=order).view(np.uint8).data).hexdigest()
