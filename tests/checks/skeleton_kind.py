"""A check kind as short as one can be: copy it to ``linecheck/checks/NAME.py``, and what it measures can be judged."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from linecheck.checks.base import Capture, Location, Parameters, Stimulus
from linecheck.checks.parts.declared import MetricSpec
from linecheck.checks.parts.readings import Located, ReadingKind, ReadingList, decibels, pair_difference
from linecheck.checks.parts.steady import BandHz, locate_tone
from linecheck.checks.tone import ToneParameters, dissect_channel, tone_stimulus


class SkeletonAnalysis(Parameters):
    """Every field has a default, its unit in its name, and a description."""

    band_hz: BandHz = (20.0, 20000.0)


class SkeletonKind(ReadingKind):
    """One sine: how high it comes out, and how much the channels differ."""

    name: ClassVar[str] = "skeleton"
    text: ClassVar[str] = "one sine: level and balance"
    stimulus_parameters: ClassVar[type[Parameters]] = ToneParameters
    analysis_parameters: ClassVar[type[Parameters]] = SkeletonAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec("level_dbfs", "dBFS", "level re a full-scale sine of the capture", "nominal"),
        MetricSpec("balance", "dB", "first channel over the second", "nominal", per_channel=False),
    )

    def stimulus(self, parameters: ToneParameters, channels: int, ramp_seconds: float) -> Stimulus:
        """Return the sine, the same in every channel."""
        return tone_stimulus(parameters, channels, ramp_seconds)

    def locate(self, capture: Capture, parameters: ToneParameters, channels: tuple[str, ...]) -> Location:
        """Find the sine; what is wrong is a problem of the location."""
        return locate_tone(capture, [parameters.frequency_hz] * len(channels), parameters.seconds, channels)

    def read(self, out: ReadingList, located: Located[ToneParameters, SkeletonAnalysis]) -> None:
        """Add every metric from one pass, each with its uncertainty; what is not added has no value."""
        frequency_hz, band_hz = located.parameters.frequency_hz, located.analysis.band_hz
        for index, channel in located.found:
            parts = dissect_channel(located.capture, located.location, index, frequency_hz, band_hz)
            out.readings.append(
                decibels("level_dbfs", channel, parts.amplitude, parts.amplitude_uncertainty, "dBFS")
            )
        out.readings.append(pair_difference("balance", located.context.channels, tuple(out.readings)))

    def never_measured(
        self, parameters: ToneParameters, analysis: SkeletonAnalysis, channels: int, has_reference: bool
    ) -> Mapping[str, str]:
        """Return what no unit could give."""
        return {"balance": "it compares two channels, and the file declares one"} if channels < 2 else {}


KIND = SkeletonKind()
