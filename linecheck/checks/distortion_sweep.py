"""``distortion_sweep``: THD+N over frequency, in the audio band and in a wide one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field, model_validator

from linecheck.checks.base import Capture, Parameters, Problem, Reading
from linecheck.checks.parts.declared import (
    NO_NEGATIVE,
    NO_POSITIVE,
    CurveSpec,
    DifferenceSpec,
    Implied,
    MetricSpec,
    Range,
    Successor,
    the_same,
)
from linecheck.checks.parts.harmonic_curves import (
    add_harmonics,
    harmonic_spans,
    harmonic_specs,
    tone_power,
)
from linecheck.checks.parts.known_signal import CAPTURE_EDGE
from linecheck.checks.parts.readings import Located, ReadingList, not_captured, ratio_reading
from linecheck.checks.parts.steady import BandAnalysis, refuse_beyond
from linecheck.checks.parts.step_plan import LEAVE_SECONDS
from linecheck.checks.parts.stepped import Step, SteppedKind, SteppedParameters, StepPlan, step_spans
from linecheck.checks.parts.word_length import dither_noise_db
from linecheck.checks.parts.words import dropout, rings_ahead
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.level_courses import patchy
from linecheck.dsp.fits.dissect import Line, Power
from linecheck.dsp.fits.residue import Residue, residue
from linecheck.dsp.quantise import full_scale_amplitude
from linecheck.dsp.spectra.spectra import empty_above

#: A tone is measured over at least so many of its periods.
MIN_PERIODS = 12.0
#: Tones that follow each other differ by at least this, over the length of a step: where one ends is seen by it.
MIN_CYCLES_APART = 1.0
#: A tone that differs for a while by less than the first of these, re itself (root mean square over its step), and by
#: less than the second for each hertz, is the unit's: parts that warm up drift by 0.001 dB, clocks wander by 8 ns.
DRIFT, WANDER_PER_HZ = 1e-4, 5e-8
#: The metrics and the curve of each band.
AUDIO = ("worst", "worst_at", "thd_n")
WIDEBAND = ("worst_wideband", "worst_wideband_at", "thd_n_wideband")
WIDE = ("worst_wide", "worst_wide_at", "thd_n_wide")
#: Where the wide band ends if nothing else is said: the trade's usual low pass (common practice, no source); or where a
#: capture ends, from where on it holds the second harmonic of 20 kHz.
WIDEBAND_HZ, MIN_WIDEBAND_HZ = 80_000.0, 40_000.0
_OTHER_END = "ends at 80 kHz or where the capture ends, not at 90 kHz"


class DistortionSweepParameters(SteppedParameters):
    """The sines. AES17-2015, 6.3.2, takes THD+N over frequency at 1 dB below the maximum level."""

    level_dbfs: Annotated[
        float, Field(ge=-100.0, le=0.0, description="Level, dB re a full-scale sine (AES17)")
    ] = -1.0
    lowest_hz: Annotated[float, Field(ge=10.0, description="Lowest frequency, Hz")] = 20.0
    highest_hz: Annotated[
        float,
        Field(ge=200.0, le=400_000.0, description="Highest frequency, Hz: by it the steps are found in time"),
    ] = 20000.0
    points: Annotated[
        int, Field(ge=2, le=60, description="Number of frequencies, evenly spaced in their logarithm")
    ] = 14
    seconds: Annotated[
        float,
        Field(
            ge=0.05,
            le=10.0,
            description="Length of each measured part, s; low tones take 12 periods at least",
        ),
    ] = 0.17

    @model_validator(mode="after")
    def _fits(self) -> DistortionSweepParameters:
        refuse_beyond("highest_hz", self.highest_hz, self.rate_hz)
        if self.highest_hz < 1.5 * self.lowest_hz:
            raise ValueError(
                f"highest_hz must be at least 1.5 times lowest_hz ({1.5 * self.lowest_hz:g}), got {self.highest_hz:g}"
            )
        steps = self.frequencies_hz[:-1]
        lengths = np.maximum(self.seconds, MIN_PERIODS / steps)
        if np.min(np.diff(self.frequencies_hz) * lengths) < MIN_CYCLES_APART:
            raise ValueError(
                f"{self.points} points from {self.lowest_hz:g} to {self.highest_hz:g} Hz lie too close to tell one "
                f"step from the next in {self.seconds:g} s: take fewer points, or more seconds for each"
            )
        return self

    @property
    def frequencies_hz(self) -> FloatArray:
        """The frequencies, ascending."""
        return np.geomspace(self.lowest_hz, self.highest_hz, self.points)


class DistortionSweepAnalysis(BandAnalysis):
    """The bands that THD+N is taken in."""

    wideband_hz: Annotated[
        float | None,
        Field(
            ge=1000.0,
            le=400_000.0,
            description="Upper edge of the wide band, Hz; left out: 80 kHz, or where the capture ends (0.4536 of its "
            "rate), from 40 kHz on",
        ),
    ] = None
    wide_hz: Annotated[
        float | None,
        Field(
            ge=1000.0,
            le=400_000.0,
            description="Upper edge of the wide band of worst_wide and thd_n_wide, Hz; null for none",
        ),
    ] = 90000.0
    images: Annotated[
        bool,
        Field(
            description="Whether the tone's images, at the rate and twice that, less or plus it, count in the wide band"
        ),
    ] = True

    @model_validator(mode="after")
    def _wider(self) -> DistortionSweepAnalysis:
        high = self.band_hz[1]
        for name in ("wideband_hz", "wide_hz"):
            edge = getattr(self, name)
            if edge is not None and edge <= high:
                raise ValueError(f"{name} must be above the band's upper edge ({high:g} Hz), got {edge:g}")
        return self

    @property
    def wideband(self) -> tuple[float, float]:
        """The wide band of a capture that holds all of it."""
        return self.band_hz[0], self.wideband_hz or WIDEBAND_HZ


class DistortionSweepKind(SteppedKind):
    """THD+N over frequency: everything but the tone, re the tone, at 14 frequencies from 20 Hz to 20 kHz.

    The bands are taken from the same capture: ``thd_n`` from 20 Hz to 20 kHz, or the band that the file names, and
    ``thd_n_wideband`` from the same lower edge to 80 kHz, the trade's usual low pass (a capture at 176.4 kHz holds it),
    or to 0.4536 of the capture's rate, where its own filter begins, from 40 kHz on; an edge that the file names
    (``wideband_hz``) must be reached. ``thd_n_wide``, ``worst_wide`` and ``worst_wide_at`` are the same up to
    ``wide_hz``, 90 kHz, which the capture must reach: superseded, since nobody else ends there. In the audio band the
    harmonics of high tones are lost one by one: from 10 kHz on only noise, hum and what lies below the tone is left,
    and at 20 kHz the figure flatters. In the wide band the harmonics of 20 kHz count up to the fourth, but so do the
    unit's ultrasonic noise and the images of tones near half its rate. So the wide curve lies above the other by the
    noise alone; what climbs with frequency in it is distortion or images. A unit whose filter lets images through by
    design is judged with ``images: false``, which leaves them out.

    The tone is fitted and taken off, no notch takes noise or harmonics with it; harmonics are in the band or out of it
    by their nominal frequency. ``worst`` is the curve's greatest value, ``worst_at`` the frequency where it is: one of
    those that were played, so its uncertainty is a rectangle's that goes half way to the further of its neighbours on
    either side.

    ``harmonic_2`` to ``harmonic_5`` are each harmonic re its tone, over the tones whose harmonic the capture holds, up
    to 0.4536 of its rate. Where noise hides one, it stands at its standard uncertainty, below which nothing is
    told. An image of the tone at the very place of a harmonic counts as that.

    Each sine, and what is left beside it, is followed through its step: a stretch that is lost, held, faded or
    disturbed voids the channel. What moves a sine by no more than warm parts and wandering clocks do (80 dB below it
    at low frequencies, 60 dB at 20 kHz) is read as the unit's, and so may be a frame lost within the first or last
    period of a step of 20 to 50 Hz: as more distortion than there is, never as less. Between two measured parts
    nothing is moved.
    """

    name: ClassVar[str] = "distortion_sweep"
    text: ClassVar[str] = "sines stepped in frequency: THD+N over frequency, in one band or two"
    stimulus_parameters: ClassVar[type[Parameters]] = DistortionSweepParameters
    analysis_parameters: ClassVar[type[Parameters]] = DistortionSweepAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec(
            "worst", "dB", "greatest THD+N in the band, re the tone", "less",
            DifferenceSpec("THD+N at its worst"), NO_POSITIVE,
        ),
        MetricSpec(
            "worst_at", "Hz", "the tone at which it is", "nominal", DifferenceSpec(is_place=True), NO_NEGATIVE
        ),
        MetricSpec(
            "worst_wideband", "dB", "greatest THD+N in the wide band, to 80 kHz or as declared, re the tone", "less",
            DifferenceSpec("THD+N in the wide band at its worst", to_edge=True), NO_POSITIVE,
        ),
        MetricSpec(
            "worst_wideband_at", "Hz", "the tone at which that is", "nominal",
            DifferenceSpec(is_place=True), NO_NEGATIVE,
        ),
        MetricSpec(
            "worst_wide", "dB", "greatest THD+N in the wide band to 90 kHz, re the tone", "less",
            DifferenceSpec("THD+N in the wide band at its worst", to_edge=True), NO_POSITIVE,
            superseded_by=Successor("worst_wideband", _OTHER_END),
        ),
        MetricSpec(
            "worst_wide_at", "Hz", "the tone at which that is", "nominal",
            DifferenceSpec(is_place=True), NO_NEGATIVE,
            superseded_by=Successor("worst_wideband_at", _OTHER_END),
        ),
    )  # fmt: skip
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        CurveSpec(
            "thd_n", "Hz", "dB", "noise and distortion in the band, re the tone",
            difference=DifferenceSpec("THD+N", said_by=("worst",)), possible=NO_POSITIVE,
        ),
        CurveSpec(
            "thd_n_wideband", "Hz", "dB", "THD+N in the wide band, to 80 kHz or as declared, re the tone",
            difference=DifferenceSpec("THD+N in the wide band", said_by=("worst_wideband",), to_edge=True),
            possible=NO_POSITIVE,
        ),
        CurveSpec(
            "thd_n_wide", "Hz", "dB", "noise and distortion in the wide band to 90 kHz, re the tone",
            difference=DifferenceSpec("THD+N in the wide band", said_by=("worst_wide",)), possible=NO_POSITIVE,
            superseded_by=Successor("thd_n_wideband", _OTHER_END),
        ),
        *harmonic_specs("Hz", ("worst", "worst_wideband", "thd_n", "thd_n_wideband", "tone.thd")),
    )  # fmt: skip

    def possible(
        self, parameters: DistortionSweepParameters, analysis: DistortionSweepAnalysis
    ) -> Mapping[str, Range]:
        """Return what the noise of the stimulus's dither allows."""
        found: dict[str, Range] = {}
        # As far as any capture goes that is read.
        least = analysis.wideband_hz or MIN_WIDEBAND_HZ
        for suffix, high in (("", analysis.band_hz[1]), ("_wideband", least), ("_wide", analysis.wide_hz)):
            if high is not None:
                band = (analysis.band_hz[0], high)
                residue = dither_noise_db(parameters.bits, parameters.rate_hz, band) - parameters.level_dbfs
                found[f"worst{suffix}"] = found[f"thd_n{suffix}"] = (residue, 0.0)
        return found

    def implied(
        self, parameters: DistortionSweepParameters, analysis: DistortionSweepAnalysis
    ) -> tuple[Implied, ...]:
        """Return what the bands and their curves hold of each other."""
        found = [
            Implied("worst", wide, the_same, "the wide band holds the other")
            for wide in ("worst_wideband", "worst_wide")
        ]
        found += [
            Implied(curve, worst, the_same, "it is the curve's greatest value")
            for worst, _, curve in (AUDIO, WIDEBAND, WIDE)
        ]
        return tuple(found)

    def plan(self, parameters: DistortionSweepParameters) -> StepPlan:
        """Return the steps that parameters stand for."""
        amplitude = (full_scale_amplitude(parameters.level_dbfs, parameters.bits),)
        return StepPlan(
            tuple(
                Step((float(tone),), amplitude, float(max(parameters.seconds, MIN_PERIODS / tone)))
                for tone in parameters.frequencies_hz
            )
        )

    def read(
        self, out: ReadingList, located: Located[DistortionSweepParameters, DistortionSweepAnalysis]
    ) -> None:
        """Take THD+N of every sine."""
        capture, location, analysis = located.capture, located.location, located.analysis
        rate_hz, frequencies_hz = located.parameters.rate_hz, located.parameters.frequencies_hz
        bands = _bands(out, capture, analysis)
        spans = step_spans(self.plan(located.parameters), location, capture.rate_hz)
        for index, name in located.found:
            residues = [
                residue(
                    capture.scaled[index, span[0] : span[1]],
                    capture.rate_hz,
                    tone * (location.clock_ratio or 1.0),
                    tone,
                    [band for _, band in bands],
                    # The tone's images, which are fitted as harmonics are.
                    [order * rate_hz + side * tone for order in (1, 2) for side in (-1.0, 1.0)],
                    count_images=analysis.images,
                )
                for span, tone in zip(spans, frequencies_hz.tolist(), strict=True)
            ]
            out.problems += _patch(name, residues, spans, frequencies_hz, capture.rate_hz)
            rows = [_thd_n(left, float(tone)) for left, tone in zip(residues, frequencies_hz, strict=True)]
            # Of the longest record, which tells most.
            longest = max(residues, key=lambda left: left.noise.seconds)
            for number, (names, band) in enumerate(bands):
                converted = not_captured(longest.noise, band[1], capture.rate_hz, name, names)
                out.problems += converted
                if not converted:
                    _add(out, name, names, frequencies_hz, [row[number] for row in rows])
            edge = CAPTURE_EDGE * capture.rate_hz
            edge = empty_above(longest.noise, edge, capture.rate_hz) or edge
            add_harmonics(out, name, frequencies_hz, frequencies_hz, residues, edge)

    def never_measured(
        self,
        parameters: DistortionSweepParameters,
        analysis: DistortionSweepAnalysis,
        channels: int,
        has_reference: bool,
    ) -> Mapping[str, str]:
        """Return the wide band's metrics where there is no wide band."""
        never: dict[str, str] = {}
        if analysis.wide_hz is None:
            never |= dict.fromkeys(WIDE, "wide_hz is null: there is no such wide band")
        if analysis.wideband[1] <= analysis.band_hz[1]:
            never |= dict.fromkeys(WIDEBAND, _no_wider(analysis, analysis.wideband[1]))
        return never

    def curve_spans(
        self, parameters: DistortionSweepParameters, analysis: DistortionSweepAnalysis
    ) -> Mapping[str, tuple[float, float]]:
        """Return from which to which tone the curves go."""
        span = parameters.lowest_hz, parameters.highest_hz
        return {**dict.fromkeys(("thd_n", "thd_n_wideband", "thd_n_wide"), span), **harmonic_spans(span)}


def _bands(
    out: ReadingList, capture: Capture, analysis: DistortionSweepAnalysis
) -> list[tuple[tuple[str, ...], tuple[float, float]]]:
    """Return the bands that the capture reaches, with what is read in each; say which it does not reach."""
    wanted: list[tuple[tuple[str, ...], tuple[float, float]]] = [(AUDIO, analysis.band_hz)]
    if analysis.wide_hz is not None:
        wanted.append((WIDE, (analysis.band_hz[0], analysis.wide_hz)))
    low, high = analysis.wideband
    if analysis.wideband_hz is None and CAPTURE_EDGE * capture.rate_hz >= MIN_WIDEBAND_HZ:
        high = min(high, CAPTURE_EDGE * capture.rate_hz)
    wanted.append((WIDEBAND, (low, high)))
    reached: list[tuple[tuple[str, ...], tuple[float, float]]] = []
    for names, band in wanted:
        if not out.reaches(capture, band, names):
            continue
        if names == WIDEBAND and high <= analysis.band_hz[1]:
            out.explain(None, "band_not_reached", _no_wider(analysis, high), *WIDEBAND)
        else:
            reached.append((names, band))
    return reached


def _no_wider(analysis: DistortionSweepAnalysis, edge_hz: float) -> str:
    """Say that the wide band ends within the other."""
    return f"the wide band ends at {edge_hz:.6g} Hz, no higher than the band ({analysis.band_hz[1]:g} Hz)"


def _thd_n(left: Residue, nominal_hz: float) -> list[Reading]:
    """Return THD+N of one sine in each band."""
    tone = Line(nominal_hz, tone_power(left), 1)
    return [ratio_reading("thd_n", "", Power(*power), tone) for power in left.powers]


def _patch(
    name: str, residues: list[Residue], spans: list[tuple[int, int]], frequencies_hz: FloatArray, rate_hz: int
) -> list[Problem]:
    """Return a problem where a sine, or what is left beside it, is another for a while."""
    for left, (start, stop), tone in zip(residues, spans, frequencies_hz, strict=True):
        frame = patchy(left.course, left.tone, DRIFT + WANDER_PER_HZ * float(tone))
        if frame is not None:
            ringing = rings_ahead(LEAVE_SECONDS + (stop - start - frame) / rate_hz)
            what = (
                f"the tone of {tone:.4g} Hz is another for a while, from {(start + frame) / rate_hz:.3f} s on: a "
                f"stretch was lost, held, faded or disturbed{ringing}"
            )
            return [dropout(name, what)]
    return []


def _add(
    out: ReadingList, name: str, names: tuple[str, ...], frequencies_hz: FloatArray, points: list[Reading]
) -> None:
    """Add a band's curve and metrics."""
    worst, worst_at, curve = names
    there = [index for index, point in enumerate(points) if point.value is not None]
    if len(there) < len(points):
        listed = ", ".join(
            f"{tone:.0f}" for tone, point in zip(frequencies_hz, points, strict=True) if point.value is None
        )
        out.explain(name, "tone_missing", f"the tone is not there at {listed} Hz", *names)
        return
    values = np.array([point.value for point in points], dtype=np.float64)
    spreads = np.array([point.uncertainty for point in points], dtype=np.float64)
    place = int(np.argmax(values))
    around = frequencies_hz[max(place - 1, 0) : place + 2]
    out.add(worst, name, values[place], spreads[place])
    out.add(worst_at, name, frequencies_hz[place], np.max(np.diff(around)) / np.sqrt(12.0))
    out.curve(curve, name, frequencies_hz, values, spreads)


KIND = DistortionSweepKind()
