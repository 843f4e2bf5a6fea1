"""Small kinds that need no signal processing, so that limit files are tested for themselves."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar

import numpy as np
import pytest
from pydantic import Field, model_validator

from linecheck.checks.base import (
    CheckKind,
    CurveSpec,
    Location,
    Measurement,
    MetricSpec,
    Parameters,
    Stimulus,
)

WHOLE = """\
format: 1
model: pellow-r3
revision: 4
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
setup: {input: usb, filter: sharp}
checks:
  tone:
    kind: sine
    stimulus: {frequency_hz: 997, level_dbfs: -1}
    masks:
      sinad: {pass: {min: 112}, fail: {min: 108}}
      balance: {pass: {min: -0.1, max: 0.1}}
      spectrum: {pass: {max: [[20, -120], [20000, -110]]}}
"""


class SineParameters(Parameters):
    frequency_hz: Annotated[float, Field(gt=0.0, description="Frequency, Hz")] = 997.0
    level_dbfs: Annotated[float, Field(ge=-150.0, le=0.0, description="Level, dBFS")] = 0.0
    rate_hz: Annotated[int, Field(ge=8000, description="Rate, Hz")] = 44100
    dither: bool = True

    @model_validator(mode="after")
    def _fits(self) -> SineParameters:
        if self.frequency_hz >= self.rate_hz / 2:
            raise ValueError("frequency_hz must be below half of rate_hz")
        return self


class SineAnalysis(Parameters):
    band_hz: Annotated[tuple[float, float], Field(strict=False, description="Band, Hz")] = (20.0, 20000.0)


class SilenceAnalysis(Parameters):
    reference: str | None = None


class _Kind(CheckKind):
    stimulus_parameters = SineParameters
    analysis_parameters = SineAnalysis

    def stimulus(self, parameters, channels, ramp_seconds):
        return Stimulus(np.zeros((8, channels), np.int32), 44100, 24)

    def locate(self, capture, parameters, channels):
        return Location(0, 8, (True,) * len(channels), None)

    def measure(self, capture, location, parameters, analysis, context):
        return Measurement()


class Sine(_Kind):
    name = "sine"
    text = "a sine"
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec("sinad", "dB", "tone over the rest", "more"),
        MetricSpec("level", "V", "level", "nominal"),
        MetricSpec("balance", "dB", "first over second", "nominal", per_channel=False),
    )
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        CurveSpec("spectrum", "Hz", "dB", "spectrum"),
        CurveSpec("gain_error", "dBFS", "dB", "error over level", log_x=False, better="nominal"),
        CurveSpec("pair_phase", "Hz", "deg", "phase of the pair", per_channel=False),
    )


class Silence(_Kind):
    name = "silence"
    text = "nothing"
    analysis_parameters = SilenceAnalysis
    reference_kind = "sine"
    metrics: ClassVar[tuple[MetricSpec, ...]] = (MetricSpec("noise", "µV", "noise", "less"),)


@pytest.fixture(scope="session")
def kinds() -> Mapping[str, CheckKind]:
    return {"silence": Silence(), "sine": Sine()}


@pytest.fixture(scope="session")
def whole() -> str:
    return WHOLE
