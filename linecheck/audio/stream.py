"""Audio files of any length, read piece by piece in constant memory.

=====================  ==================================================================
:func:`open_audio`     a WAV (also RF64) or FLAC file, refused unless it is all there
:class:`AudioStream`   its samples, in blocks or from one place to another
=====================  ==================================================================

::

    with open_audio("recording.wav") as stream:
        for block in stream.blocks(stream.rate_hz):
            ...
        evidence = stream.read(first, stop)
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, Self

import numpy as np

from linecheck.audio.sample_bytes import Samples
from linecheck.audio.sources import Checksum, open_source
from linecheck.audio.wav_header import HeaderError
from linecheck.errors import FileError

#: What is decoded at a time, in samples of all channels.
_PIECE_SAMPLES = 2**16

#: What the file is read in, where it is only hashed.
_PIECE_BYTES = 2**20


class AudioStream:
    """An open audio file. Nothing of it is held but the piece that is asked for.

    Attributes
    ----------
    path : Path
    form : SampleForm
        Rate, channels, frames, word length and type of its samples.
    """

    def __init__(self, path: Path, file: BinaryIO) -> None:
        """Read the header of a file that is open; :func:`open_audio` is the way here.

        Raises
        ------
        FileError
            As :func:`open_audio`.
        """
        self.path = path
        self._file = file
        self._state = _state(file)
        with _told(path):
            self._source = open_source(file.fileno())
        self.form = self._source.form

    @property
    def rate_hz(self) -> int:
        """Frames in a second."""
        return self.form.rate_hz

    @property
    def channels(self) -> int:
        """How many channels there are."""
        return self.form.channels

    @property
    def frames(self) -> int:
        """How many frames there are: samples of one channel."""
        return self.form.frames

    @property
    def bits(self) -> int | None:
        """Word length of integers; None for floats."""
        return self.form.bits

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of the samples: int32, float32 or float64."""
        return self.form.dtype

    def read(self, start: int, stop: int) -> Samples:
        """Return the frames from ``start`` to before ``stop``, of which all must be there.

        Returns
        -------
        int32, float32 or float64 array, shape (frames, channels)
            Integers are left-justified, full scale 2**31; floats have full scale 1.0.

        Raises
        ------
        FileError
            They cannot be read or decoded.
        ValueError
            There are no such frames.
        """
        if not 0 <= start <= stop <= self.frames:
            raise ValueError(f"frames {start} to {stop} are not among the {self.frames} of {self.path}")
        samples = np.empty((stop - start, self.channels), self.dtype)
        self._fill(samples, start)
        return samples

    def read_all(self) -> Samples:
        """Return all frames, with the proofs of a whole pass (:meth:`blocks`).

        Raises
        ------
        FileError
            As :meth:`blocks`.
        """
        (samples,) = self.blocks(self.frames)
        return samples

    def blocks(self, frames: int, start: int = 0) -> Iterator[Samples]:
        """Yield all from a frame on, ``frames`` at a time; the last block may be shorter.

        The last block comes only where the file did not change meanwhile and, of a whole pass, where its samples
        are those that its own checksum was made of (FLAC); what came before it is proven with it.

        Raises
        ------
        FileError
            As :meth:`read`, and as above.
        ValueError
            ``frames`` is not positive, or there is no frame ``start``.
        """
        if frames < 1 or not 0 <= start <= self.frames:
            raise ValueError(f"blocks of {frames} from {start} are not in {self.frames} frames")
        checksum = self._source.checksum() if start == 0 else None
        for first in range(start, self.frames, frames):
            block = np.empty((min(frames, self.frames - first), self.channels), self.dtype)
            self._fill(block, first, checksum)
            if first + len(block) == self.frames:
                with _told(self.path):
                    self._check_unchanged()
                    if checksum is not None:
                        checksum.check()
            yield block

    def _fill(self, samples: Samples, start: int, checksum: Checksum | None = None) -> None:
        """Fill an array with frames, a piece at a time that stays in a processor's cache."""
        frames = max(1, _PIECE_SAMPLES // self.channels)
        with _told(self.path):
            for first in range(0, len(samples), frames):
                piece = samples[first : first + frames]
                self._source.fill(piece, start + first)
                if checksum is not None:
                    checksum.update(piece)

    def verify(self) -> None:
        """Make sure that all samples can be read and are those that were written, as far as the file can tell.

        Of a WAV file that is known since it was opened.

        Raises
        ------
        FileError
            They are not.
        """
        if self._source.checksum() is not None:
            for _ in self.blocks(max(1, _PIECE_SAMPLES // self.channels)):
                pass

    def sha256(self) -> str:
        """Return the SHA-256 of the file's bytes.

        Raises
        ------
        FileError
            It cannot be read, or changed meanwhile.
        """
        digest = hashlib.sha256()
        place = 0
        with _told(self.path):
            while piece := os.pread(self._file.fileno(), _PIECE_BYTES, place):
                digest.update(piece)
                place += len(piece)
            self._check_unchanged()
        return digest.hexdigest()

    def _check_unchanged(self) -> None:
        if _state(self._file) != self._state:
            raise HeaderError("was changed while it was being read; is it still being recorded or copied?")

    def close(self) -> None:
        """Close the file."""
        self._source.close()
        self._file.close()

    def __enter__(self) -> Self:
        """Return the stream itself."""
        return self

    def __exit__(self, *error: object) -> None:
        """Close the file."""
        self.close()


def open_audio(path: str | Path) -> AudioStream:
    """Open a WAV or FLAC file.

    Raises
    ------
    FileError
        It is missing, unreadable, no audio, a Git LFS pointer, or not all there: cut off, never closed, or
        without a single frame.
    """
    path = Path(path)
    with _told(path):
        if not path.is_file():
            raise HeaderError("is no regular file" if path.exists() else "there is no such file")
        file = path.open("rb", buffering=0)
    try:
        return AudioStream(path, file)
    except BaseException:
        file.close()
        raise


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn what goes wrong with a file into the error that a user sees."""
    try:
        yield
    except HeaderError as error:
        raise FileError(path, str(error)) from error
    except OSError as error:
        raise FileError(path, f"cannot be read: {error.strerror or error}") from error


def _state(file: BinaryIO) -> tuple[int, int]:
    """Return what changes when a file's content does."""
    status = os.fstat(file.fileno())
    return status.st_size, status.st_mtime_ns
