"""Reading faint tones of known frequency beside strong ones, such as one channel's signal in another channel.

The strong tones are fitted with their common drift, other lines that stand out are found and taken out, then strong and
faint tones are fitted together: what a strong tone or line a few cycles off would leak is gone, and the faint ones are
read with the whole record's resolution. Frequencies are in cycles per frame, powers mean squares re full scale 1.0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linecheck.dsp.dissect import Power
from linecheck.dsp.spectra import density, density_near, find_lines
from linecheck.dsp.tone_residue import take_out
from linecheck.dsp.tones import fit_lines, fit_tones, synthesise

__all__ = ["TonePowers", "tone_powers"]

FloatArray = NDArray[np.float64]

#: A line within so many cycles over the record of a tone cannot be told from it.
APART_CYCLES = 2.0
#: At most so many other lines are taken out.
MOST_LINES = 40
#: What rounding leaves of a record, as a share of its standard deviation.
ROUNDING = 1e-11


@dataclass(frozen=True)
class TonePowers:
    """Powers of strong and of faint tones, the noise's share taken off, in the order in which they were asked for."""

    strong: tuple[Power, ...]
    faint: tuple[Power, ...]


def tone_powers(record: FloatArray, strong: FloatArray, faint: FloatArray) -> TonePowers:
    """Return the powers of tones of known frequencies.

    Parameters
    ----------
    record : float64 array, shape (frames,)
    strong : float64 array, shape (strong tones,)
        To about a third of a cycle over the record; what they are off by, they share. May be empty.
    faint : float64 array, shape (faint tones,)
        At least 2 cycles over the record from each other and from the strong ones; moved as the strong ones are.
    """
    taken = take_out(record, strong)
    known = np.concatenate((strong, faint)) * taken.tones.scale
    steady = taken.steady
    others = _other_lines(record, taken.rest, known)
    if len(others):
        fit, _ = fit_lines(taken.rest, others, iterations=2)
        steady = steady - synthesise(len(record), fit.frequencies, fit.amplitudes)
    fit = fit_tones(steady, known)
    noise = density(steady - synthesise(len(record), known, fit.amplitudes, fit.constant), 1.0)
    powers = [
        _power(complex(amplitude), density_near(noise, float(frequency)) / len(record))
        for frequency, amplitude in zip(known, fit.amplitudes, strict=True)
    ]
    return TonePowers(tuple(powers[: len(strong)]), tuple(powers[len(strong) :]))


def _other_lines(record: FloatArray, rest: FloatArray, known: FloatArray) -> FloatArray:
    """Return lines that stand out of a rest and are none of the known tones."""
    frames = len(rest)
    if float(np.std(rest)) <= ROUNDING * float(np.std(record)):
        return np.zeros(0)
    lines = find_lines(rest, 1.0, 3.0 / frames, 0.4999, most=MOST_LINES)
    apart = np.min(np.abs(np.subtract.outer(lines, known)), axis=1, initial=1.0) * frames >= APART_CYCLES
    chosen: FloatArray = lines[apart]
    return chosen


def _power(amplitude: complex, share: float) -> Power:
    """Return a tone's power less the noise's share S/T, with its standard uncertainty."""
    value = 0.5 * abs(amplitude) ** 2 - share
    return Power(value, float(np.sqrt(2.0 * max(value, 0.0) * share + share**2)))
