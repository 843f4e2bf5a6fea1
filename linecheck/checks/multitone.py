"""``multitone``: 32 tones at once, and everything that comes back between them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field, model_validator

from linecheck.checks.base import Capture, Location, Parameters, Problem, Stimulus
from linecheck.checks.parts.declared import (
    NO_NEGATIVE,
    NO_POSITIVE,
    CurveSpec,
    DifferenceSpec,
    Implied,
    MetricSpec,
    Range,
    either_way,
    opposite,
)
from linecheck.checks.parts.readings import (
    ARITHMETIC,
    Located,
    ReadingKind,
    ReadingList,
    power_ratio,
)
from linecheck.checks.parts.steady import BandHz, ResolutionHz, SteadyParameters, WideRateHz, steady_stimulus
from linecheck.checks.parts.tone_sets import locate_tone_sets, stepped_level
from linecheck.checks.parts.word_length import dither_noise_db
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.phase_steps import fitted_level_step
from linecheck.dsp.fits.dissect import Power
from linecheck.dsp.fits.multitone import ALL_TONES_DB, PEAK_OF_UNIT_TONES, TONE_PHASES, TONES_HZ
from linecheck.dsp.fits.tone_residue import (
    highest_residue,
    residue_power,
    residue_spectrum,
    take_out,
)
from linecheck.dsp.quantise import full_scale_amplitude

#: What moves more slowly than this share of the band's lower edge is a trend.
BELOW_BAND = 0.6
DB_PER_BIT = 20.0 * np.log10(2.0)
#: A tone is missing that has less than this share of the usual amplitude (-40 dB): no filter falls so far below 20 kHz.
MISSING = 0.01


class MultitoneParameters(SteadyParameters):
    """The 32 tones: the same frequencies, in hertz, at every rate."""

    rate_hz: WideRateHz = 44100
    seconds: Annotated[
        float, Field(ge=1.0, le=60.0, description="Length of the part that is measured, s")
    ] = 1.4
    level_dbfs: Annotated[
        float,
        Field(
            ge=-60.0,
            le=0.0,
            description="Highest peak of the waveform, between samples too, dB re the peak of a full-scale sine; "
            "each tone is 21.8 dB lower",
        ),
    ] = 0.0


class MultitoneAnalysis(Parameters):
    """The band that residue is looked for in, and the resolution at which it is stated."""

    band_hz: BandHz = (20.0, 20000.0)
    resolution_hz: ResolutionHz = 5.0

    @model_validator(mode="after")
    def _holds(self) -> MultitoneAnalysis:
        low, high = self.band_hz
        if high - low < 20.0 * self.resolution_hz:
            raise ValueError(
                f"band_hz must ascend and be at least 20 times resolution_hz wide, got [{low:g}, {high:g}]"
            )
        return self


class MultitoneKind(ReadingKind):
    """32 tones from 26 Hz to 19 kHz, with every product of second and third order between them.

    The tones are fitted with one clock ratio and taken out, with the slow drift in level and timing that they share;
    what remains is the residue: distortion products, which are lines, hum, spurious lines and noise. ``residue`` is its
    level over frequency re one tone (the mean power of the 32), at the stated resolution: a line reads true whatever
    the resolution (two closer than it read as one), noise reads as much as the resolution takes in. So a mask on it
    limits lines as they are, and noise per ``resolution_hz``. Distortion that climbs with frequency shows as residue
    that climbs.

    ``clean_range`` is from a tone's level to the highest point of the residue in the band, ``clean_bits`` the same in
    bits, clean_range / 6.02 dB. ``distortion_noise`` is the power of all the residue in the band re that of all tones;
    it does not depend on the resolution.
    """

    name: ClassVar[str] = "multitone"
    text: ClassVar[str] = "32 tones at once: distortion and noise between them"
    stimulus_parameters: ClassVar[type[Parameters]] = MultitoneParameters
    analysis_parameters: ClassVar[type[Parameters]] = MultitoneAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec(
            "clean_range", "dB", "one tone's level over the highest residue", "more",
            either_way("clean range between many tones {size} {way}, {value}", "wider", "narrower"),
            NO_NEGATIVE,
        ),
        MetricSpec(
            "clean_bits", "bit", "the same in bits of 6.02 dB", "more",
            DifferenceSpec(accuracy=0.02, said_by=("clean_range",)), NO_NEGATIVE,
        ),
        MetricSpec(
            "distortion_noise", "dB", "all residue in the band re all tones", "less",
            DifferenceSpec("distortion and noise between many tones", 0.25), NO_POSITIVE,
        ),
    )  # fmt: skip
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        CurveSpec(
            "residue", "Hz", "dB", "what lies between the tones, re one tone, at the stated resolution",
            difference=DifferenceSpec(
                "residue between many tones", 6.0, said_by=("clean_range", "distortion_noise"),
            ),
            possible=NO_POSITIVE,
        ),
    )  # fmt: skip

    def possible(self, parameters: MultitoneParameters, analysis: MultitoneAnalysis) -> Mapping[str, Range]:
        """Return what the noise of the stimulus's dither allows; of the highest point, what its mean does."""
        noise = dither_noise_db(parameters.bits, parameters.rate_hz, analysis.band_hz)
        one = parameters.level_dbfs - 20.0 * np.log10(PEAK_OF_UNIT_TONES)
        low, high = analysis.band_hz
        clean = one - noise - 10.0 * np.log10(analysis.resolution_hz / (high - low))
        return {
            "clean_range": (0.0, clean),
            "clean_bits": (0.0, clean / DB_PER_BIT),
            "distortion_noise": (noise - one - ALL_TONES_DB, 0.0),
            "residue": (one - clean, math.inf),
        }

    def implied(self, parameters: MultitoneParameters, analysis: MultitoneAnalysis) -> tuple[Implied, ...]:
        """Return what the residue's highest point and its power hold of each other."""
        highest = "it is from a tone's level to the highest point of the residue"
        return (
            Implied("clean_bits", "clean_range", lambda decibels: decibels / DB_PER_BIT, highest),
            Implied("clean_range", "clean_bits", lambda bits: bits * DB_PER_BIT, highest),
            Implied("residue", "clean_range", opposite, highest),
            Implied(
                "clean_range",
                "distortion_noise",
                lambda decibels: -decibels - ALL_TONES_DB,
                "no point of the residue is stronger than all of it",
            ),
        )

    def stimulus(self, parameters: MultitoneParameters, channels: int, ramp_seconds: float) -> Stimulus:
        """Return the tones, the same in every channel."""
        peak = full_scale_amplitude(parameters.level_dbfs, parameters.bits)
        amplitudes = np.full(len(TONES_HZ), peak / PEAK_OF_UNIT_TONES)
        return steady_stimulus(
            parameters, [amplitudes] * channels, [TONES_HZ] * channels, [TONE_PHASES] * channels, ramp_seconds
        )

    def locate(
        self, capture: Capture, parameters: MultitoneParameters, channels: tuple[str, ...]
    ) -> Location:
        """Find the tones."""
        return locate_tone_sets(capture, [TONES_HZ] * len(channels), parameters.seconds, channels)

    def read(self, out: ReadingList, located: Located[MultitoneParameters, MultitoneAnalysis]) -> None:
        """Take the residue between the located tones."""
        capture, location, analysis = located.capture, located.location, located.analysis
        if not out.reaches(capture, analysis.band_hz, tuple(spec.name for spec in self.specs)):
            return
        narrowed = capture.narrowed(max(analysis.band_hz[1], 1.01 * float(TONES_HZ[-1])))
        for index, name in located.found:
            record = narrowed.between(index, location.start, location.stop)
            step = _read(out, name, record, narrowed.rate_hz, located.clock_ratio, analysis)
            if step is not None:
                out.problems.append(stepped_level(name, narrowed.seconds(location.start, step[0]), step[1]))

    def curve_spans(
        self, parameters: MultitoneParameters, analysis: MultitoneAnalysis
    ) -> Mapping[str, tuple[float, float]]:
        """Return how far the residue goes."""
        return {"residue": analysis.band_hz}


def _read(
    out: ReadingList, name: str, record: FloatArray, rate_hz: float, ratio: float, analysis: MultitoneAnalysis
) -> tuple[int, float] | None:
    """Add one channel's readings and curve; return where its level steps and by how much, None where it does not."""
    low, high = analysis.band_hz
    slowest = BELOW_BAND * min(low, float(TONES_HZ[0]))
    taken = take_out(record, TONES_HZ * (ratio / rate_hz), slowest / rate_hz)
    sizes = np.abs(taken.tones.amplitudes)
    missing = TONES_HZ[sizes < MISSING * np.median(sizes)]
    if len(missing):
        message = (
            f"{len(missing)} of the {len(TONES_HZ)} tones are not there, the first at {missing[0]:.0f} Hz: a filter, "
            "or a path that runs at a lower rate. May be the unit's own fault."
        )
        out.problems.append(Problem("tone_missing", message, name))
    tones = 0.5 * float(np.sum(sizes**2))
    one = tones / len(TONES_HZ)
    rest, resolution_hz = out.to_average(name, taken.rest, rate_hz, analysis.resolution_hz)
    residue = residue_spectrum(rest, rate_hz, resolution_hz)
    highest, spread, _ = highest_residue(residue, low, high)
    clean = power_ratio("clean_range", name, Power(highest, spread), Power(one, 0.0))
    assert clean.value is not None
    assert clean.uncertainty is not None
    power, power_spread = residue_power(taken, rate_hz, low, high)
    out.add("clean_range", name, -clean.value, clean.uncertainty)
    out.add("clean_bits", name, -clean.value / DB_PER_BIT, clean.uncertainty / DB_PER_BIT)
    out.readings.append(power_ratio("distortion_noise", name, Power(power, power_spread), Power(tones, 0.0)))
    points = residue.frequencies_hz, residue.power, residue.uncertainty
    reached = residue.resolution_hz
    out.power_curve("residue", name, points, analysis.band_hz, one, reached, ARITHMETIC * one)
    out.at_resolution(name, resolution_hz, reached, "residue", "clean_range", "clean_bits")
    return fitted_level_step(taken.tones, taken.rest)


KIND = MultitoneKind()
