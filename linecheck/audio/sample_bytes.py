"""Samples as they stand in a WAV file: bytes to arrays and back, without any conversion of a library.

======================  ==================================================================
:class:`SampleForm`     samples of what sort, how many, at what rate
:func:`decode`          the bytes of a file as samples
:func:`encode`          samples as the bytes of a file
======================  ==================================================================

Integers are left-justified in 32 bits: full scale is 2**31.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[Any]

#: Which byte of a sample comes first: the least significant (``<``) or the most.
ByteOrder = Literal["<", ">"]


@dataclass(frozen=True)
class SampleForm:
    """What there is to say of samples but their values.

    Attributes
    ----------
    rate_hz, channels, frames : int
    bits : int or None
        Word length of integers; None for floats.
    dtype : numpy.dtype
        int32, float32 or float64.
    """

    rate_hz: int
    channels: int
    frames: int
    bits: int | None
    dtype: np.dtype[Any]

    def __post_init__(self) -> None:
        """Refuse what no file can hold.

        Raises
        ------
        ValueError
            The type of the samples and their word length do not go together, or a number is not positive.
        """
        if min(self.rate_hz, self.channels, self.frames) < 1:
            raise ValueError(f"samples must have a rate, channels and frames, got {self}")
        if self.bits is None and self.dtype not in (np.float32, np.float64):
            raise ValueError(f"samples without a word length must be float32 or float64, got {self.dtype}")
        if self.bits is not None and (self.dtype != np.int32 or not 8 <= self.bits <= 32):
            raise ValueError(f"samples must be int32 of 8 to 32 bits, got {self.dtype} of {self.bits} bits")


def decode(content: bytes, samples: Samples, width: int, order: ByteOrder) -> None:
    """Fill an array with the samples that bytes hold.

    Parameters
    ----------
    content : bytes
        Whole samples, one after the other, as many as the array holds.
    samples : int32, float32 or float64 array, C-contiguous
    width : int
        Bytes of one sample: 2 to 4 for integers.
    order : ByteOrder
    """
    values = samples.reshape(-1)
    if samples.dtype.kind == "f" or width == 4:
        values[:] = np.frombuffer(content, samples.dtype.newbyteorder(order))
    elif width == 2:
        np.left_shift(np.frombuffer(content, f"{order}i2"), 16, out=values, dtype=np.int32)
    else:
        # Every third byte begins a word of four, whose least significant byte is the neighbour's.
        padded = b"\0" + content if order == "<" else content + b"\0"
        words = np.ndarray((len(content) // 3,), f"{order}i4", padded, strides=(3,))
        np.bitwise_and(words, np.int32(-256), out=values)


def encode(samples: Samples, bits: int | None) -> memoryview:
    """Return samples as they stand in a file: the least significant byte first, two bytes a sample at least.

    Parameters
    ----------
    samples : array
    bits : int or None
        Word length of integers, 8 to 32: the bits below it must be zero. None for floats.

    Raises
    ------
    ValueError
        The samples have more bits than that.
    """
    if bits is None:
        little = np.ascontiguousarray(samples, dtype=samples.dtype.newbyteorder("<"))
        return little.view(np.uint8).reshape(-1).data
    refuse_lost_bits(samples, bits)
    return highest_bytes(samples, max(2, (bits + 7) // 8))


def refuse_lost_bits(samples: Samples, bits: int) -> None:
    """Refuse integers that have more bits than are written.

    Raises
    ------
    ValueError
        They have.
    """
    if bits < 32 and np.any(samples & np.int32((1 << (32 - bits)) - 1)):
        raise ValueError(f"samples have more than {bits} bits: writing them would lose some")


def highest_bytes(samples: Samples, width: int) -> memoryview:
    """Return the ``width`` most significant bytes of every integer, the least significant first."""
    raw = np.ascontiguousarray(samples, dtype="<i4").view(np.uint8).reshape(-1, 4)
    return np.ascontiguousarray(raw[:, 4 - width :]).reshape(-1).data
