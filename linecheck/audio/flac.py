"""FLAC files, written bit for bit: the form in which a player is given a long programme.

:func:`write_flac` writes one, :func:`flac_takes` says what one can be of; :mod:`linecheck.audio.file` reads
them.
"""

from __future__ import annotations

import hashlib
import io
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from linecheck.audio.file import samples_sha256, verify
from linecheck.audio.sample_bytes import SampleForm, Samples, refuse_lost_bits
from linecheck.errors import FileError
from linecheck.files.durable import write_durably

#: The longest word that the file library encodes.
MAX_FLAC_BITS = 24

#: Samples of all channels together that are encoded and compared at a time.
_PIECE_SAMPLES = 2**18


def write_flac(path: str | Path, samples: Samples, rate_hz: int, bits: int) -> str:
    """Write a FLAC file, durably, and read it back before it takes its name.

    The same samples give the same bytes for as long as the encoder's version is the same, which stands in them.

    Parameters
    ----------
    path : str or Path
    samples : int32 array, shape (frames, channels)
        Left-justified.
    rate_hz : int
    bits : int
        Word length, 8 to 24: the bits below it must be zero. A file holds 16 or 24, the rest being zero.

    Returns
    -------
    str
        SHA-256 of the file.

    Raises
    ------
    FileError
        It cannot be written, does not read back the same, or FLAC cannot hold it.
    ValueError
        The samples are not what the arguments say.
    """
    path = Path(path)
    if samples.ndim != 2:
        raise ValueError(f"samples must have frames and channels, got shape {samples.shape}")
    form = SampleForm(rate_hz, samples.shape[1], samples.shape[0], bits, samples.dtype)
    content = _encoded(path, samples, form)
    stored, digest = replace(form, bits=_stored_bits(bits)), samples_sha256(samples)
    write_durably(path, [content], check=lambda temporary: verify(path, temporary, stored, digest))
    return hashlib.sha256(content).hexdigest()


@lru_cache(maxsize=64)
def flac_takes(rate_hz: int, channels: int) -> bool:
    """Return whether the encoder takes this rate and so many channels."""
    form = SampleForm(rate_hz, channels, 1, MAX_FLAC_BITS, np.dtype(np.int32))
    try:
        _encoded(Path(), np.zeros((1, channels), np.int32), form)
    except FileError:
        return False
    return True


def _stored_bits(bits: int) -> int:
    """Return the word length that a file has for samples of another."""
    return 16 if bits <= 16 else MAX_FLAC_BITS


def _encoded(path: Path, samples: Samples, form: SampleForm) -> memoryview:
    """Return the bytes of the file."""
    import soundfile

    bits = form.bits or MAX_FLAC_BITS
    what = f"{form.rate_hz:,} Hz, {bits} bits and {form.channels} channels"
    refusal = FileError(path, f"cannot be a FLAC file: its encoder takes no {what}; write a WAV file")
    if bits > MAX_FLAC_BITS:
        raise refusal
    subtype = f"PCM_{_stored_bits(bits)}"
    content = io.BytesIO()
    piece = max(1, _PIECE_SAMPLES // form.channels)
    try:
        with soundfile.SoundFile(content, "w", form.rate_hz, form.channels, subtype, format="FLAC") as stream:
            for start in range(0, form.frames, piece):
                block = samples[start : start + piece]
                refuse_lost_bits(block, bits)
                stream.write(block)
    except soundfile.SoundFileError as error:
        raise refusal from error
    return content.getbuffer()
