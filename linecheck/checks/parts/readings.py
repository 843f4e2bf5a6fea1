"""Turning powers and amplitudes into readings.

==========================  ======================================================================
:class:`ReadingKind`        a kind that adds what it reads; what it does not read has no value
:class:`Located`            what such a kind reads: a capture, where its stimulus lies, what is asked of it
:class:`ReadingList`        what it adds readings, curves and problems to
==========================  ======================================================================
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Generic, Literal, TypeVar

import numpy as np

from linecheck.checks.base import (
    Capture,
    CheckKind,
    Context,
    Curve,
    Location,
    Measurement,
    Parameters,
    Problem,
    Reading,
)
from linecheck.checks.parts.declared import CurveSpec, MetricSpec
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.fits.dissect import Dissection, Line, Power
from linecheck.dsp.spectra.spectra import (
    NOISE_BANDWIDTH_BINS,
    Density,
    empty_above,
    line_spectrum,
    reduce_peaks,
)

#: dB per relative change of an amplitude, 20 / ln 10; half of it per relative change of a power.
DB_PER_NEPER = 20.0 / np.log(10.0)

#: What double precision leaves of a fit, as a share of the tone's power (-190 dB).
ARITHMETIC = 1e-19

#: Suffixes of the metrics that are weighted.
Weighting = Literal["", "_a", "_ccir_rms"]
WEIGHTINGS: tuple[Weighting, ...] = ("", "_a", "_ccir_rms")

#: A line is resolved where its power is above its own uncertainty; below it the reading is that uncertainty.
_FLOOR = 1e-300


@dataclass
class ReadingList:
    """Collects what one measurement takes; a value that is missing comes with its reason.

    ``volts_uncertainty`` is the relative standard uncertainty of the capture's full scale in volts, None where nobody
    states it. ``specs`` are the kind's metrics and curves: units are those that it declares.
    """

    volts_uncertainty: float | None = None
    specs: tuple[MetricSpec | CurveSpec, ...] = ()
    readings: list[Reading] = field(default_factory=list)
    curves: list[Curve] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def add(
        self,
        metric: str,
        channel: str | None,
        value: float,
        uncertainty: float | None,
        *,
        is_bound: bool = False,
        repeatability: float | None = None,
    ) -> None:
        """Add a reading, in the unit that its metric is declared in."""
        (unit,) = (spec.unit for spec in self.specs if spec.name == metric)
        spread = None if uncertainty is None else float(uncertainty)
        self.readings.append(
            Reading(metric, channel, float(value), unit, spread, is_bound, repeatability=repeatability)
        )

    def volts(self, metric: str, channel: str, volts: float | None, value: float, uncertainty: float) -> None:
        """Add a reading in volts; missing where the capture's full scale in volts is not known.

        How well that scale is known and how well the value repeats are independent, so that their variances add (JCGM
        100:2008, 5.1.2). Of a scale that nobody states to be known, no uncertainty is claimed.
        """
        if volts is None:
            message = f"{metric} cannot be read in volts: the capture's full_scale_volts is not known"
            self.explain(channel, "volts_unknown", message, metric)
            return
        own, scale = volts * uncertainty, self.volts_uncertainty
        if scale is None:
            self.add(metric, channel, value * volts, None, repeatability=float(own))
        else:
            self.add(metric, channel, value * volts, np.hypot(own, volts * value * scale))

    def curve(
        self,
        metric: str,
        channel: str,
        x: FloatArray,
        y: FloatArray,
        uncertainty: FloatArray,
        resolution_hz: float | None = None,
    ) -> None:
        """Add a curve, in the units that it is declared in."""
        (spec,) = (spec for spec in self.specs if isinstance(spec, CurveSpec) and spec.name == metric)
        x, y, uncertainty = (np.ascontiguousarray(part) for part in (x, y, uncertainty))
        self.curves.append(Curve(metric, channel, x, spec.x_unit, y, spec.unit, resolution_hz, uncertainty))

    def power_curve(
        self,
        metric: str,
        channel: str,
        points: tuple[FloatArray, FloatArray, FloatArray],
        band_hz: tuple[float, float],
        reference: float,
        resolution_hz: float,
        least: float = _FLOOR,
    ) -> None:
        """Add powers over frequency in a band, dB re a reference, reduced by peak-hold.

        ``points`` are frequencies (Hz), powers, and their standard uncertainties; powers are no less than ``least``.
        """
        frequencies, power, spread = points
        low, high = band_hz
        inside = np.flatnonzero((frequencies >= low) & (frequencies <= high) & (frequencies > 0.0))
        power = np.maximum(power, least)
        kept = inside[reduce_peaks(frequencies[inside], power[inside])]
        level = 10.0 * np.log10(power[kept] / reference)
        uncertainty = 0.5 * DB_PER_NEPER * spread[kept] / power[kept]
        self.curve(metric, channel, frequencies[kept], level, uncertainty, resolution_hz)

    def spectrum(
        self,
        parts: Dissection,
        channel: str,
        band_hz: tuple[float, float],
        resolution_hz: float,
        amplitude: float,
    ) -> None:
        """Add the spectrum of everything but the tone, dB re a tone of ``amplitude`` (peak)."""
        values, resolution_hz = self.to_average(channel, parts.without_tone, parts.rate_hz, resolution_hz)
        frequencies, power, spread, reached = line_spectrum(values, parts.rate_hz, resolution_hz)
        points = frequencies, power, spread
        self.power_curve("spectrum", channel, points, band_hz, 0.5 * amplitude**2, reached)
        self.at_resolution(channel, resolution_hz, reached, "spectrum")

    def to_average(
        self, channel: str, values: FloatArray, rate_hz: float, resolution_hz: float
    ) -> tuple[FloatArray, float]:
        """Return the stretch of a record whose spectrum is taken, and at which resolution: all of it, as it is asked.

        What takes a kept capture's curve again (``measure/reanalysis.py``) chooses otherwise here.
        """
        return values, resolution_hz

    def at_resolution(self, channel: str, wanted_hz: float, reached_hz: float, *metrics: str) -> None:
        """Say where a record is too short for a resolution: in metrics, a curve first, noise then stands higher."""
        if reached_hz <= 1.01 * wanted_hz:
            return
        message = (
            f"a resolution of {wanted_hz:g} Hz needs {NOISE_BANDWIDTH_BINS / wanted_hz:.2g} s of capture; the "
            f"{metrics[0]} has {reached_hz:.3g} Hz, at which noise stands higher"
        )
        self.explain(channel, "resolution_not_reached", message, *metrics)

    def explain(self, channel: str | None, code: str, message: str, *metrics: str) -> None:
        """Add the problem that says why metrics or curves are missing, or are bounds; it voids nothing else."""
        self.problems.append(Problem(code, message, channel, blocks=False, metrics=metrics))

    def reaches(self, capture: Capture, band_hz: tuple[float, float], metrics: tuple[str, ...]) -> bool:
        """Return whether a capture reaches a band's upper edge, which metrics mean; else say why these are missing."""
        edge_hz = 0.5 * capture.rate_hz
        if band_hz[1] <= edge_hz:
            return True
        message = f"the band goes to {band_hz[1]:g} Hz, the capture ({capture.rate_hz} Hz) reaches {edge_hz:g} Hz only"
        self.explain(None, "band_not_reached", message, *metrics)
        return False

    def measurement(self) -> Measurement:
        """Return what was collected."""
        return Measurement(tuple(self.readings), tuple(self.curves), tuple(self.problems))


Stimulated = TypeVar("Stimulated", bound=Parameters)
Analysed = TypeVar("Analysed", bound=Parameters)


@dataclass(frozen=True)
class Located(Generic[Stimulated, Analysed]):
    """A capture in which the stimulus was located, and what is to be read of it."""

    capture: Capture
    location: Location
    parameters: Stimulated
    analysis: Analysed
    context: Context

    @property
    def found(self) -> list[tuple[int, str]]:
        """The index and the name of each channel that has the stimulus."""
        return self.location.found_of(self.context.channels)

    @property
    def clock_ratio(self) -> float:
        """The unit's clock over the capture's, of a stimulus that tells it."""
        assert self.location.clock_ratio is not None
        return self.location.clock_ratio


class ReadingKind(CheckKind):
    """A kind that adds what it reads to a list; what it does not read stands there without a value."""

    @abstractmethod
    def read(self, out: ReadingList, located: Located[Any, Any]) -> None:
        """Add every metric and curve that a located stimulus gives, and say why others are missing."""

    def measure(
        self,
        capture: Capture,
        location: Location,
        parameters: Parameters,
        analysis: Parameters,
        context: Context,
    ) -> Measurement:
        """Take every metric and curve from a located stimulus."""
        out = ReadingList(context.volts_uncertainty, self.specs)
        located = Located(capture, location, parameters, analysis, context)
        self.read(out, located)
        # A former name of a successor that reads the same is given that one's reading.
        own = [spec for spec in self.metrics if spec.superseded_by is None or not spec.superseded_by.same]
        return completed(out.measurement(), own, tuple(name for _, name in located.found))


def completed(measured: Measurement, metrics: Sequence[MetricSpec], channels: tuple[str, ...]) -> Measurement:
    """Return a measurement with a reading of no value for each of some metrics that is missing, in their order."""
    taken = {(reading.metric, reading.channel): reading for reading in measured.readings}
    readings = [
        taken.pop((spec.name, channel), Reading(spec.name, channel, None, spec.unit, None))
        for spec in metrics
        for channel in (channels if spec.per_channel else (None,))
    ]
    return replace(measured, readings=(*readings, *taken.values()))


def decibels(metric: str, channel: str, amplitude: float, uncertainty: float, unit: str) -> Reading:
    """Return 20 lg of an amplitude; missing where it is zero."""
    if not amplitude > 0.0:
        return Reading(metric, channel, None, unit, None)
    value = 20.0 * np.log10(amplitude)
    return Reading(metric, channel, float(value), unit, float(DB_PER_NEPER * uncertainty / amplitude))


def ratio_reading(metric: str, channel: str, power: Power, tone: Line | None) -> Reading:
    """Return a power re the tone's in dB.

    Where the power is not resolved (it lies below its own standard uncertainty), the reading is a bound: what it is at
    most, two standard uncertainties above what was found.
    """
    if tone is None:
        return Reading(metric, channel, None, "dB", None)
    spread = _smallest(power, tone.power)
    hidden = bool(power.value < spread)
    if hidden:
        power = Power(max(power.value, 0.0) + 2.0 * spread, spread)
    return power_ratio(metric, channel, power, tone.power, is_bound=hidden)


def power_ratio(
    metric: str, channel: str, power: Power, reference: Power, *, is_bound: bool = False
) -> Reading:
    """Return a power re another in dB, as :func:`ratio_reading` does; missing where that one is nothing."""
    if not reference.value > 0.0:
        return Reading(metric, channel, None, "dB", None)
    spread = _smallest(power, reference)
    value = max(power.value, spread, _FLOOR)
    relative = np.hypot(spread / value, reference.uncertainty / reference.value)
    level = 10.0 * np.log10(value / reference.value)
    return Reading(metric, channel, float(level), "dB", float(0.5 * DB_PER_NEPER * relative), is_bound)


def _smallest(power: Power, reference: Power) -> float:
    """Return the smallest power that can be told from none beside a reference."""
    return float(np.hypot(power.uncertainty, ARITHMETIC * reference.value))


def pair_difference(metric: str, channels: tuple[str, ...], levels: Sequence[Reading]) -> Reading:
    """Return the first channel's level over the second's in dB; of more channels, the largest over the smallest."""
    values = [reading for reading in levels if reading.value is not None]
    if len(values) != len(channels) or len(values) < 2:
        return Reading(metric, None, None, "dB", None)
    if len(values) > 2:
        values = sorted(values, key=lambda reading: -(reading.value or 0.0))
    first, second = values[0], values[-1]
    difference = (first.value or 0.0) - (second.value or 0.0)
    spread = float(np.hypot(first.uncertainty or 0.0, second.uncertainty or 0.0))
    return Reading(metric, None, difference, "dB", spread)


def not_captured(
    noise: Density, reach_hz: float, rate_hz: int, channel: str, metrics: tuple[str, ...] = ()
) -> tuple[Problem, ...]:
    """Return a problem where a capture holds nothing above a frequency though its rate says that it does.

    Parameters
    ----------
    noise : Density
        Of a channel, re full scale.
    reach_hz : float
        Up to where it is read.
    rate_hz : int
        The capture's.
    channel : str
    metrics : tuple of str
        What reaches there; all of the channel where it is empty.
    """
    edge_hz = empty_above(noise, reach_hz, rate_hz)
    if edge_hz is None:
        return ()
    message = (
        f"above {edge_hz:.0f} Hz the capture holds nothing but the rounding of its words, less than any input's own "
        f"noise: it was taken at a lower rate than {rate_hz} Hz and converted, or filtered. Run every device and "
        "driver of the capture path at that rate"
    )
    return (Problem("band_not_reached", message, channel, blocks=not metrics, metrics=metrics),)


def power_weights(suffix: Weighting, frequencies_hz: FloatArray) -> FloatArray | None:
    """Return the power gain that a metric's suffix names; None where it names no weighting.

    ``_a`` is IEC 61672-1's A curve, ``_ccir_rms`` that of ITU-R BS.468-4 with unity at 2 kHz, as AES17 uses it. What is
    weighted so is read as rms, and not by the quasi-peak meter that BS.468-4 asks for.
    """
    from linecheck.dsp.spectra.weighting import a_weighting_db, weighting_468_db

    if not suffix:
        return None
    if suffix == "_a":
        return np.asarray(10.0 ** (a_weighting_db(frequencies_hz) / 10.0))
    return np.asarray(10.0 ** (weighting_468_db(frequencies_hz, reference_hz=2000) / 10.0))
