"""``linearity``: whether a sine keeps its level right, from full scale down into the noise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar, NamedTuple

import numpy as np
from pydantic import Field, model_validator

from linecheck.checks.base import Parameters
from linecheck.checks.parts.declared import (
    NO_NEGATIVE,
    NO_POSITIVE,
    CurveSpec,
    DifferenceSpec,
    MetricSpec,
    Range,
    either_way,
)
from linecheck.checks.parts.harmonic_curves import NAMES as HARMONICS
from linecheck.checks.parts.harmonic_curves import (
    add_harmonics,
    harmonic_spans,
    harmonic_specs,
    tone_power,
)
from linecheck.checks.parts.known_signal import CAPTURE_EDGE
from linecheck.checks.parts.readings import DB_PER_NEPER, Located, ReadingList, power_ratio
from linecheck.checks.parts.steady import refuse_beyond
from linecheck.checks.parts.stepped import (
    Step,
    SteppedKind,
    SteppedParameters,
    StepPlan,
    level_steps,
    narrowed_to,
    step_spans,
)
from linecheck.checks.parts.words import dropout
from linecheck.dsp.arrays import BoolArray, FloatArray
from linecheck.dsp.continuity.level_courses import Level, foreign, phase_step, unsteady
from linecheck.dsp.fits.dissect import Power
from linecheck.dsp.fits.residue import residue
from linecheck.dsp.fits.tones import ToneFit, fit_lines, fit_tapered, fit_tones_and_lines, synthesise
from linecheck.dsp.quantise import full_scale_amplitude
from linecheck.dsp.spectra.narrow import Narrowed
from linecheck.dsp.spectra.spectra import density, density_near, find_lines

#: AES17-2015, 6.3.7 refers to the gain here. At 0 dBFS an output stage may give way; lower, noise comes in.
REFERENCE_DBFS = -5.0
#: Periods that the shortest step holds: with two of them the ratio of the clocks came out 400 ppm off.
MIN_PERIODS = 10
#: A point is resolved where the tolerance is this many standard uncertainties: noise alone fails one in 400.
RESOLVED = 3.0
#: Down to here all steps take the same time; below, each takes as much longer as lets the noise be averaged out, to a
#: limit.
EQUAL_TO_DBFS, DB_PER_TENFOLD, MAX_TIMES = -78.0, 32.0, 12.0
#: The tone, its second and third harmonic, and the noise around it lie below this multiple of its frequency.
TOP_OVER_TONE = 4.0
#: The noise is taken from within this share of the tone's frequency on either side, at most.
NEAR_SHARE = 0.3
#: The last steps, this share of all, tell steady lines from the tone; they must last so long, s.
TAIL, MIN_TAIL_SECONDS, MAX_LINES = 0.5, 0.8, 16
#: USB frames follow each other at this rate.
FRAME_HZ = 1000.0
#: Where a line stands this near to the tone, Hz, tone and lines are taken off each other so many times.
NEAR_HZ, TURNS = 20.0, 4
#: The band of THD+N, and the curves that it is told with.
BAND_HZ = (20.0, 20_000.0)
RESIDUES = ("thd_n", *HARMONICS)
#: A line that is taken off within this share of the tone's frequency may be what the steps leave of the tone itself.
BESIDE = 0.1


class LinearityParameters(SteppedParameters):
    """The sine and its levels. Lower levels last longer, so that noise is averaged out."""

    frequency_hz: Annotated[float, Field(ge=100.0, description="Frequency of the sine, Hz")] = 997.0
    level_dbfs: Annotated[
        float, Field(ge=-60.0, le=0.0, description="Highest level, dB re a full-scale sine (AES17)")
    ] = 0.0
    lowest_dbfs: Annotated[
        float, Field(ge=-150.0, le=-20.0, description="Lowest level, dB re a full-scale sine")
    ] = -120.0
    step_db: Annotated[float, Field(ge=1.0, le=5.0, description="From one level to the next, dB")] = 5.0
    seconds: Annotated[
        float, Field(ge=0.5, le=600.0, description="Length of all measured parts together, s")
    ] = 3.3

    @model_validator(mode="after")
    def _fits(self) -> LinearityParameters:
        refuse_beyond("frequency_hz", self.frequency_hz, self.rate_hz)
        if self.level_dbfs - self.lowest_dbfs < 2.0 * self.step_db:
            raise ValueError(
                f"lowest_dbfs must be at least two steps ({2 * self.step_db:g} dB) below level_dbfs "
                f"({self.level_dbfs:g}), got {self.lowest_dbfs:g}"
            )
        shortest = float(np.min(_dwells(self)))
        needed = max(0.02, MIN_PERIODS / self.frequency_hz)
        if shortest < needed:
            raise ValueError(
                f"seconds must give each level at least {needed:.3g} s ({MIN_PERIODS} periods, and 0.02 s); "
                f"{self.seconds:g} s for {len(self.levels)} levels gives the shortest {shortest:.3g} s"
            )
        return self

    @property
    def levels(self) -> list[float]:
        """The levels, descending."""
        return level_steps(self.level_dbfs, self.lowest_dbfs, self.step_db)


class LinearityAnalysis(Parameters):
    """What error is tolerated."""

    tolerance_db: Annotated[
        float, Field(ge=0.05, le=6.0, description="Gain error that is tolerated, either way, dB")
    ] = 0.5


def _dwells(parameters: LinearityParameters) -> FloatArray:
    """Return how long each level is measured, s."""
    levels = np.array(parameters.levels)
    weights = np.clip(10.0 ** ((EQUAL_TO_DBFS - levels) / DB_PER_TENFOLD), 1.0, MAX_TIMES)
    dwells: FloatArray = parameters.seconds * weights / np.sum(weights)
    return dwells


class _Fit(NamedTuple):
    """The tone at one level, and the standard uncertainty of each part of its complex amplitude."""

    level: Level
    spread: float


@dataclass(frozen=True)
class _Points:
    """The gain over level, level descending: errors re the reference in dB, their standard uncertainties."""

    levels: FloatArray
    errors: FloatArray
    spreads: FloatArray
    resolved: BoolArray


class LinearityKind(SteppedKind):
    """Gain error over level (level-dependent gain, AES17-2015, 6.3.7): a 997 Hz sine from 0 dBFS down in steps of 5 dB.

    The error at a level is the gain there over the gain at -5 dBFS, in dB. -5 dBFS is the standard's reference: at
    0 dBFS an output stage may give way, and at low levels noise would come in; where the stimulus does not reach it,
    its highest level is.

    Noise and distortion are excluded by fitting the sine at its known frequency (the loud steps give the ratio of the
    clocks), with lines that stand out, and taking off what noise adds to an amplitude on average: of a complex
    amplitude a with the standard uncertainty u of each part, the square root of abs(a)² - u² is read. A fit in phase
    with the loud steps would gain nothing: a point is only resolved where u is some percent of a, and there what noise
    does at right angles is nothing (u²/2a²).

    A point is resolved where three times its standard uncertainty are within the tolerance. Points that are not are
    left out of the curve and of every metric, and listed in a problem (``unresolved``): noise is no gain error.

    ``linear_down_to`` is the lowest resolved level above which (it included) no resolved point is off by more than the
    tolerance: 0.5 dB unless the file says otherwise (common practice, no source). It is one of the levels that were
    played: the level at which the error leaves the tolerance is up to one step lower, so its uncertainty is that of a
    rectangle one step wide about its end. ``largest_error`` is the greatest error of all resolved
    points, without its sign.

    Over the same levels ``thd_n`` is everything but the tone from 20 Hz to 20 kHz, and ``harmonic_2`` to ``harmonic_5``
    are its harmonics in that band, each re the tone there: so all climb by 1 dB per dB where noise limits them, and
    THD+N exceeds 0 dB where the noise is louder than the tone. A harmonic that noise hides stands at its standard
    uncertainty, below which nothing can be told. A capture that ends below 20 kHz has neither.

    Level and phase are followed through every resolved step and from one to the next: a frame that is lost or comes
    twice, a stretch that is muted, faded or disturbed voids the channel from seven standard deviations of noise on. A
    stretch muted within a step so shows wherever it moves the level by twice its uncertainty; at 192 kHz a frame lost
    from the last steps turns the phase by 1.9° and may not show, and moves no level. Of 100 captures at 48 kHz with a
    frame lost at random places 96 were found, and in the others no reading moved by more than twice its uncertainty.
    What cannot be told from a unit
    whose gain depends on level is a gain that changes between two steps, or by a few uncertainties within a faint one:
    it is read as it is, as an error.
    """

    name: ClassVar[str] = "linearity"
    text: ClassVar[str] = "a sine stepped down in level: gain error"
    stimulus_parameters: ClassVar[type[Parameters]] = LinearityParameters
    analysis_parameters: ClassVar[type[Parameters]] = LinearityAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec(
            "linear_down_to", "dBFS", "lowest level down to which the error is within the tolerance", "less",
            DifferenceSpec(
                accuracy=0.5, more="linear down to {value} only, {size} higher",
                less="linear down to {value}, {size} lower",
            ),
            NO_POSITIVE,
        ),
        MetricSpec(
            "largest_error", "dB", "greatest gain error at any resolved level, either way", "less",
            either_way("greatest gain error {size} {way}, {value}", "more", "less"),
            NO_NEGATIVE,
        ),
    )  # fmt: skip
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        CurveSpec(
            "gain_error", "dBFS", "dB", "gain re that at -5 dBFS",
            better="nominal", difference=DifferenceSpec("gain", said_by=("linear_down_to", "largest_error")),
            log_x=False,
        ),
        CurveSpec(
            "thd_n", "dBFS", "dB", "noise and distortion from 20 Hz to 20 kHz, re the tone",
            difference=DifferenceSpec(
                "THD+N over level", said_by=("tone.thd_n", "tone.noise", "low_level_tone.dynamic_range_unweighted")
            ),
            log_x=False,
        ),
        *harmonic_specs("dBFS", ("tone.thd", "thd_n")),
    )  # fmt: skip

    def possible(self, parameters: LinearityParameters, analysis: LinearityAnalysis) -> Mapping[str, Range]:
        """Return the lowest level that is played and that the stimulus's own dither lets resolve.

        Of n samples with white noise of the variance s² a sine's amplitude is known within the square root of 2 s²/n
        (the Cramér-Rao bound).
        """
        levels, frames = np.array(parameters.levels), _dwells(parameters) * parameters.rate_hz
        step = 2.0 ** (1 - parameters.bits)
        spread = DB_PER_NEPER * np.sqrt(0.5 * step**2 / frames) / 10.0 ** (levels / 20.0)
        resolved = levels[spread * RESOLVED <= analysis.tolerance_db]
        return {"linear_down_to": (float(np.min(resolved, initial=0.0)), 0.0)}

    def plan(self, parameters: LinearityParameters) -> StepPlan:
        """Return the steps that parameters stand for."""
        return StepPlan(
            tuple(
                Step(
                    (parameters.frequency_hz,),
                    (full_scale_amplitude(level, parameters.bits),),
                    float(seconds),
                )
                for level, seconds in zip(parameters.levels, _dwells(parameters), strict=True)
            )
        )

    def read(self, out: ReadingList, located: Located[LinearityParameters, LinearityAnalysis]) -> None:
        """Take the gain at every level."""
        parameters, analysis = located.parameters, located.analysis
        narrowed = narrowed_to(located.capture, TOP_OVER_TONE * parameters.frequency_hz, located.location)
        plan = self.plan(parameters)
        spans = step_spans(plan, located.location, located.capture.rate_hz)
        tone = parameters.frequency_hz * (located.location.clock_ratio or 1.0) / narrowed.rate_hz
        reaches = out.reaches(located.capture, BAND_HZ, RESIDUES)
        for index, name in located.found:
            fits = _fits(narrowed, index, spans, tone)
            points = _points(parameters, plan, fits, analysis.tolerance_db)
            broken = _break(fits, points.resolved, tone)
            if broken is not None:
                what, frame = broken
                out.problems.append(dropout(name, f"{what}, from {frame / narrowed.rate_hz:.3f} s on"))
            _add(out, name, points, parameters, analysis)
            if reaches:
                _add_residues(out, located, index, name, spans, points.resolved)

    def curve_spans(
        self, parameters: LinearityParameters, analysis: LinearityAnalysis
    ) -> Mapping[str, tuple[float, float]]:
        """Return from which to which level the curve goes."""
        span = parameters.levels[-1], parameters.levels[0]
        return {"gain_error": span, "thd_n": span, **harmonic_spans(span)}


def _fits(narrowed: Narrowed, channel: int, spans: list[tuple[int, int]], tone: float) -> list[_Fit]:
    """Return the tone at every level.

    The steps are too short to tell a line 3 Hz away (USB frames at 1 kHz beside 997 Hz) from the tone. The last ones
    together are not, and a steady line that is fitted there is known everywhere. Tone and line are taken off each
    other's records in turn until neither changes.
    """
    values = narrowed.values[channel]
    places = [narrowed.inside(*span) for span in spans]
    lines = _lines_at_the_end(values, places, tone, None, narrowed.rate_hz)
    for turn in range(TURNS):
        near = (
            lines is not None and float(np.min(np.abs(lines.frequencies - tone))) * narrowed.rate_hz < NEAR_HZ
        )
        freed = (
            values if lines is None else values - synthesise(len(values), lines.frequencies, lines.amplitudes)
        )
        beside = _beside(lines, tone)
        fits = [_fitted(freed[first:last], first, tone, beside) for first, last in places]
        if not near or turn == TURNS - 1:
            break
        lines = _lines_at_the_end(
            values, places, tone, [fit.level.amplitude for fit in fits], narrowed.rate_hz
        )
    return fits


def _lines_at_the_end(
    values: FloatArray,
    places: list[tuple[int, int]],
    tone: float,
    amplitudes: list[complex] | None,
    rate_hz: float,
) -> ToneFit | None:
    """Return the steady lines that stand beside the tone at its lowest levels, referred to the middle of the capture.

    Without the tone's ``amplitudes`` a single one is fitted to all of these levels.
    """
    share = TAIL * (places[-1][1] - places[0][0])
    chosen = [index for index, place in enumerate(places) if place[0] > places[-1][1] - share]
    if not chosen or places[-1][1] - places[chosen[0]][0] < MIN_TAIL_SECONDS * rate_hz:
        return None
    begin, end = places[chosen[0]][0], places[-1][1]
    record = values[begin:end]
    alone = np.array([tone])
    if amplitudes is not None:
        record = record - _stepped_tone(places, amplitudes, tone)[begin - places[0][0] : end - places[0][0]]
        alone = np.zeros(0)
    # Frames of 1 kHz are looked for even where they do not stand out: they would not be told from the tone else.
    frame = round(tone * rate_hz / FRAME_HZ) * FRAME_HZ / rate_hz
    likely = 4.0 / len(record) < abs(frame - tone) < NEAR_HZ / rate_hz
    rest, lines, fit = record - np.mean(record), np.array([frame] if likely else []), None
    for _ in range(2):
        new = find_lines(rest, 1.0, 3.0 / len(record), 0.45, most=MAX_LINES)
        new = new[np.min(np.abs(np.subtract.outer(new, np.append(lines, tone))), axis=1) * len(record) > 4.0]
        if not len(new) and (fit is not None or not len(lines)):
            break
        lines = np.concatenate((lines, new))
        _, fit, rest = fit_tones_and_lines(record, alone, lines)
    if fit is None:
        return None
    shift = 0.5 * (len(values) - 1) - 0.5 * (begin + end - 1)
    return ToneFit(fit.frequencies, fit.amplitudes * np.exp(2j * np.pi * fit.frequencies * shift), 0.0)


def _stepped_tone(places: list[tuple[int, int]], amplitudes: list[complex], tone: float) -> FloatArray:
    """Return the tone from the first level's first frame to the last one's last, amplitudes in steps."""
    time = np.arange(places[0][0], places[-1][1], dtype=np.float64)
    middles = np.array([0.5 * (first + last - 1) for first, last in places])
    # Referred to frame 0, so that from step to step only the level changes.
    turned = np.array(amplitudes) * np.exp(-2j * np.pi * np.mod(tone * middles, 1.0))
    edges = np.array(places, dtype=np.float64).reshape(-1)
    sizes = np.repeat(turned, 2)
    level = np.interp(time, edges, sizes.real) + 1j * np.interp(time, edges, sizes.imag)
    return np.asarray((level * np.exp(2j * np.pi * np.mod(tone * time, 1.0))).real, dtype=np.float64)


def _beside(lines: ToneFit | None, tone: float) -> float:
    """Return the amplitudes of lines within a tenth of the tone's frequency, added up."""
    if lines is None:
        return 0.0
    return float(np.sum(np.abs(lines.amplitudes[np.abs(lines.frequencies - tone) < BESIDE * tone])))


def _fitted(record: FloatArray, first: int, tone: float, beside: float) -> _Fit:
    """Return a tone in a record that begins at a frame; ``beside`` is what was taken off near it."""
    orders = np.arange(1.0, 4.0)
    tones: FloatArray = tone * orders[orders * tone < 0.45]
    amplitudes, rest, share = fit_tapered(record, tones)
    lines = find_lines(rest, 1.0, 2.0 / len(record), 0.4999, most=10)
    lines = lines[np.min(np.abs(np.subtract.outer(lines, tones)), axis=1, initial=1.0) * len(record) > 2.0]
    if len(lines):
        others, _ = fit_lines(rest, lines)
        amplitudes, rest, share = fit_tapered(record, np.concatenate((tones, others.frequencies)))
    bins = int(np.clip(NEAR_SHARE * tone * len(record), 8, 40))
    near = density_near(density(rest, 1.0), tone, bins=bins)
    return _Fit(Level(first, complex(amplitudes[0]), rest, near, beside), float(np.sqrt(near * share)))


def _points(
    parameters: LinearityParameters, plan: StepPlan, fits: list[_Fit], tolerance_db: float
) -> _Points:
    """Turn fitted amplitudes into errors re the reference."""
    levels = np.array(parameters.levels)
    played = np.array([step.amplitudes[0] for step in plan.steps])
    spread = np.array([fit.spread for fit in fits])
    square = np.abs(np.array([fit.level.amplitude for fit in fits])) ** 2 - spread**2
    amplitude = np.maximum(np.sqrt(np.maximum(square, 0.0)), np.maximum(spread, 1e-15))
    reference = int(np.argmin(np.abs(levels - REFERENCE_DBFS)))
    gains = amplitude / played
    errors = 20.0 * np.log10(gains / gains[reference])
    own = DB_PER_NEPER * spread / amplitude
    spreads = np.hypot(own, own[reference])
    spreads[reference] = 0.0
    # By what should be there, so that a gain error does not decide whether it is seen.
    expected = DB_PER_NEPER * spread / (played * gains[reference])
    return _Points(levels, errors, spreads, expected * RESOLVED <= tolerance_db)


def _add(
    out: ReadingList, name: str, points: _Points, parameters: LinearityParameters, analysis: LinearityAnalysis
) -> None:
    """Add metrics, curve, and what could not be resolved."""
    used = points.resolved
    if not np.all(used):
        listed = ", ".join(f"{level:g}" for level in points.levels[~used])
        message = (
            f"too much noise to tell {analysis.tolerance_db:g} dB at {listed} dBFS: left out, which says nothing "
            "against the unit's linearity there"
        )
        out.explain(name, "unresolved", message, "linear_down_to", "largest_error", "gain_error", *RESIDUES)
    if not np.any(used):
        return
    levels, errors, spreads = points.levels[used], points.errors[used], points.spreads[used]
    beyond = np.flatnonzero(np.abs(errors) > analysis.tolerance_db)
    # The reference is within the tolerance by itself; what lies above it ends nothing below.
    reference = int(np.argmin(np.abs(levels - REFERENCE_DBFS)))
    beyond = beyond[beyond > reference]
    last = int(beyond[0]) - 1 if len(beyond) else len(levels) - 1
    largest = int(np.argmax(np.abs(errors)))
    # Where noise ends the search, the unit may be linear further down: no mask is failed by that.
    hidden = not len(beyond) and bool(np.any(points.levels < levels[last]))
    # The end lies up to a step lower: a rectangle's root mean square distance from its edge.
    out.add("linear_down_to", name, levels[last], parameters.step_db / np.sqrt(3.0), is_bound=hidden)
    out.add("largest_error", name, abs(errors[largest]), spreads[largest])
    out.curve("gain_error", name, levels[::-1], errors[::-1], spreads[::-1])


def _add_residues(
    out: ReadingList,
    located: Located[LinearityParameters, LinearityAnalysis],
    channel: int,
    name: str,
    spans: list[tuple[int, int]],
    resolved: BoolArray,
) -> None:
    """Add THD+N and the harmonics over level, at the levels whose tone is resolved."""
    parameters, capture = located.parameters, located.capture
    chosen = np.flatnonzero(resolved)[::-1]
    if not len(chosen):
        return
    narrowed = narrowed_to(capture, BAND_HZ[1], located.location)
    tone_hz = parameters.frequency_hz
    residues = [
        residue(
            narrowed.between(channel, *spans[step]),
            narrowed.rate_hz,
            tone_hz * located.clock_ratio,
            tone_hz,
            [BAND_HZ],
        )
        for step in chosen
    ]
    levels = np.array(parameters.levels)[chosen]
    points = [power_ratio("thd_n", name, Power(*left.powers[0]), tone_power(left)) for left in residues]
    told = [place for place, point in enumerate(points) if point.value is not None]
    values, spreads = (
        np.array([getattr(points[place], what) for place in told], dtype=np.float64)
        for what in ("value", "uncertainty")
    )
    if told:
        out.curve("thd_n", name, levels[told], values, spreads)
    edge = min(CAPTURE_EDGE * narrowed.rate_hz, BAND_HZ[1])
    add_harmonics(out, name, levels, np.full(len(levels), tone_hz), residues, edge)


def _break(fits: list[_Fit], resolved: BoolArray, tone: float) -> tuple[str, int] | None:
    """Return what is wrong with the tone's course, and the frame where it is; None where it is whole.

    Of levels that noise hides nothing is read; that it does may be what does not belong to the stimulus. Below its last
    bit a unit may play nothing at all.
    """
    usual = float(np.median([fit.level.noise for fit in fits]))
    levels = [
        replace(fit.level, noise=max(fit.level.noise, usual))
        for fit, told in zip(fits, resolved, strict=True)
        if told and fit.level.amplitude
    ]
    for level in levels:
        frame = unsteady(level, tone)
        if frame is not None:
            return "the level or the phase of the tone is not steady", frame
    frame = phase_step(levels, tone)
    if frame is not None:
        return "the stimulus is not where it should be: a stretch was lost or came twice", frame
    frame = foreign([fit.level for fit in fits], tone)
    return None if frame is None else ("samples do not belong to the stimulus", frame)


KIND = LinearityKind()
