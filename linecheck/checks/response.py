"""``response``: level over frequency, from many lines at once or from a sweep."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from linecheck.checks.base import Capture, Location, Parameters, Stimulus
from linecheck.checks.parts.declared import (
    NO_NEGATIVE,
    CurveSpec,
    DifferenceSpec,
    Implied,
    MetricSpec,
    either_way,
    former,
    the_same,
)
from linecheck.checks.parts.known_signal import CAPTURE_EDGE
from linecheck.checks.parts.periodic import locate_periodic, peak_dbfs, periodic_stimulus
from linecheck.checks.parts.readings import Located, ReadingKind, ReadingList
from linecheck.checks.parts.steady import BandHz, SteadyParameters
from linecheck.checks.parts.swept import FADE_SECONDS, Swept, locate_sweep, sweep_response, sweep_stimulus
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.fits.periodic import LineReader, PeriodicSignal, period_frames
from linecheck.dsp.responses.responses import Response, falls_to, level_at, line_levels, running_mean

#: Levels are relative to this frequency's.
REFERENCE_HZ = 1000.0
#: The stimulus goes up to this part of its rate: 21.94 kHz at 44.1 kHz.
HIGHEST_SHARE = 0.4975
#: Distance of the lowest lines, Hz: far enough for 1.4 s to tell them apart.
SPACING_HZ = 5.0
#: Lines to an octave, up to 0.4 of the rate; closer beyond it, where filters are steep.
PER_OCTAVE = 24
STEEP_SHARE = 0.4
STEEP_SPACING_HZ = 100.0
#: Noise is averaged over so many lines to either side.
NOISE_LINES = 4
#: Where the pass band's inner part begins and ends re the band's edges: from 100 Hz to 18 kHz of 20 Hz to 20 kHz
#: (common practice, no source). A coupling capacitor that takes 0.5 dB at 20 Hz takes 0.02 dB at 100 Hz.
INNER = (5.0, 0.9)

_NOTHING = Response(np.zeros(0), np.zeros(0), np.zeros(0))


class ResponseParameters(SteadyParameters):
    """Many lines at once, or an exponential sweep."""

    signal: Annotated[
        Literal["multisine", "sweep"],
        Field(
            description="multisine: many lines at once; sweep: one sine that rises through all frequencies"
        ),
    ] = "multisine"
    seconds: Annotated[
        float, Field(ge=1.4, le=60.0, description="Length of what is measured: of the lines or the sweep, s")
    ] = 1.4
    level_dbfs: Annotated[
        float,
        Field(
            ge=-80.0,
            le=-12.0,
            description="Level of the sweep, or of all lines (rms), dB re a full-scale sine",
        ),
    ] = -20.0
    lowest_hz: Annotated[
        float, Field(ge=7.5, le=100.0, description="Lowest frequency that the stimulus has, Hz")
    ] = 7.5


class ResponseAnalysis(Parameters):
    """The band that flatness and balance are taken in, and its inner part, whose ripple is read."""

    band_hz: BandHz = (20.0, 20000.0)
    inner_hz: Annotated[
        BandHz | None,
        Field(
            description="Lower and upper edge of the pass band's inner part, which the fall at its edges does not "
            "reach, inclusive, Hz; left out: from five times the band's lower edge to nine tenths of its upper one"
        ),
    ] = None

    @property
    def inner_band_hz(self) -> tuple[float, float]:
        """The inner part's edges."""
        return self.inner_hz or (INNER[0] * self.band_hz[0], INNER[1] * self.band_hz[1])


@lru_cache(maxsize=8)
def _signal(rate_hz: int, lowest_hz: float) -> PeriodicSignal:
    """Return the lines: evenly on a logarithmic axis, no closer than neighbouring odd multiples, closer at the top."""
    period = period_frames(rate_hz, SPACING_HZ)
    fundamental = rate_hz / period
    steep, highest = STEEP_SHARE * rate_hz, HIGHEST_SHARE * rate_hz
    count = int(PER_OCTAVE * np.log2(steep / lowest_hz))
    wanted = np.concatenate(
        (lowest_hz * 2.0 ** (np.arange(count) / PER_OCTAVE), np.arange(steep, highest, STEEP_SPACING_HZ))
    )
    orders = 2 * np.floor(0.5 * wanted / fundamental + 1e-9).astype(np.int64) + 1
    return PeriodicSignal(period, np.unique(orders))


def _sweep(parameters: ResponseParameters) -> Swept:
    return Swept(
        parameters.rate_hz,
        parameters.seconds,
        parameters.lowest_hz,
        0.4995 * parameters.rate_hz,
        parameters.level_dbfs,
        parameters.bits,
        parameters.seed,
    )


_FLATNESS = MetricSpec(
    "flatness", "dB", "greatest level in the band over the least, edges included", "less",
    DifferenceSpec(accuracy=0.002, said_by=("reconstruction.response_20k",)),
    NO_NEGATIVE, of_path=True,
)  # fmt: skip


class ResponseKind(ReadingKind):
    """Level over frequency re 1 kHz.

    ``multisine`` plays some 230 lines at once, 24 to the octave, at odd multiples of 2.5 Hz, on which no mains product
    falls, and reads each at the fitted ratio of the two clocks. ``sweep`` plays a steady tone, which gives the clock
    ratio, and then an exponential sweep: the capture's spectrum over that of the stimulus, stretched by the ratio.
    Frequencies are by the unit's clock.

    ``flatness`` is the greatest level in the band less the least, edges included, and what the response falls by
    towards them with it (``ripple`` is the name that it had before). ``passband_ripple`` is the same of the pass band's
    inner part, ``inner_hz``: no edge is looked for, what lies between the two that are declared counts. It is no more
    than ``flatness`` as long as the inner part lies within the band. Where a response is flat, both read a few standard
    uncertainties of noise. ``balance`` is the first channel's level less the second's where in the band they differ
    most. ``corner_low`` and ``corner_high`` are where the response has first fallen by 3 dB below and above 1 kHz. A
    capture converter's own filter begins at 0.4536 of its rate: the response ends there.
    """

    name: ClassVar[str] = "response"
    text: ClassVar[str] = "level over frequency: flatness, ripple, corners, balance"
    stimulus_parameters: ClassVar[type[Parameters]] = ResponseParameters
    analysis_parameters: ClassVar[type[Parameters]] = ResponseAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        former("ripple", _FLATNESS, "the same value; ripple without the fall at the edges is passband_ripple"),
        _FLATNESS,
        MetricSpec(
            "passband_ripple", "dB", "greatest level in the pass band's inner part over the least", "less",
            DifferenceSpec("pass band ripple", 0.002, said_by=("flatness",)), NO_NEGATIVE, of_path=True,
        ),
        MetricSpec(
            "corner_low", "Hz", "where the response is 3 dB down below 1 kHz", "less",
            either_way("lower −3 dB corner {size} {way}, at {value}", "higher", "lower", 0.05),
            NO_NEGATIVE, of_path=True,
        ),
        MetricSpec(
            "corner_high", "Hz", "where the response is 3 dB down above 1 kHz", "more",
            either_way(
                "upper −3 dB corner {size} {way}, at {value}", "higher", "lower", 0.3,
                said_by=("reconstruction.corner_3db",),
            ),
            NO_NEGATIVE, of_path=True,
        ),
        MetricSpec(
            "balance", "dB", "first channel over second, where in the band they differ most", "nominal",
            DifferenceSpec(accuracy=0.005), per_channel=False, of_path=True,
        ),
    )  # fmt: skip
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        CurveSpec(
            "response", "Hz", "dB", "response re 1 kHz",
            better="nominal",
            difference=DifferenceSpec(
                "response", 0.01,
                said_by=("flatness", "reconstruction.response_20k", "reconstruction.corner_3db"),
            ),
            of_path=True,
        ),
    )  # fmt: skip

    def peak_dbfs(self, parameters: ResponseParameters) -> float:
        """Return the highest level that the stimulus reaches."""
        if parameters.signal == "sweep":
            return parameters.level_dbfs
        return peak_dbfs(_signal(parameters.rate_hz, parameters.lowest_hz), parameters.level_dbfs)

    def max_ramp_seconds(self, parameters: ResponseParameters) -> float:
        """Return the fade of a sweep, which cannot be longer: what fades is lost to its lowest and highest tones."""
        return FADE_SECONDS if parameters.signal == "sweep" else math.inf

    def stimulus(self, parameters: ResponseParameters, channels: int, ramp_seconds: float) -> Stimulus:
        """Return the lines or the sweep, the same in every channel."""
        if parameters.signal == "sweep":
            return sweep_stimulus(_sweep(parameters), channels, ramp_seconds)
        signal = _signal(parameters.rate_hz, parameters.lowest_hz)
        return periodic_stimulus(signal, parameters, parameters.level_dbfs, channels, ramp_seconds)

    def locate(self, capture: Capture, parameters: ResponseParameters, channels: tuple[str, ...]) -> Location:
        """Find the lines, or the sweep by the tone ahead of it."""
        if parameters.signal == "sweep":
            return locate_sweep(capture, _sweep(parameters), channels)
        signal = _signal(parameters.rate_hz, parameters.lowest_hz)
        return locate_periodic(capture, signal, parameters.rate_hz, parameters.seconds, channels)

    def read(self, out: ReadingList, located: Located[ResponseParameters, ResponseAnalysis]) -> None:
        """Take the response of every channel, and what is read of it."""
        capture, location, analysis = located.capture, located.location, located.analysis
        edge = CAPTURE_EDGE * capture.rate_hz
        levels: list[Response] = []
        read = _by_sweep if located.parameters.signal == "sweep" else _by_lines
        responses = read(capture, location, located.parameters)
        for index, name in located.found:
            response = responses[index]
            reference = level_at(response, REFERENCE_HZ)
            assert reference is not None
            # One line beyond the edge, so that what lies just below it can be read between two.
            levels.append(_cut(response, edge, more=1))
            relative = _cut(response.less(reference), edge)
            out.curve("response", name, relative.frequencies_hz, relative.level_db, relative.spread_db)
            _corners(out, name, relative)
            _peak_to_peak(out, "flatness", name, levels[-1], analysis.band_hz)
            _peak_to_peak(out, "passband_ripple", name, levels[-1], analysis.inner_band_hz)
        _balance(out, levels, analysis.band_hz, len(located.context.channels))

    def never_measured(
        self, parameters: ResponseParameters, analysis: ResponseAnalysis, channels: int, has_reference: bool
    ) -> Mapping[str, str]:
        """Return what the stimulus's band and the number of channels rule out."""
        never: dict[str, str] = {}
        lowest, highest = parameters.lowest_hz, HIGHEST_SHARE * parameters.rate_hz - STEEP_SPACING_HZ
        for names, what, (low, high) in (
            (("flatness", "balance"), "band", analysis.band_hz),
            (("passband_ripple",), "inner part of the band", analysis.inner_band_hz),
        ):
            if low < lowest or high > highest or low >= high:
                reason = (
                    f"the stimulus goes from {lowest:g} Hz to {highest:g} Hz, the {what} from {low:g} Hz to "
                    f"{high:g} Hz"
                )
                never |= dict.fromkeys(names, reason)
        if channels < 2:
            never["balance"] = "it compares two channels, and the file declares one"
        return never

    def implied(self, parameters: ResponseParameters, analysis: ResponseAnalysis) -> tuple[Implied, ...]:
        """Return that a part of the band is no less flat than the whole."""
        (low, high), (first, last) = analysis.band_hz, analysis.inner_band_hz
        if not low <= first < last <= high:
            return ()
        return (Implied("passband_ripple", "flatness", the_same, "it is read in a part of the band"),)

    def curve_spans(
        self, parameters: ResponseParameters, analysis: ResponseAnalysis
    ) -> Mapping[str, tuple[float, float]]:
        """Return how far the response goes."""
        return {"response": (parameters.lowest_hz, HIGHEST_SHARE * parameters.rate_hz)}


def _wanted(rate_hz: int, lowest_hz: float) -> FloatArray:
    """Return where a sweep's response is read: as the lines are, at the corner too."""
    period = period_frames(rate_hz, SPACING_HZ)
    return np.asarray(_signal(rate_hz, lowest_hz).orders * (rate_hz / period))


def _by_sweep(capture: Capture, location: Location, parameters: ResponseParameters) -> list[Response]:
    """Return each channel's response by the sweep; an empty one where it was not found."""
    narrowed = capture.narrowed(max(20_000.0, 0.5 * parameters.rate_hz))
    frequencies = _wanted(parameters.rate_hz, parameters.lowest_hz)
    return [
        sweep_response(narrowed, index, location, _sweep(parameters), frequencies) if found else _NOTHING
        for index, found in enumerate(location.found)
    ]


def _by_lines(capture: Capture, location: Location, parameters: ResponseParameters) -> list[Response]:
    """Return each channel's response by the lines; an empty one where they were not found."""
    narrowed = capture.narrowed(max(20_000.0, HIGHEST_SHARE * parameters.rate_hz))
    signal = _signal(parameters.rate_hz, parameters.lowest_hz)
    return [
        _levels_of_lines(
            LineReader(narrowed.between(index, location.start, location.stop), "close"),
            signal,
            parameters.rate_hz / narrowed.rate_hz * (location.clock_ratio or 1.0),
            parameters.rate_hz,
        )
        if found
        else _NOTHING
        for index, found in enumerate(location.found)
    ]


def _levels_of_lines(reader: LineReader, signal: PeriodicSignal, scale: float, rate_hz: int) -> Response:
    """Return the levels of a signal's lines; ``scale`` is the unit's rate over the record's."""
    usable = signal.frequencies * scale < 0.5 - 8.0 / reader.frames
    frequencies, played = signal.frequencies[usable], np.abs(signal.amplitudes(signal.orders))[usable]
    gains = reader.read(frequencies * scale) / played
    noise = running_mean(reader.noise(frequencies * scale) / played**2, NOISE_LINES)
    return Response(frequencies * rate_hz, *line_levels(gains, noise))


def _cut(response: Response, edge_hz: float, more: int = 0) -> Response:
    """Return a response up to an edge and so many lines more."""
    count = int(np.searchsorted(response.frequencies_hz, edge_hz, side="right")) + more
    return response.first(count)


def _corners(out: ReadingList, name: str, response: Response) -> None:
    """Add both corners; one that lies outside what was played or captured is missing."""
    for metric, upwards in (("corner_low", False), ("corner_high", True)):
        corner = falls_to(response, -3.0, REFERENCE_HZ, upwards=upwards)
        if corner is not None:
            out.add(metric, name, *corner)
            continue
        end = -1 if upwards else 0
        message = (
            f"the response does not fall by 3 dB: it is {response.level_db[end]:+.2f} dB re 1 kHz at "
            f"{response.frequencies_hz[end]:g} Hz, the {'highest' if upwards else 'lowest'} frequency that the "
            "stimulus and the capture have"
        )
        out.explain(name, "no_corner", message, metric)


def _within(response: Response, band_hz: tuple[float, float]) -> Response | None:
    """Return a response in a band, its edges included; None where it does not reach them."""
    low, high = (level_at(response, edge) for edge in band_hz)
    if low is None or high is None:
        return None
    inside = response.between(*band_hz)
    return Response(
        np.concatenate(([band_hz[0]], inside.frequencies_hz, [band_hz[1]])),
        np.concatenate(([low.value], inside.level_db, [high.value])),
        np.concatenate(([low.uncertainty], inside.uncertainty_db, [high.uncertainty])),
    )


def _not_reached(
    out: ReadingList, response: Response, band_hz: tuple[float, float], name: str | None, metric: str
) -> None:
    """Say that a response does not reach a band's edges."""
    first, last = response.frequencies_hz[0], response.frequencies_hz[-1]
    message = (
        f"the band goes from {band_hz[0]:g} Hz to {band_hz[1]:g} Hz, the response that stimulus and capture give only "
        f"from {first:g} Hz to {last:g} Hz"
    )
    out.explain(name, "band_not_reached", message, metric)


def _peak_to_peak(
    out: ReadingList, metric: str, name: str, response: Response, band_hz: tuple[float, float]
) -> None:
    """Add the greatest level in a band less the least."""
    inside = _within(response, band_hz)
    if inside is None:
        _not_reached(out, response, band_hz, name, metric)
        return
    highest, lowest = int(np.argmax(inside.level_db)), int(np.argmin(inside.level_db))
    spread = np.hypot(inside.uncertainty_db[highest], inside.uncertainty_db[lowest])
    out.add(metric, name, np.ptp(inside.level_db), spread)


def _balance(
    out: ReadingList, levels: Sequence[Response], band_hz: tuple[float, float], channels: int
) -> None:
    """Add the first channel over the second (of more, over the one that differs most) where they differ most."""
    inside = [_within(response, band_hz) for response in levels]
    parts = [part for part in inside if part is not None]
    if len(parts) < max(2, channels):
        if levels and None in inside:
            _not_reached(out, levels[inside.index(None)], band_hz, None, "balance")
        return
    first = parts[0]
    differences = np.array([first.level_db - part.level_db for part in parts[1:]])
    other, worst = np.unravel_index(int(np.argmax(np.abs(differences))), differences.shape)
    spread = np.hypot(first.uncertainty_db[worst], parts[1 + int(other)].uncertainty_db[worst])
    out.add("balance", None, differences[other, worst], spread)


KIND = ResponseKind()
