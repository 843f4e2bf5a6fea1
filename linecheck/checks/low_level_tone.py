"""``low_level_tone``: dynamic range, from a tone too low to hide behind."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import Annotated, ClassVar

from pydantic import Field

from linecheck.checks.base import Capture, Context, Note, Parameters, Problem, Reading, Reference
from linecheck.checks.parts.declared import (
    NO_NEGATIVE,
    CurveSpec,
    DifferenceSpec,
    MetricSpec,
    Range,
    Successor,
)
from linecheck.checks.parts.outside import PEAK_OUTSIDE, add_peak_outside
from linecheck.checks.parts.readings import (
    WEIGHTINGS,
    Located,
    ReadingList,
    Weighting,
    not_captured,
    power_weights,
    ratio_reading,
)
from linecheck.checks.parts.word_length import dither_noise_db
from linecheck.checks.tone import SineKind, ToneAnalysis, ToneParameters, dissect_channel, reference_line
from linecheck.dsp.fits.dissect import Line, Power

#: The metric of each weighting, and the name that it had, by another definition.
_NAMES: Mapping[Weighting, tuple[str, str]] = {
    "": ("dynamic_range_unweighted", "dynamic_range"),
    "_a": ("dynamic_range_a_weighted", "dynamic_range_a"),
    "_ccir_rms": ("dynamic_range_ccir_rms", "dynamic_range_468"),
}
_RE_OUTPUT = "re the full-scale output where it was measured, not re the tone plus 60 dB"
#: A tone that is played at this level or above tells the unit's full-scale output, dB re full scale.
TELLS_FULL_SCALE_DBFS = -1.0

#: A dynamic range that is beyond what the stimulus allows by more is of another stimulus, dB: well above its scatter.
BEYOND_DB = 3.0


class LowLevelToneParameters(ToneParameters):
    """The sine, 60 dB below full scale, which keeps mutes open and codes moving."""

    level_dbfs: Annotated[
        float, Field(ge=-120.0, le=-20.0, description="Level, dB re a full-scale sine (AES17)")
    ] = -60.0


class LowLevelToneAnalysis(ToneAnalysis):
    """The band, the spectrum's resolution, and the tone check that tells the full-scale output."""

    reference: Annotated[
        str | None,
        Field(
            description="Name of the tone check that tells the unit's full-scale output, of the same frequency and at "
            "-1 dBFS or above; the first one if left out"
        ),
    ] = None


class LowLevelToneKind(SineKind):
    """Dynamic range: the level of what is beside a tone at -60 dBFS, re full scale, with the other sign.

    Full scale is the unit's own full-scale output where it was measured: the level of the tone check of the file
    (``reference``), less what that was played at, if it has the same frequency and is played at -1 dBFS or above.
    Otherwise it is the tone at -60 dBFS itself plus 60 dB (with another ``level_dbfs``, its distance from full scale).
    Both read the same of a unit whose gain is the same at both levels. Unweighted, A-weighted (IEC 61672-1), and
    weighted as AES17 asks, CCIR-RMS: the curve of ITU-R BS.468-4 with unity at 2 kHz, rms detector.

    AES17-2015, 6.4.1, has a tone of 997 Hz at -60 dBFS, CCIR-RMS, re full-scale output; 60 dB plus the ratio of tone to
    residual is how the trade puts it; IEC 61606-1:2009 added A-weighting (its list of changes), consumer practice takes
    THD+N at -60 dB so weighted plus 60 dB (from memory). Of AES17-2020 and IEC 61606 no text was at hand.

    ``dynamic_range``, ``dynamic_range_a`` and ``dynamic_range_468`` are always re the tone plus its distance from full
    scale, and superseded.
    """

    name: ClassVar[str] = "low_level_tone"
    text: ClassVar[str] = "a sine at -60 dBFS: dynamic range"
    stimulus_parameters: ClassVar[type[Parameters]] = LowLevelToneParameters
    analysis_parameters: ClassVar[type[Parameters]] = LowLevelToneAnalysis
    reference_kind: ClassVar[str | None] = "tone"
    referring: ClassVar[tuple[str, ...]] = tuple(name for name, _ in _NAMES.values())
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec(
            "dynamic_range", "dB", "full scale over noise and distortion, by the tone plus 60 dB", "more",
            DifferenceSpec("dynamic range"), NO_NEGATIVE,
            superseded_by=Successor("dynamic_range_unweighted", _RE_OUTPUT),
        ),
        MetricSpec(
            "dynamic_range_a", "dB", "the same, A-weighted", "more",
            DifferenceSpec("A-weighted dynamic range", said_by=("dynamic_range",)), NO_NEGATIVE,
            superseded_by=Successor("dynamic_range_a_weighted", _RE_OUTPUT),
        ),
        MetricSpec(
            "dynamic_range_468", "dB", "the same, BS.468 curve re 2 kHz, rms", "more",
            DifferenceSpec("dynamic range by the 468 curve", said_by=("dynamic_range", "dynamic_range_a")),
            NO_NEGATIVE, superseded_by=Successor("dynamic_range_ccir_rms", _RE_OUTPUT),
        ),
        MetricSpec(
            "dynamic_range_unweighted", "dB",
            "full-scale output (else the tone plus 60 dB) over noise and distortion beside a tone at -60 dBFS", "more",
            DifferenceSpec("dynamic range"), NO_NEGATIVE,
        ),
        MetricSpec(
            "dynamic_range_a_weighted", "dB", "the same, A-weighted", "more",
            DifferenceSpec("A-weighted dynamic range", said_by=("dynamic_range_unweighted",)), NO_NEGATIVE,
        ),
        MetricSpec(
            "dynamic_range_ccir_rms", "dB", "the same, CCIR-RMS: BS.468 curve with unity at 2 kHz, rms", "more",
            DifferenceSpec(
                "dynamic range, CCIR-RMS", said_by=("dynamic_range_unweighted", "dynamic_range_a_weighted"),
            ),
            NO_NEGATIVE,
        ),
        PEAK_OUTSIDE,
    )  # fmt: skip
    rests_on_played_level: ClassVar[bool] = True
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        CurveSpec(
            "spectrum", "Hz", "dB", "everything but the tone, re the tone, at the stated resolution",
            difference=DifferenceSpec(
                "spectrum of a faint tone", said_by=("dynamic_range_unweighted", "dynamic_range_a_weighted"),
            ),
        ),
    )  # fmt: skip

    def possible(
        self, parameters: LowLevelToneParameters, analysis: LowLevelToneAnalysis
    ) -> Mapping[str, Range]:
        """Return what the noise of the stimulus's dither allows."""
        bits, rate_hz, band_hz = parameters.bits, parameters.rate_hz, analysis.band_hz
        return {
            name: (0.0, -dither_noise_db(bits, rate_hz, band_hz, partial(power_weights, suffix)))
            for suffix, names in _NAMES.items()
            for name in names
        }

    def read(self, out: ReadingList, located: Located[LowLevelToneParameters, LowLevelToneAnalysis]) -> None:
        """Take the dynamic range from the located sine."""
        capture, location, context = located.capture, located.location, located.context
        parameters, analysis = located.parameters, located.analysis
        names = (*(spec.name for spec in self.metrics if spec != PEAK_OUTSIDE), "spectrum")
        reaches = out.reaches(capture, analysis.band_hz, names)
        possible = self.possible(parameters, analysis)
        for index, name in located.found:
            add_peak_outside(out, capture, location, index, name)
            if not reaches:
                continue
            full_scale = _full_scale(context, index, capture, parameters)
            if full_scale is None and context.reference is not None and _tells(context.reference, parameters):
                out.problems.append(_full_scale_unknown(context.reference.check, name, parameters))
            parts = dissect_channel(capture, location, index, parameters.frequency_hz, analysis.band_hz)
            out.problems += not_captured(parts.noise, analysis.band_hz[1], capture.rate_hz, name)
            for suffix in WEIGHTINGS:
                weight = power_weights(suffix, parts.noise.frequencies_hz)
                residual = parts.residual_power(*analysis.band_hz, weight)
                ratio = ratio_reading("", name, residual, parts.tone)
                value = None if ratio.value is None else -ratio.value - parameters.level_dbfs
                metric, superseded = _NAMES[suffix]
                own = Reading(superseded, name, value, "dB", ratio.uncertainty)
                out.readings += [own, _re_full_scale(metric, own, residual, full_scale)]
                if value is not None and not ratio.is_bound and value > possible[superseded][1] + BEYOND_DB:
                    out.problems.append(_another_level(name, value, parameters.level_dbfs))
                    # The channel is void by that: further weightings would say it again.
                    break
            out.spectrum(parts, name, analysis.band_hz, analysis.resolution_hz, parts.amplitude)


def _tells(reference: Reference, parameters: LowLevelToneParameters) -> bool:
    """Return whether another check tells the full-scale output at the tone's frequency."""
    played = reference.stimulus
    return (
        isinstance(played, ToneParameters)
        and played.level_dbfs >= TELLS_FULL_SCALE_DBFS
        and played.frequency_hz == parameters.frequency_hz
    )


def _full_scale(
    context: Context, index: int, capture: Capture, parameters: LowLevelToneParameters
) -> Line | None:
    """Return a tone at the unit's full-scale output re this capture's full scale; None where it was not measured."""
    reference = context.reference
    line = reference_line(context, index, capture)
    if line is None or reference is None or not _tells(reference, parameters):
        return None
    assert isinstance(reference.stimulus, ToneParameters)
    gain = 10.0 ** (-reference.stimulus.level_dbfs / 10.0)
    return Line(0.0, Power(line.power.value * gain, line.power.uncertainty * gain))


def _re_full_scale(metric: str, own: Reading, residual: Power, full_scale: Line | None) -> Reading:
    """Return what is left beside the tone re the full-scale output, else as it is re the tone."""
    if full_scale is None or own.value is None:
        return replace(own, metric=metric)
    ratio = ratio_reading(metric, own.channel or "", residual, full_scale)
    return replace(ratio, value=None if ratio.value is None else -ratio.value)


def _full_scale_unknown(check: str, name: str, parameters: LowLevelToneParameters) -> Problem:
    message = (
        f"the level of check {check!r} was not measured: dynamic range is re the tone at "
        f"{parameters.level_dbfs:g} dBFS plus {-parameters.level_dbfs:g} dB"
    )
    return Note("full_scale_unknown", message, name)


def _another_level(name: str, value: float, level_dbfs: float) -> Problem:
    message = (
        f"{value:.1f} dB is more than the stimulus's dither allows: the tone was not played at {level_dbfs:g} dBFS, "
        "the capture is another check's, or the unit makes faint tones louder. May be the unit's own fault."
    )
    return Problem("wrong_level", message, name)


KIND = LowLevelToneKind()
