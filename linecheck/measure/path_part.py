"""What the station's own path may add to a reading, and the uncertainty that it leaves.

=========================  =====================================================================
:class:`PathPart`          one effect of the path: its size, and the way in which it enters
:func:`whole_uncertainty`  a reading's own uncertainty with those of all its parts
:func:`with_path`          a measurement with the path's parts in its uncertainties
=========================  =====================================================================

A part is evaluated by its bounds (JCGM 100:2008, GUM, 4.3): it may be anything up to what the station's loop shows, in
which playback and capture both add, while a unit meets the capture alone. Nothing is subtracted for it: where an effect
is not corrected for, its mean square enters the variance (F.2.4.5). Parts are independent of each other and of the
scatter, so that variances add (5.1.2). What is correlated is so inside a part: lines of the path and of the unit at one
frequency add as amplitudes in a phase that nobody knows, and not as powers.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from linecheck.checks.base import Curve, Measurement, Reading

#: ``power``: noise beside noise. ``amplitude``: a line beside a line of its own frequency. ``additive``: it adds in the
#: reading's unit. ``relative``: it is an error of the level, in dB, of a reading in volts.
Way = Literal["power", "amplitude", "additive", "relative"]

#: By what the bound of a part is divided: the standard deviation of an even distribution between bounds (GUM 4.3.7),
#: and of a sine of unknown phase between them (JCGM 101:2008, 6.4.6; from memory).
EVEN, ARC_SINE = math.sqrt(3.0), math.sqrt(2.0)
DIVISORS: Final[Mapping[Way, float]] = {
    "power": EVEN,
    "amplitude": ARC_SINE,
    "additive": EVEN,
    "relative": EVEN,
}
#: What a metric is in: decibels, a voltage, or bits of 6.02 dB each.
Scale = Literal["decibels", "volts", "bits"]
DB_PER_BIT: Final = 20.0 * math.log10(2.0)
#: Beyond this, in dB, the path hides the unit altogether, and more of it says no more.
MAX_BOUND_DB: Final = 200.0


@dataclass(frozen=True)
class PathPart:
    """One effect of the path on one metric.

    Attributes
    ----------
    source : str
        What it is, in words.
    size : float
        Of ``power`` and ``amplitude`` the level in dB, re what the metric refers to; else in the metric's unit, of
        ``relative`` in dB.
    way : str
        How it enters.
    sign : float
        -1 where the metric is an attenuation or a ratio that is better the greater it is, else 1.
    scale : str
        What the metric is in. ``size`` is re one of its unit where that is a voltage, and re no bits where it is bits.
    limit : float or None
        The mask's. Beside a value that is better than it the part counts as it does at the limit, where it is decided:
        far below, where the path hides the unit altogether, decibels say nothing of what could lie up there.
    """

    source: str
    size: float
    way: Way
    sign: float = 1.0
    scale: Scale = "decibels"
    limit: float | None = None

    def bound(self, value: float) -> float:
        """Return by how much it moves a true value, at most, in the metric's unit."""
        if self.way == "additive":
            return abs(self.size)
        if self.way == "relative":
            return float(abs(value) * (10.0 ** (abs(self.size) / 20.0) - 1.0))
        value = self._decided_at(value)
        if self.scale == "volts":
            return self._bound_volts(value)
        per_unit = DB_PER_BIT if self.scale == "bits" else 1.0
        level = self.sign * value * per_unit
        return self._bound_db(min(self.size - level, MAX_BOUND_DB)) / per_unit

    def _bound_volts(self, value: float) -> float:
        if not value > 0.0:
            return float(10.0 ** (self.size / 20.0))
        decibels = self._bound_db(min(self.size - 20.0 * math.log10(value), MAX_BOUND_DB))
        return float(value * (10.0 ** (decibels / 20.0) - 1.0))

    def _decided_at(self, value: float) -> float:
        """Return the worse of a value and the limit."""
        if self.limit is None:
            return value
        return self.sign * max(self.sign * value, self.sign * self.limit)

    def _bound_db(self, above: float) -> float:
        """Return the same in dB; ``above`` is how far the part lies above the value."""
        if self.way == "power":
            return 10.0 * math.log10(1.0 + 10.0 ** (above / 10.0))
        return 20.0 * math.log10(1.0 + 10.0 ** (above / 20.0))

    def uncertainty(self, value: float) -> float:
        """Return its standard uncertainty (k = 1) beside a value, in the metric's unit."""
        return self.bound(value) / DIVISORS[self.way]


#: By metric and channel of one check.
PathParts = Mapping[tuple[str, str | None], tuple[PathPart, ...]]


def whole_uncertainty(value: float, own: float, parts: Iterable[PathPart]) -> float:
    """Return the combined standard uncertainty of a value (GUM 5.1.2)."""
    return math.hypot(own, *(part.uncertainty(value) for part in parts))


def with_path(measurement: Measurement, parts: PathParts) -> Measurement:
    """Return a measurement whose readings and curves have the uncertainty of the path's parts as well."""
    if not parts:
        return measurement
    readings = tuple(_with_parts(entry, parts) for entry in measurement.readings)
    return replace(
        measurement, readings=readings, curves=tuple(_widened(one, parts) for one in measurement.curves)
    )


def _widened(curve: Curve, parts: PathParts) -> Curve:
    found = parts.get((curve.metric, curve.channel), ())
    if not found or curve.uncertainty is None:
        return curve
    pairs = zip(curve.y.tolist(), curve.uncertainty.tolist(), strict=True)
    return replace(
        curve, uncertainty=np.array([whole_uncertainty(value, own, found) for value, own in pairs])
    )


def _with_parts(reading: Reading, parts: PathParts) -> Reading:
    found = parts.get((reading.metric, reading.channel), ())
    if not found or reading.value is None or reading.uncertainty is None:
        return reading
    return replace(reading, uncertainty=whole_uncertainty(reading.value, reading.uncertainty, found))
