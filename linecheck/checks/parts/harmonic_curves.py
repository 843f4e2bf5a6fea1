"""Harmonics of a tone that is stepped in level or in frequency, as curves: one for each of the lowest orders."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, Literal

import numpy as np

from linecheck.checks.parts.declared import NO_POSITIVE, CurveSpec, DifferenceSpec
from linecheck.checks.parts.readings import ReadingList, power_ratio
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.fits.dissect import Power
from linecheck.dsp.fits.residue import Residue

#: The orders that have a curve; what follows them is seen in a tone's spectrum.
ORDERS: Final = (2, 3, 4, 5)
NAMES: Final = tuple(f"harmonic_{order}" for order in ORDERS)


def harmonic_specs(x_unit: Literal["Hz", "dBFS"], said_by: Sequence[str]) -> tuple[CurveSpec, ...]:
    """Return the curves of a kind, along its axis; ``said_by`` are metrics that say the same of a difference."""
    return tuple(
        CurveSpec(
            name, x_unit, "dB", f"harmonic {order} of each tone, re the tone",
            difference=DifferenceSpec(f"harmonic {order}", said_by=tuple(said_by)),
            possible=NO_POSITIVE,
            log_x=x_unit == "Hz",
        )
        for order, name in zip(ORDERS, NAMES, strict=True)
    )  # fmt: skip


def harmonic_spans(span: tuple[float, float]) -> Mapping[str, tuple[float, float]]:
    """Return from where to where the curves go."""
    return dict.fromkeys(NAMES, span)


def tone_power(left: Residue) -> Power:
    """Return the power of a tone."""
    return Power(0.5 * left.amplitude**2, left.amplitude * left.amplitude_uncertainty)


def add_harmonics(
    out: ReadingList,
    channel: str,
    places: FloatArray,
    tones_hz: FloatArray,
    residues: Sequence[Residue],
    edge_hz: float,
) -> None:
    """Add each harmonic's curve, as far as the capture holds it.

    A harmonic that noise hides stands at its own standard uncertainty, below which nothing can be told.

    Parameters
    ----------
    out : ReadingList
    channel : str
    places, tones_hz : float64 arrays, shape (steps,)
        Where each step stands along the axis, ascending, and its tone.
    residues : sequence of Residue
        What each step holds beside its tone.
    edge_hz : float
        Up to where the capture is read.
    """
    for order, name in zip(ORDERS, NAMES, strict=True):
        found = [
            (place, power_ratio(name, channel, Power(*left.harmonics[order - 2]), tone_power(left)))
            for place, tone, left in zip(places.tolist(), tones_hz.tolist(), residues, strict=True)
            if order * tone <= edge_hz and len(left.harmonics) > order - 2
        ]
        points = np.array(
            [
                (place, reading.value, reading.uncertainty)
                for place, reading in found
                if reading.value is not None
            ]
        )
        if len(points):
            out.curve(name, channel, *points.T)
