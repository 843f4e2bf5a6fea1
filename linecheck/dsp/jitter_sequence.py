"""The jitter test signal: a tone at a quarter of the rate, and a square wave of the lowest bit.

J. Dunn, "Diagnosis and Solution of Jitter-Related Problems in Digital Audio Systems", AES 96th Convention, 1994 (author
and venue from memory). The tone makes time errors visible as sidebands; the square wave flips all bits of the word at
once, 192 frames (one AES3 channel-status block) a period, which is what an interface's jitter depends on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from linecheck.dsp.arrays import ComplexArray, IntArray

#: Frames after which the signal repeats.
CYCLE = 192
#: The tone is this harmonic of rate/192.
CARRIER_ORDER = CYCLE // 4


@dataclass(frozen=True)
class SquareLines:
    """What the signal itself contains besides its tone.

    Attributes
    ----------
    offsets : int64 array, shape (lines,)
        Distance from the tone in units of rate/192; odd, ascending.
    ratios : complex128 array, shape (lines,)
        Complex amplitude over the tone's, for the sequence as it begins.
    """

    offsets: IntArray
    ratios: ComplexArray


def jitter_sequence(bits: Literal[16, 24]) -> IntArray:
    """Return one cycle of the signal in quantising steps, shape (192,).

    24 bits: C00000 C00000 400000 400000 24 times, then BFFFFF BFFFFF 3FFFFF 3FFFFF 24 times. 16 bits by the same rule:
    C000 C000 4000 4000 and BFFF BFFF 3FFF 3FFF.
    """
    quarter = 1 << (bits - 2)
    first = np.array([-quarter, -quarter, quarter, quarter], dtype=np.int64)
    return np.concatenate((np.tile(first, 24), np.tile(first - 1, 24)))


def square_lines(bits: Literal[16, 24]) -> SquareLines:
    """Return the odd harmonics of rate/192 below half the rate: the lowest bit's square wave."""
    spectrum = np.fft.rfft(jitter_sequence(bits).astype(np.float64))
    orders = np.arange(1, CYCLE // 2, 2)
    return SquareLines(orders - CARRIER_ORDER, spectrum[orders] / spectrum[CARRIER_ORDER])
