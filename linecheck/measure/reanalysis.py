"""A check's spectrum taken again from its kept capture: at another resolution, in another band, from fewer records.

=====================  ==================================================================================
:class:`Asked`         what is to be otherwise than when the check was judged
:func:`has_spectrum`   whether a check has a curve at a resolution bandwidth
:func:`taken_again`    its curves, measured by the check's own kind, with the tone taken out as it was then
=====================  ==================================================================================

Nothing of it is judged: masks and verdicts hold for the curve as it was recorded, which comes out again, number by
number, where nothing else is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from pydantic import ValidationError

from linecheck.audio.file import samples_sha256
from linecheck.checks import kinds
from linecheck.checks.base import Capture, Context, Curve, Parameters
from linecheck.checks.parts.readings import Located, ReadingKind, ReadingList
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.spectra.spectra import NOISE_BANDWIDTH_BINS, averaged_records
from linecheck.errors import UsageError
from linecheck.files.text import visible
from linecheck.limits.model import Check
from linecheck.limits.verdict import JudgedCurve, JudgedMeasurement
from linecheck.measure.analyses import referred
from linecheck.measure.measure import with_bits
from linecheck.measure.rounding import rounded
from linecheck.run.model import CheckOutcome, Run

MAX_RECORDS = 10_000
#: As in limit files; no record is shorter.
_COARSEST_HZ = 1000.0


@dataclass(frozen=True)
class Asked:
    """What is to be otherwise; None stays as it was judged.

    Attributes
    ----------
    resolution_hz : float or None
        Bandwidth that levels are stated at, Hz.
    records : int or None
        How many records, overlapping by half, have their powers averaged: all of the capture in so many, or its
        beginning where the resolution says how long each is.
    band_hz : tuple of float or None
        From where to where the curve goes along its axis, Hz.
    """

    resolution_hz: float | None = None
    records: int | None = None
    band_hz: tuple[float, float] | None = None

    def __bool__(self) -> bool:
        """Whether anything is asked for."""
        return self != Asked()


@dataclass(frozen=True)
class Again:
    """A check with the curves that were taken again, none of them judged.

    ``records`` is how many records were averaged for each point; None where the curve is no average of records.
    """

    check: CheckOutcome
    records: int | None

    @property
    def resolution_hz(self) -> float:
        """The bandwidth that was reached, Hz."""
        return max(item.curve.resolution_hz or 0.0 for item in self.check.judged.curves)


@dataclass
class _AskedList(ReadingList):
    """Collects what a kind reads, with its spectra as they are asked for."""

    asked: Asked = field(default_factory=Asked)
    counts: list[int] = field(default_factory=list)

    def to_average(
        self, channel: str, values: FloatArray, rate_hz: float, resolution_hz: float
    ) -> tuple[FloatArray, float]:
        """Return the stretch that gives so many records, and the resolution of each."""
        asked = self.asked.records
        if asked is not None and self.asked.resolution_hz is None:
            # N of them, overlapping by half, are (N + 1) / 2 lengths.
            length = int(np.ceil(2.0 * len(values) / (asked + 1)))
            resolution_hz = NOISE_BANDWIDTH_BINS * rate_hz / length
            if resolution_hz > _COARSEST_HZ:
                most = int(2.0 * len(values) * _COARSEST_HZ / (NOISE_BANDWIDTH_BINS * rate_hz)) - 1
                raise UsageError(
                    f"--records {asked}: a record would have a resolution of {resolution_hz:.0f} Hz only; "
                    f"this capture has room for {most}"
                )
        elif asked is not None:
            length, most = averaged_records(len(values), rate_hz, resolution_hz)
            if asked > most:
                raise UsageError(
                    f"--records {asked}: records at {resolution_hz:g} Hz last {length / rate_hz:.2g} s each, and this "
                    f"capture has {len(values) / rate_hz:.2g} s: it has room for {most}"
                )
            if asked < most:
                values = values[: length * (asked + 1) // 2]
        self.counts.append(averaged_records(len(values), rate_hz, resolution_hz)[1])
        return values, resolution_hz

    def power_curve(
        self,
        metric: str,
        channel: str,
        points: tuple[FloatArray, FloatArray, FloatArray],
        band_hz: tuple[float, float],
        *others: Any,  # noqa: ANN401 - the list's own
    ) -> None:
        """Add powers over frequency in the band that is asked for."""
        super().power_curve(metric, channel, points, self.asked.band_hz or band_hz, *others)


def has_spectrum(run: Run, check: CheckOutcome) -> bool:
    """Return whether a check has a curve at a resolution bandwidth."""
    limits = run.limits_of(check.check)
    return (
        limits is not None
        and isinstance(kinds().get(check.kind), ReadingKind)
        and hasattr(limits.analysis, "resolution_hz")
        and any(item.curve.resolution_hz is not None for item in check.judged.curves)
    )


def taken_again(run: Run, check: CheckOutcome, capture: Capture, asked: Asked) -> Again:
    """Take a check's curves again from its capture.

    Parameters
    ----------
    run : Run
        The run, with the limits of its own day.
    check : CheckOutcome
        One of its checks that :func:`has_spectrum`.
    capture : Capture
        What was captured then.
    asked : Asked

    Raises
    ------
    UsageError
        The capture is another, or does not hold what is asked for.
    """
    name = visible(check.check)
    known = {entry.name: _revived(entry) for entry in run.limits.checks}
    limits = known[check.check]
    kind = limits.kind
    if not isinstance(kind, ReadingKind):
        raise UsageError(f"{name}: was measured in a way that this linecheck does not know")
    if check.capture_sha256 not in (None, samples_sha256(capture.samples)):
        raise UsageError(
            f"{name}: the capture that is kept is not the one that was judged; its samples differ"
        )
    capture, channels = with_bits(capture), run.limits.channels
    recorded = [item.curve for item in check.judged.curves if item.curve.resolution_hz is not None]
    outcomes = {other.check: other for other in run.checks}
    alive = replace(run.limits, checks=tuple(known.values()))
    context = Context(channels, referred(alive, outcomes, limits.reference), None)
    out = _AskedList(None, kind.specs, asked=asked)
    analysis = _analysis(limits, capture, asked)
    location = kind.locate(capture, limits.stimulus, channels)
    kind.read(out, Located(capture, location, limits.stimulus, analysis, context))
    measured = {(curve.metric, curve.channel) for curve in recorded}
    curves = tuple(rounded(curve) for curve in out.curves if (curve.metric, curve.channel) in measured)
    _refuse_missing(name, curves, out, asked)
    judged = JudgedMeasurement((), tuple(map(JudgedCurve, curves)), check.judged.problems)
    return Again(replace(check, judged=judged), min(out.counts) if out.counts else None)


def _revived(check: Check) -> Check:
    """Return a check that was read back from a record with its own kind, which can measure; else as it is."""
    kind = kinds().get(check.kind.name)
    if kind is None or kind is check.kind:
        return check
    try:
        stimulus = kind.stimulus_parameters.model_validate(check.stimulus_values)
        analysis = kind.analysis_parameters.model_validate(check.analysis_values)
    except ValidationError:
        return check
    return replace(check, kind=kind, stimulus=stimulus, analysis=analysis)


def _analysis(limits: Check, capture: Capture, asked: Asked) -> Parameters:
    """Return the analysis with another resolution, and with a band that holds both its own and what is asked for.

    What is taken out with the tone depends on the band's edges: of a narrower band it is what it was.
    """
    own: Any = limits.analysis
    changes: dict[str, Any] = {}
    if asked.resolution_hz is not None:
        changes["resolution_hz"] = asked.resolution_hz
    spans = limits.kind.curve_spans(limits.stimulus, own)
    if asked.band_hz is not None and own.band_hz in spans.values():
        low, high = asked.band_hz
        if high > 0.5 * capture.rate_hz:
            raise UsageError(
                f"--band {low:g}-{high:g}: the capture of {visible(limits.name)} ({capture.rate_hz} Hz) reaches "
                f"{0.5 * capture.rate_hz:g} Hz only"
            )
        changes["band_hz"] = (min(low, own.band_hz[0]), max(high, own.band_hz[1]))
    try:
        changed: Parameters = type(own).model_validate(own.model_dump() | changes)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(map(str, first["loc"])) or "analysis"
        raise UsageError(f"{visible(limits.name)}: {place}: {first['msg']}, got {first['input']}") from error
    return changed


def _refuse_missing(name: str, curves: tuple[Curve, ...], out: _AskedList, asked: Asked) -> None:
    """Refuse what gave no curve, and one that is not what was asked for.

    Raises
    ------
    UsageError
    """
    if not any(len(curve.x) for curve in curves):
        why = "; ".join(problem.message for problem in out.problems if not problem.metrics or problem.blocks)
        band = "" if asked.band_hz is None else f" in {asked.band_hz[0]:g} Hz to {asked.band_hz[1]:g} Hz"
        raise UsageError(f"{name}: its curve has no point{band}{': ' * bool(why)}{why}")
    if asked.records is not None and not out.counts:
        raise UsageError(f"{name}: its {curves[0].metric} come from the whole record: leave --records out")
    reached = max(curve.resolution_hz or 0.0 for curve in curves)
    wanted = asked.resolution_hz
    if wanted is not None and reached > 1.01 * wanted:
        raise UsageError(
            f"{name}: a resolution of {wanted:g} Hz needs {NOISE_BANDWIDTH_BINS / wanted:.2g} s of capture; "
            f"the kept one reaches {reached:.3g} Hz"
        )
