"""The points of a curve as a few bytes, without loss.

==================  ====================================================================
:func:`packed`      columns of numbers as bytes
:func:`unpacked`    the columns again, to the last bit
==================  ====================================================================

A curve's numbers are short decimals (:mod:`linecheck.measure.rounding`): whole multiples of a decimal or binary step,
or three significant digits of any size. Each column is turned into such whole numbers, these into their differences
where that makes them smaller, and all bytes of one significance of all columns stand together: the high ones are
nearly all zero, and DEFLATE (RFC 1951) packs them well. A column that is nothing of the kind is kept as it is.

Bytes: the format's version (1), the number of columns (1), that of the points (4), 11 for each column (kind, how many
times differences were taken, bytes of a number, and the step), and the packed rest. All numbers little-endian.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linecheck.dsp.arrays import FloatArray

_VERSION: Final = 1
_HEAD, _COLUMN = struct.Struct("<BBI"), struct.Struct("<BBBd")
#: Kinds of columns: plain numbers, multiples of one over a decimal step, of a binary step, significant digits.
_PLAIN, _DECIMAL, _BINARY, _DIGITS = range(4)
#: Steps in one unit.
_STEPS: Final = 1000.0
_MAX_WHOLE: Final = 2.0**40
_BINARY_DIGITS: Final = 23
#: Significant digits and their power of ten in one whole number, ordered as the numbers are; nothing is -1.
_OF_POWER, _LOWEST_POWER = 900, -150
#: Numbers beyond are kept as they are.
_SMALLEST, _GREATEST = 1e-140, 1e140
#: More points than this has no curve; what says that it has them was not written by linecheck.
_MAX_POINTS: Final = 10_000_000
#: Places, values, uncertainties.
_MAX_COLUMNS: Final = 3
#: Packing harder takes twice the time for one percent.
_LEVEL: Final = 6

Whole = NDArray[np.int64]


class _Column(NamedTuple):
    kind: int
    step: float
    whole: Whole


def packed(columns: Sequence[FloatArray]) -> bytes:
    """Return columns of one length as bytes.

    Parameters
    ----------
    columns : sequence of float64 array, shape (points,)
        Finite.
    """
    points = len(columns[0])
    heads, planes = [], []
    for column in columns:
        kind, step, whole = _as_whole(np.asarray(column, np.float64))
        if kind == _PLAIN:
            heads.append(_COLUMN.pack(kind, 0, 8, 0.0))
            planes.append(np.ascontiguousarray(column, "<f8").tobytes())
            continue
        order, plain = _smallest(whole)
        width = _width(plain)
        heads.append(_COLUMN.pack(kind, order, width, step))
        planes.append(plain.astype("<u8").view(np.uint8).reshape(points, 8)[:, :width].T.tobytes())
    return _HEAD.pack(_VERSION, len(columns), points) + b"".join(heads) + _deflated(b"".join(planes))


def unpacked(content: bytes) -> tuple[FloatArray, ...]:
    """Return the columns that were packed.

    Raises
    ------
    ValueError
        These bytes are nothing that was packed.
    """
    try:
        version, count, points = _HEAD.unpack_from(content)
        if version != _VERSION or count > _MAX_COLUMNS or points > _MAX_POINTS:
            raise ValueError("it is of no known version")
        at = _HEAD.size + count * _COLUMN.size
        heads = list(_COLUMN.iter_unpack(content[_HEAD.size : at]))
        planes = _inflated(content[at:], points * sum(width for _, _, width, _ in heads))
        columns, at = [], 0
        for kind, order, width, step in heads:
            columns.append(_column(planes[at : at + points * width], kind, order, width, step))
            at += points * width
    except (struct.error, zlib.error, IndexError) as error:
        raise ValueError("the points of a curve are not as they were packed") from error
    return tuple(columns)


def _as_whole(values: FloatArray) -> _Column:
    """Return a column as whole numbers, by the first step that loses nothing."""
    greatest = float(np.max(np.abs(values), initial=0.0))
    if greatest * _STEPS < _MAX_WHOLE:
        # Whole numbers know no minus zero: what has one is packed in another way.
        whole = np.round(values * _STEPS).astype(np.int64)
        if _is_same(whole / _STEPS, values):
            common = math.gcd(int(np.gcd.reduce(whole)), int(_STEPS)) if len(whole) else 1
            step = _STEPS / common
            # The quotient of smaller numbers is the same double: both are the one nearest to the decimal.
            return _Column(_DECIMAL, step, whole // common)
    digits = _digits(values)
    if digits is not None:
        return _Column(_DIGITS, 0.0, digits)
    if _SMALLEST < greatest < _GREATEST:
        step = float(np.ldexp(1.0, int(np.frexp(greatest)[1]) - _BINARY_DIGITS))
        whole = np.round(values / step).astype(np.int64)
        if _is_same(np.asarray(whole * step), values):
            return _Column(_BINARY, step, whole)
    return _Column(_PLAIN, 0.0, np.empty(0, np.int64))


def _is_same(one: FloatArray, other: FloatArray) -> bool:
    """Return whether both are the same bits: a zero has a sign too."""
    return one.tobytes() == other.tobytes()


def _digits(values: FloatArray) -> Whole | None:
    """Return three significant digits and the power of ten of each value in one number; None where one has more."""
    some = values > 0.0
    if np.any(values < 0.0) or np.any((values[some] < _SMALLEST) | (values[some] > _GREATEST)):
        return None
    powers = np.zeros(len(values))
    powers[some] = np.floor(np.log10(values[some])) - 2.0
    digits = np.round(_scaled(values, -powers))
    # The logarithm of a power of ten may come out a hair below it.
    over = digits >= 1000.0
    powers[over] += 1.0
    digits[over] = np.round(digits[over] / 10.0)
    whole = np.where(some, (powers - _LOWEST_POWER) * _OF_POWER + digits - 100.0, -1.0).astype(np.int64)
    return whole if _is_same(_from_digits(whole), values) else None


def _from_digits(whole: Whole) -> FloatArray:
    powers, digits = np.divmod(np.clip(whole, 0, 2 * -_LOWEST_POWER * _OF_POWER), _OF_POWER)
    return np.where(whole < 0, 0.0, _scaled(digits + 100.0, (powers + _LOWEST_POWER).astype(np.float64)))


def _scaled(values: FloatArray, powers: FloatArray) -> FloatArray:
    """Return values times powers of ten; a negative power divides, which gives the double nearest to the decimal."""
    tens = 10.0 ** np.abs(powers)
    return np.where(powers < 0.0, values / tens, values * tens)


def _smallest(whole: Whole) -> tuple[int, NDArray[np.uint64]]:
    """Return how many times differences were taken, and the result without signs: the smallest of 0, 1 and 2 times."""
    taken = [whole]
    for _ in range(2):
        taken.append(np.diff(taken[-1], prepend=0))
    # The first ones have nothing to be a difference of.
    sizes = [float(np.abs(each[3:]).sum(dtype=np.float64)) for each in taken]
    order = sizes.index(min(sizes))
    # Small numbers of either sign become small ones without: 0, -1, 1, -2, 2 as 0, 1, 2, 3, 4.
    return order, ((taken[order] << 1) ^ (taken[order] >> 63)).view(np.uint64)


def _width(plain: NDArray[np.uint64]) -> int:
    return max(1, (int(np.max(plain, initial=0)).bit_length() + 7) // 8)


def _column(planes: bytes, kind: int, order: int, width: int, step: float) -> FloatArray:
    if kind == _PLAIN:
        return np.frombuffer(planes, "<f8")
    if not 1 <= width <= 8 or order > 2:
        raise ValueError("the points of a curve are not as they were packed")
    points = len(planes) // width
    by_point = np.zeros((points, 8), np.uint8)
    by_point[:, :width] = np.frombuffer(planes, np.uint8).reshape(width, points).T
    plain = by_point.view("<u8").ravel()
    whole = (plain >> np.uint64(1)).astype(np.int64) ^ -(plain & np.uint64(1)).astype(np.int64)
    for _ in range(order):
        whole = np.cumsum(whole)
    if kind == _DIGITS:
        return _from_digits(whole)
    return np.asarray(whole / step if kind == _DECIMAL else whole * step)


def _deflated(content: bytes) -> bytes:
    packer = zlib.compressobj(_LEVEL, zlib.DEFLATED, -15)
    return packer.compress(content) + packer.flush()


def _inflated(content: bytes, size: int) -> bytes:
    """Return what was deflated; never more than is expected, whatever the bytes say."""
    unpacker = zlib.decompressobj(-15)
    found = unpacker.decompress(content, max(size, 1))
    if len(found) != size or unpacker.unconsumed_tail or not unpacker.eof or unpacker.unused_data:
        raise ValueError("the points of a curve are not as they were packed")
    return found
