"""``reconstruction``: the filter that follows the converter, far beyond half its rate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from linecheck.checks.base import Capture, Location, Parameters, Problem, Stimulus
from linecheck.checks.parts.declared import (
    NO_NEGATIVE,
    NO_POSITIVE,
    CurveSpec,
    DifferenceSpec,
    MetricSpec,
    either_way,
    former,
)
from linecheck.checks.parts.known_signal import CAPTURE_EDGE
from linecheck.checks.parts.periodic import RMS_AT_FULL_SCALE, locate_periodic, peak_dbfs, periodic_stimulus
from linecheck.checks.parts.readings import Located, ReadingKind, ReadingList
from linecheck.checks.parts.steady import BandEdge, SteadyParameters
from linecheck.dsp.arrays import ComplexArray, FloatArray, IntArray
from linecheck.dsp.fits.periodic import LineReader, PeriodicSignal, period_frames
from linecheck.dsp.responses.between_lines import BetweenLines, between_lines
from linecheck.dsp.responses.responses import (
    Impulse,
    Level,
    Response,
    falls_to,
    impulse_of,
    is_resolved,
    level_at,
    line_levels,
    running_level,
    stop_band,
)
from linecheck.dsp.spectra.spectra import reduce_peaks

#: Levels are relative to this frequency's.
REFERENCE_HZ = 1000.0
#: The least rate of a capture over that of the unit.
MIN_OVERSAMPLING = 4
#: Distance of the lines, to the nearest that fits the rate: an impulse response of 20 ms fits in, and in 1.2 s the
#: middle between two lines is 30 bins from either.
SPACING_HZ = 50.0
#: The response is read at these, kHz.
READ_AT_KHZ = (10, 15, 17, 18, 19, 20)
#: Noise is averaged over so many lines to either side.
NOISE_LINES = 16
#: The response has begun where this part of its energy has come: -80 dB.
ONSET_SHARE = 1e-8
#: An impulse response is shown with at most so many points.
IMPULSE_POINTS = 2000


class ReconstructionParameters(SteadyParameters):
    """A dense signal of lines up to half the rate."""

    seconds: Annotated[
        float, Field(ge=1.2, le=60.0, description="Length of the part that is measured, s")
    ] = 2.8
    level_dbfs: Annotated[
        float, Field(ge=-80.0, le=-2.0, description="Rms level, dB re a full-scale sine (AES17)")
    ] = -4.0


class ReconstructionAnalysis(Parameters):
    """Which tones' images are looked at."""

    image_tones_hz: Annotated[
        tuple[BandEdge, BandEdge],
        Field(strict=False, description="Least and greatest frequency of the tones whose images count, Hz"),
    ] = (19000.0, 20000.0)


@dataclass(frozen=True)
class _Channel:
    """One channel: gains at odd multiples of the fundamental up to half the capture's rate, noise, levels."""

    orders: IntArray
    gains: ComplexArray
    noise: FloatArray
    response: Response
    reference: Level


@lru_cache(maxsize=8)
def _signal(rate_hz: int) -> PeriodicSignal:
    period = period_frames(rate_hz, SPACING_HZ)
    return PeriodicSignal(period, np.arange(1, period // 2, 2))


_READ_AT = tuple(
    MetricSpec(
        f"response_{khz}k",
        "dB",
        f"response at {khz} kHz re 1 kHz, negative where it has fallen",
        "nominal",
        DifferenceSpec(
            accuracy=0.002,
            more=f"gains {{size}} at {khz} kHz",
            less=f"loses {{size}} at {khz} kHz",
            worse="away",
        ),
        of_path=True,
    )
    for khz in READ_AT_KHZ
)


class ReconstructionKind(ReadingKind):
    """The reconstruction filter, from a dense signal whose images reach to the capture's edge.

    The unit's input has lines every 50 Hz up to half its rate. Its samples' spectrum repeats with the rate, so every
    line has images at multiples of the rate plus and minus its frequency, as strong and with known phases: what comes
    out at each of them is the response there. All are read at the fitted ratio of the two clocks. Frequencies are by
    the unit's clock, so that a clock that is off moves no corner.

    ``response_10k`` to ``response_20k`` are the response at that frequency re 1 kHz, in dB: negative where it has
    fallen (``droop_…`` are the names that they had before, and a droop is usually told without the sign: common
    practice, no source). ``corner_3db`` and ``corner_6db`` are the lowest frequencies above 1 kHz at which it is 3 and
    6 dB down. The stop band: above ``corner_6db`` the response falls to its first notch, out of which a lobe rises by 1
    dB or more; ``stopband_attenuation`` is that of the highest level from this notch to the capture's edge (0.4536 of
    its rate), and ``stopband_from`` the lowest frequency from which on no level is higher. Both are read between the
    lines too, where a narrow lobe may lie, from the impulse response that all lines make; what of it is longer than
    their distance can hold is in the uncertainty. Where there is no such notch (a floor that falls on behind an
    analogue low pass), the stop band begins at the rate less ``corner_3db``, where the images of the pass band begin.
    ``image_rejection`` is the level of a tone over that of its image at the rate less its frequency, the worst among
    the lines from 19 to 20 kHz (``image_tones_hz``).

    Noise, the unit's own included, is not the filter's: where it is as strong as what the filter lets through,
    ``stopband_attenuation`` and ``image_rejection`` are bounds (at least so much), and so is a ``pre_ringing`` that
    noise hides (at most so much); where the stop band begins is then not known. What a unit emits beyond the audio band
    is for ``ultrasonic`` to judge. Its distortion is another matter: products of even order fall between the lines and
    count as noise, but those of odd order fall on the lines of any evenly spaced signal (f1 + f2 - f3), and read
    as a shallower stop band. Where ``distortion_sweep`` is far off too, that is why.

    The impulse response is that of the band up to the capture's edge, without the first-order high pass of a coupling
    capacitor. ``pre_ringing`` is its energy before the main lobe (before the last change of sign ahead of the peak) re
    all its energy: about -14 dB for a sharp linear-phase filter, far less for a slow one, next to nothing for minimum
    phase. ``latency`` is the time from the impulse response's beginning (where 10⁻⁸ of its energy has come) to its
    peak: the filter's own delay as far as it can be seen. The transport's delay cannot be told from a capture whose
    start is not known.
    """

    name: ClassVar[str] = "reconstruction"
    text: ClassVar[str] = "the reconstruction filter: response, corners, stop band, images, impulse response"
    stimulus_parameters: ClassVar[type[Parameters]] = ReconstructionParameters
    analysis_parameters: ClassVar[type[Parameters]] = ReconstructionAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        *(
            former(spec.name.replace("response", "droop"), spec, "the same value, negative dB where it has fallen")
            for spec in _READ_AT
        ),
        *_READ_AT,
        MetricSpec(
            "corner_3db", "Hz", "where the response is 3 dB below that at 1 kHz", "nominal",
            either_way("−3 dB corner {size} {way}, at {value}", "higher", "lower", 0.3),
            NO_NEGATIVE, of_path=True,
        ),
        MetricSpec(
            "corner_6db", "Hz", "where the response is 6 dB below that at 1 kHz", "nominal",
            either_way("−6 dB corner {size} {way}, at {value}", "higher", "lower", 0.3),
            NO_NEGATIVE, of_path=True,
        ),
        MetricSpec(
            "stopband_from", "Hz", "where the stop band begins", "less",
            either_way("stop band begins {size} {way}, at {value}", "higher", "lower", 60.0, to_edge=True),
            NO_NEGATIVE,
        ),
        MetricSpec(
            "stopband_attenuation", "dB", "least attenuation in the stop band", "more",
            either_way("stop band {size} {way}, at {opposite}", "deeper", "shallower", 1.2, to_edge=True),
            NO_NEGATIVE,
        ),
        MetricSpec(
            "image_rejection", "dB", "high tones over their images at rate − f, the worst", "more",
            either_way("images of {image_tones_hz} at {opposite}, {size} {way}", "weaker", "stronger", 0.5),
            NO_NEGATIVE,
        ),
        MetricSpec(
            "pre_ringing", "dB", "energy before the main lobe re all of the impulse response", "less",
            either_way("{size} {way} energy ahead of the main lobe, {value} of all", "more", "less", 0.02),
            NO_POSITIVE,
        ),
        MetricSpec(
            "latency", "ms", "from the impulse response's beginning to its peak", "nominal",
            either_way("{size} {way} latency, {value}", "more", "less", 0.004),
            NO_NEGATIVE,
        ),
    )  # fmt: skip
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        CurveSpec(
            "response", "Hz", "dB", "response re 1 kHz",
            better="nominal",
            difference=DifferenceSpec("response", 0.01, said_by=("response_20k", "corner_3db"), to_edge=True),
        ),
        CurveSpec(
            "impulse", "ms", "", "impulse response re its peak",
            better="nominal",
            difference=DifferenceSpec(
                "impulse response", 0.001, said_by=("pre_ringing", "latency"), to_edge=True,
            ),
            log_x=False,
        ),
    )  # fmt: skip

    def peak_dbfs(self, parameters: ReconstructionParameters) -> float:
        """Return the highest level that the lines reach together."""
        return peak_dbfs(_signal(parameters.rate_hz), parameters.level_dbfs)

    def stimulus(self, parameters: ReconstructionParameters, channels: int, ramp_seconds: float) -> Stimulus:
        """Return the lines, the same in every channel."""
        signal = _signal(parameters.rate_hz)
        return periodic_stimulus(signal, parameters, parameters.level_dbfs, channels, ramp_seconds)

    def locate(
        self, capture: Capture, parameters: ReconstructionParameters, channels: tuple[str, ...]
    ) -> Location:
        """Find the lines; a capture below four times the unit's rate is refused."""
        if capture.rate_hz < MIN_OVERSAMPLING * parameters.rate_hz:
            message = (
                f"captured at {capture.rate_hz} Hz: what lies beyond half the unit's rate needs a capture at "
                f"{MIN_OVERSAMPLING * parameters.rate_hz} Hz or more"
            )
            problem = Problem("capture_rate_low", message)
            return Location.nowhere(channels, problem)
        signal = _signal(parameters.rate_hz)
        return locate_periodic(capture, signal, parameters.rate_hz, parameters.seconds, channels)

    def read(
        self, out: ReadingList, located: Located[ReconstructionParameters, ReconstructionAnalysis]
    ) -> None:
        """Take the filter's figures from the located lines."""
        capture, parameters = located.capture, located.parameters
        fundamental_hz = parameters.rate_hz / _signal(parameters.rate_hz).period
        for index, name in located.found:
            channel = _read(capture, located.location, index, parameters)
            if channel is None:
                message = (
                    f"the response at {REFERENCE_HZ:g} Hz, which all others are relative to, is not known"
                )
                out.explain(name, "reference_unknown", message)
                continue
            edge = CAPTURE_EDGE * capture.rate_hz
            response = channel.response.less(channel.reference).between(0.0, edge)
            _read_at(out, name, response)
            _corners(out, name, response)
            gains, noise = _faded(channel, edge)
            between = between_lines(channel.orders, gains, noise, fundamental_hz)
            _stop_band(out, name, channel, response, between, parameters.rate_hz, edge)
            _image_rejection(out, name, channel, parameters, located.analysis)
            kept = reduce_peaks(response.frequencies_hz, response.level_db)
            levels, spreads = response.level_db[kept], response.spread_db[kept]
            out.curve("response", name, response.frequencies_hz[kept], levels, spreads)
            _impulse_readings(out, name, impulse_of(channel.orders, gains, fundamental_hz, noise))

    def never_measured(
        self,
        parameters: ReconstructionParameters,
        analysis: ReconstructionAnalysis,
        channels: int,
        has_reference: bool,
    ) -> Mapping[str, str]:
        """Return what the rate and the tones rule out."""
        low, high = analysis.image_tones_hz
        lines = _signal(parameters.rate_hz).frequencies * parameters.rate_hz
        if np.any((lines >= low) & (lines <= high)):
            return {}
        reason = (
            f"no line of the stimulus lies between {low:g} Hz and {high:g} Hz (they go to {lines[-1]:g} Hz)"
        )
        return {"image_rejection": reason}


def _read(
    capture: Capture, location: Location, index: int, parameters: ReconstructionParameters
) -> _Channel | None:
    """Read all lines of a channel and their images, and between them the noise."""
    assert location.clock_ratio is not None
    signal = _signal(parameters.rate_hz)
    reader = LineReader(capture.scaled[index, location.start : location.stop], "flat")
    fundamental_hz = parameters.rate_hz / signal.period
    spacing = fundamental_hz * location.clock_ratio / capture.rate_hz
    highest = int(0.5 / spacing - 8.0 / (spacing * reader.frames)) - 1
    orders = np.arange(1, highest, 2, dtype=np.int64)
    played = RMS_AT_FULL_SCALE * 10.0 ** (parameters.level_dbfs / 20.0) * signal.amplitudes(orders)
    gains = reader.read(np.asarray(orders * spacing)) / played
    between = np.abs(reader.read(np.asarray((orders + 1) * spacing)) / np.abs(played)) ** 2
    noise = running_level(between, NOISE_LINES)
    response = Response(np.asarray(orders * fundamental_hz), *line_levels(gains, noise))
    reference = level_at(response, REFERENCE_HZ)
    if reference is None:
        return None
    return _Channel(orders, gains, noise, response, reference)


def _read_at(out: ReadingList, name: str, response: Response) -> None:
    """Add the response at the frequencies that have a name."""
    for khz in READ_AT_KHZ:
        metric, level = f"response_{khz}k", level_at(response, 1e3 * khz)
        if level is None:
            message = f"{khz} kHz lies beyond what the capture reaches ({response.frequencies_hz[-1]:g} Hz)"
            out.explain(name, "beyond_capture", message, metric)
        else:
            out.add(metric, name, *level)


def _corners(out: ReadingList, name: str, response: Response) -> None:
    """Add the corners."""
    for metric, level in (("corner_3db", -3.0), ("corner_6db", -6.0)):
        corner = falls_to(response, level, REFERENCE_HZ)
        if corner is None:
            message = f"the response does not fall by {-level:g} dB up to the capture's edge"
            out.explain(name, "no_corner", message, metric)
        else:
            out.add(metric, name, *corner)


def _stop_band(
    out: ReadingList,
    name: str,
    channel: _Channel,
    response: Response,
    between: BetweenLines,
    rate_hz: int,
    edge_hz: float,
) -> None:
    """Add where the stop band begins, and how deep it is between the lines too."""
    passed, corner = (falls_to(response, level, REFERENCE_HZ) for level in (-3.0, -6.0))
    mirrored = None if passed is None else rate_hz - passed.frequency_hz
    points = between.response.less(channel.reference).between(0.0, edge_hz)
    band = None
    if corner is not None:
        left_open = between.open_db[: len(points.level_db)]
        band = stop_band(points, corner.frequency_hz, mirrored, open_db=left_open)
    if band is None:
        message = "the response falls all the way to the capture's edge: it has no stop band there"
        out.explain(name, "no_stop_band", message, "stopband_from", "stopband_attenuation")
        return
    out.add("stopband_attenuation", name, *band.attenuation, is_bound=not band.resolved)
    if band.resolved:
        out.add("stopband_from", name, *band.start)
        return
    # A deeper stop band begins further up, so that this frequency would be no bound of the better kind.
    message = (
        f"noise (the unit's or the capture's) is as strong as what the filter lets through: the stop band is at least "
        f"{band.attenuation.value:.0f} dB deep, which it first is at {band.start.frequency_hz:.0f} Hz"
    )
    for metric in ("stopband_from", "stopband_attenuation"):
        out.explain(name, "noise_limited", message, metric)


def _image_rejection(
    out: ReadingList,
    name: str,
    channel: _Channel,
    parameters: ReconstructionParameters,
    analysis: ReconstructionAnalysis,
) -> None:
    """Add the worst ratio of a high tone to its image."""
    low, high = analysis.image_tones_hz
    period = _signal(parameters.rate_hz).period
    frequencies = channel.response.frequencies_hz
    tones = np.flatnonzero(
        (frequencies >= low) & (frequencies <= high) & (frequencies < 0.5 * parameters.rate_hz)
    )
    if not len(tones):
        message = f"no line of the stimulus lies between {low:g} Hz and {high:g} Hz"
        out.explain(name, "beyond_stimulus", message, "image_rejection")
        return
    # Orders are 1, 3, 5, …: that of an image is the period's less the tone's.
    images = (period - channel.orders[tones] - 1) // 2
    level, spread = channel.response.level_db, channel.response.uncertainty_db
    worst = int(np.argmin(level[tones] - level[images]))
    tone, image = tones[worst], images[worst]
    rejection = Level(float(level[tone] - level[image]), float(np.hypot(spread[tone], spread[image])))
    hidden = not is_resolved(spread, int(image))
    out.add("image_rejection", name, *rejection, is_bound=hidden)
    if hidden:
        message = (
            f"noise is as strong as the images, which lie {rejection.value:.0f} dB or more below their tones"
        )
        out.explain(name, "noise_limited", message, "image_rejection")


def _faded(channel: _Channel, edge_hz: float) -> tuple[ComplexArray, FloatArray]:
    """Return gains and noise that fade out beyond the capture's edge: what ends at once would ring."""
    frequencies = channel.response.frequencies_hz
    beyond = np.clip((frequencies - edge_hz) / max(frequencies[-1] - edge_hz, 1.0), 0.0, 1.0)
    fade = np.asarray(0.5 + 0.5 * np.cos(np.pi * beyond))
    return channel.gains * fade, channel.noise * fade**2


def _impulse_readings(out: ReadingList, name: str, impulse: Impulse) -> None:
    """Add what is read of the impulse response, and its curve."""
    ringing, hidden = impulse.before_main_lobe_db()
    out.add("pre_ringing", name, *ringing, is_bound=hidden)
    onset = impulse.onset_seconds(ONSET_SHARE)
    if onset is None:
        message = "noise or distortion ahead of the impulse response hides where it begins"
        out.explain(name, "noise_limited", message, "latency")
    else:
        out.add("latency", name, 1e3 * onset[0], 1e3 * onset[1])
    half = IMPULSE_POINTS // 2 - 1
    step = max(1, -(-min(impulse.peak, round(5e-3 / (impulse.seconds[1] - impulse.seconds[0]))) // half))
    shown = slice(
        max(0, impulse.peak - half * step) % step + max(0, (impulse.peak - half * step)), None, step
    )
    milliseconds, values = 1e3 * impulse.seconds[shown][: 2 * half + 1], impulse.values[shown][: 2 * half + 1]
    spread = np.full(len(values), impulse.noise)
    out.curve("impulse", name, milliseconds, values, spread)


KIND = ReconstructionKind()
