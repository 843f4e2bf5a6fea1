"""Check kinds that the self-check alone plays: a tone measured clear of its fade-out, and many tones up to the edge."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from linecheck.checks.base import (
    Capture,
    CheckKind,
    Context,
    Location,
    Measurement,
    MetricSpec,
    Parameters,
    Reading,
    Stimulus,
)
from linecheck.checks.parts.readings import DB_PER_NEPER, ReadingList, power_ratio
from linecheck.checks.parts.steady import (
    SETTLE_SECONDS,
    BandHz,
    ResolutionHz,
    SteadyParameters,
    last_settled,
    locate_tone,
    steady_stimulus,
)
from linecheck.checks.parts.tone_sets import locate_tone_sets
from linecheck.checks.tone import ToneKind, ToneParameters
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.fits.dissect import Power
from linecheck.dsp.fits.periodic import spread_phases
from linecheck.dsp.fits.tone_residue import highest_residue, residue_spectrum, take_out

LOWEST_HZ = 20.0
#: Up to this share of the rate tones stand on a logarithmic axis, from there to the last one evenly.
STEEP_SHARE, LAST_SHARE = 0.4, 0.49
LOW_TONES, STEEP_TONES = 30, 19
#: Only tones below this share are looked for: beyond it a path may end.
FOUND_SHARE = 0.4
REFERENCE_HZ = 1000.0
FALLEN_DB = 3.0
#: What comes back between the tones is looked for above the mains.
IMAGES_FROM_HZ = 320.0


class ToEdgeParameters(SteadyParameters):
    """The tones."""

    seconds: Annotated[
        float, Field(ge=0.8, le=60.0, description="Length of the part that is measured, s")
    ] = 1.0
    level_dbfs: Annotated[
        float, Field(ge=-80.0, le=-14.0, description="Level of all tones (rms), dB re a full-scale sine")
    ] = -20.0


class ToEdgeAnalysis(Parameters):
    """The band that has to be flat, and the resolution that residue is stated at."""

    band_hz: BandHz = (20.0, 20000.0)
    resolution_hz: ResolutionHz = 5.0


@lru_cache(maxsize=4)
def _tones(rate_hz: int) -> FloatArray:
    """Return the tones' frequencies, Hz: odd multiples of half a hertz, off every multiple of the mains."""
    steep = STEEP_SHARE * rate_hz
    low = LOWEST_HZ * (steep / LOWEST_HZ) ** (np.arange(LOW_TONES) / LOW_TONES)
    high = np.linspace(steep, LAST_SHARE * rate_hz, STEEP_TONES)
    return np.asarray(np.floor(np.concatenate((low, high))) + 0.5)


class ToEdgeKind(CheckKind):
    """Flatness, edge and images, from tones that are fitted with one ratio of the clocks and taken out.

    ``ripple`` is the greatest level in the band over the least. ``edge`` is where the response has first fallen by 3 dB
    below its level at 1 kHz, as a share of the lower of both rates; it reads 0.49 where it has not. ``images`` is the
    highest residue between the tones, re one of them as played at 1 kHz: what a poor rate converter folds back.
    """

    name: ClassVar[str] = "to_edge"
    text: ClassVar[str] = "many tones up to 0.49 of the rate: flatness, edge, images"
    stimulus_parameters: ClassVar[type[Parameters]] = ToEdgeParameters
    analysis_parameters: ClassVar[type[Parameters]] = ToEdgeAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec("ripple", "dB", "greatest level in the band over the least", "less"),
        MetricSpec("edge", "of the rate", "where the response is 3 dB down", "more"),
        MetricSpec("images", "dB", "highest residue between the tones, re one of them", "less"),
        MetricSpec("images_at", "Hz", "where that lies", "nominal"),
    )

    def stimulus(self, parameters: ToEdgeParameters, channels: int, ramp_seconds: float) -> Stimulus:
        """Return the tones, the same in every channel."""
        tones = _tones(parameters.rate_hz)
        amplitudes = np.full(len(tones), 10.0 ** (parameters.level_dbfs / 20.0) / np.sqrt(len(tones)))
        phases = spread_phases(np.round(2.0 * tones).astype(np.int64), 2.0 * parameters.rate_hz)
        return steady_stimulus(
            parameters, [amplitudes] * channels, [tones] * channels, [phases] * channels, ramp_seconds
        )

    def locate(self, capture: Capture, parameters: ToEdgeParameters, channels: tuple[str, ...]) -> Location:
        """Find the tones, by those that no filter takes."""
        tones = _tones(parameters.rate_hz)
        sure = tones[tones < FOUND_SHARE * min(parameters.rate_hz, capture.rate_hz)]
        return locate_tone_sets(capture, [sure] * len(channels), parameters.seconds, channels)

    def measure(
        self,
        capture: Capture,
        location: Location,
        parameters: ToEdgeParameters,
        analysis: ToEdgeAnalysis,
        context: Context,
    ) -> Measurement:
        """Take flatness, edge and images from the located tones."""
        assert location.clock_ratio is not None
        lower = float(min(parameters.rate_hz, capture.rate_hz))
        tones = _tones(parameters.rate_hz)
        tones = tones[tones <= 1.0001 * LAST_SHARE * lower]
        out = ReadingList()
        for index, name in enumerate(context.channels):
            if location.found[index]:
                record = capture.scaled[index, location.start : location.stop]
                _read(out, name, record, capture.rate_hz, tones, lower, location.clock_ratio, analysis)
        return out.measurement()


def _read(
    out: ReadingList,
    name: str,
    record: FloatArray,
    rate_hz: float,
    tones: FloatArray,
    lower: float,
    ratio: float,
    analysis: ToEdgeAnalysis,
) -> None:
    taken = take_out(record, tones * (ratio / rate_hz), 0.5 * LOWEST_HZ / rate_hz)
    amplitudes = np.abs(taken.tones.amplitudes)
    spread = float(np.std(taken.rest)) * np.sqrt(2.0 / len(record))
    one = float(np.exp(np.interp(np.log(REFERENCE_HZ), np.log(tones), np.log(np.maximum(amplitudes, 1e-15)))))
    levels = 20.0 * np.log10(np.maximum(amplitudes, 1e-15) / one)
    low, high = analysis.band_hz
    flat = levels[(tones >= low) & (tones <= min(high, STEEP_SHARE * lower))]
    uncertainty = float(DB_PER_NEPER * np.sqrt(2.0) * spread / one)
    residue = residue_spectrum(taken.rest, rate_hz, analysis.resolution_hz)
    power, power_spread, place = highest_residue(residue, IMAGES_FROM_HZ, LAST_SHARE * lower)
    out.readings += [
        Reading("ripple", name, float(np.ptp(flat)), "dB", uncertainty),
        Reading("edge", name, _edge(tones, levels) / lower, "of the rate", None),
        power_ratio("images", name, Power(power, power_spread), Power(0.5 * one**2, 0.0)),
        Reading("images_at", name, place, "Hz", None),
    ]


def _edge(tones: FloatArray, levels: FloatArray) -> float:
    """Return where the levels have first fallen by 3 dB above the reference, Hz; the last tone where they have not."""
    above = np.flatnonzero((tones > REFERENCE_HZ) & (levels < -FALLEN_DB))
    if not len(above):
        return float(tones[-1])
    at = int(above[0])
    return float(np.interp(-FALLEN_DB, [levels[at], levels[at - 1]], [tones[at], tones[at - 1]]))


class SettledTone(ToneKind):
    """The tone check; what is measured ends some time before the tone does: a station may ask for long ramps."""

    def locate(self, capture: Capture, parameters: ToneParameters, channels: tuple[str, ...]) -> Location:
        """Find the sine, and the inside of where it has settled."""
        seconds = parameters.seconds + SETTLE_SECONDS
        found = locate_tone(capture, [parameters.frequency_hz] * len(channels), seconds, channels)
        start, stop = last_settled(found.start, found.stop, parameters.seconds, capture.rate_hz)
        return replace(found, start=start, stop=stop)


TO_EDGE = ToEdgeKind()
SETTLED_TONE = SettledTone()
