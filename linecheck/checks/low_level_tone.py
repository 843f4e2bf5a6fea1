"""``low_level_tone``: dynamic range, from a tone too low to hide behind."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Annotated, ClassVar

from pydantic import Field

from linecheck.checks.base import (
    Capture,
    Context,
    CurveSpec,
    DifferenceSpec,
    Location,
    Measurement,
    MetricSpec,
    Parameters,
    Problem,
    Range,
    Reading,
)
from linecheck.checks.parts.declared import NO_NEGATIVE
from linecheck.checks.parts.outside import PEAK_OUTSIDE, add_peak_outside
from linecheck.checks.parts.readings import (
    WEIGHTINGS,
    ReadingList,
    band_not_reached,
    not_captured,
    power_weights,
    ratio_reading,
)
from linecheck.checks.parts.word_length import dither_noise_db
from linecheck.checks.tone import SineKind, ToneAnalysis, ToneParameters, dissect_channel

__all__ = ["KIND", "LowLevelToneKind", "LowLevelToneParameters"]

#: A dynamic range that is beyond what the stimulus allows by more is of another stimulus, dB: well above its scatter.
BEYOND_DB = 3.0


class LowLevelToneParameters(ToneParameters):
    """The sine, 60 dB below full scale, which keeps mutes open and codes moving."""

    level_dbfs: Annotated[
        float, Field(ge=-120.0, le=-20.0, description="Level, dB re a full-scale sine (AES17)")
    ] = -60.0


class LowLevelToneKind(SineKind):
    """Dynamic range (AES17-2015, 6.4.1): full scale over everything but a tone at -60 dBFS.

    The ratio of the tone to the residual in the band, plus the tone's distance from full scale. Unweighted, A-weighted
    (IEC 61672-1), and weighted as AES17 asks: the curve of ITU-R BS.468-4 with unity at 2 kHz, rms detector.
    """

    name: ClassVar[str] = "low_level_tone"
    text: ClassVar[str] = "a sine at -60 dBFS: dynamic range"
    stimulus_parameters: ClassVar[type[Parameters]] = LowLevelToneParameters
    analysis_parameters: ClassVar[type[Parameters]] = ToneAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec(
            "dynamic_range", "dB", "full scale over noise and distortion", "more",
            DifferenceSpec("dynamic range"), NO_NEGATIVE,
        ),
        MetricSpec(
            "dynamic_range_a", "dB", "the same, A-weighted", "more",
            DifferenceSpec("A-weighted dynamic range", said_by=("dynamic_range",)), NO_NEGATIVE,
        ),
        MetricSpec(
            "dynamic_range_468", "dB", "the same, BS.468 curve re 2 kHz, rms", "more",
            DifferenceSpec("dynamic range by the 468 curve", said_by=("dynamic_range", "dynamic_range_a")),
            NO_NEGATIVE,
        ),
        PEAK_OUTSIDE,
    )  # fmt: skip
    rests_on_played_level: ClassVar[bool] = True
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        CurveSpec(
            "spectrum", "Hz", "dB", "everything but the tone, re the tone, at the stated resolution",
            difference=DifferenceSpec("spectrum of a faint tone", said_by=("dynamic_range", "dynamic_range_a")),
        ),
    )  # fmt: skip

    def possible(self, parameters: LowLevelToneParameters, analysis: ToneAnalysis) -> Mapping[str, Range]:
        """Return what the noise of the stimulus's dither allows."""
        bits, rate_hz, band_hz = parameters.bits, parameters.rate_hz, analysis.band_hz
        return {
            f"dynamic_range{suffix}": (
                0.0,
                -dither_noise_db(bits, rate_hz, band_hz, partial(power_weights, suffix)),
            )
            for suffix in WEIGHTINGS
        }

    def measure(
        self,
        capture: Capture,
        location: Location,
        parameters: LowLevelToneParameters,
        analysis: ToneAnalysis,
        context: Context,
    ) -> Measurement:
        """Take the dynamic range from the located sine."""
        out = ReadingList(context.volts_uncertainty)
        names = (*(spec.name for spec in self.metrics if spec != PEAK_OUTSIDE), "spectrum")
        reached = band_not_reached(capture, analysis.band_hz, names)
        if reached is not None:
            out.problems.append(reached)
        possible = self.possible(parameters, analysis)
        for index, name in location.found_of(context.channels):
            add_peak_outside(out, capture, location, index, name)
            if reached is not None:
                out.missing(self.metrics, names, name)
                continue
            parts = dissect_channel(capture, location, index, parameters.frequency_hz, analysis.band_hz)
            out.problems += not_captured(parts.noise, analysis.band_hz[1], capture.rate_hz, name)
            for suffix in WEIGHTINGS:
                weight = power_weights(suffix, parts.noise.frequencies_hz)
                residual = parts.residual_power(*analysis.band_hz, weight)
                ratio = ratio_reading("", name, residual, parts.tone)
                value = None if ratio.value is None else -ratio.value - parameters.level_dbfs
                metric = f"dynamic_range{suffix}"
                out.readings.append(Reading(metric, name, value, "dB", ratio.uncertainty))
                if value is not None and not ratio.is_bound and value > possible[metric][1] + BEYOND_DB:
                    out.problems.append(_another_level(name, value, parameters.level_dbfs))
                    break
            out.spectrum(parts, name, analysis.band_hz, analysis.resolution_hz, parts.amplitude)
        return out.measurement()


def _another_level(name: str, value: float, level_dbfs: float) -> Problem:
    message = (
        f"{value:.1f} dB is more than the stimulus's dither allows: the tone was not played at {level_dbfs:g} dBFS, "
        "the capture is another check's, or the unit makes faint tones louder. May be the unit's own fault."
    )
    return Problem("wrong_level", message, name)


KIND = LowLevelToneKind()
