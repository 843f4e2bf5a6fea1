"""``ultrasonic``: what lies above the audio band, whatever is playing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field, model_validator

from linecheck.checks.base import (
    OVERLOAD,
    Capture,
    Location,
    Note,
    Parameters,
    Problem,
    Stimulus,
)
from linecheck.checks.parts.declared import (
    NO_NEGATIVE,
    NO_POSITIVE,
    CurveSpec,
    DifferenceSpec,
    MetricSpec,
    Range,
)
from linecheck.checks.parts.known_noise import KnownNoise, find_known_noise, noise_problems
from linecheck.checks.parts.readings import (
    DB_PER_NEPER,
    Located,
    ReadingKind,
    ReadingList,
    not_captured,
    power_ratio,
)
from linecheck.checks.parts.steady import CLOCK_TOLERANCE, SETTLE_SECONDS, SteadyParameters, ramped
from linecheck.checks.parts.tone_sets import RAIL
from linecheck.checks.parts.uneven import uneven_noise
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.continuity import splices
from linecheck.dsp.fits.dissect import Line, Power
from linecheck.dsp.quantise import quantise
from linecheck.dsp.responses.images import Images, find_images
from linecheck.dsp.spectra.octaves import Bands, band_levels, bands_between, third_octaves
from linecheck.dsp.spectra.rising import Rise, find_notches, find_rise
from linecheck.dsp.spectra.spectra import CLEAN_PART
from linecheck.dsp.spectra.wideband import Part, audio_part, high_part

#: The audio band, and what counts as ultrasonic.
AUDIO_HZ = (20.0, 20_000.0)
ULTRASONIC_TO_HZ = 100_000.0
#: A capture that reaches less far than this says too little of the band up to 100 kHz.
MIN_REACH_HZ = 80_000.0
#: Content of the noise that is played; at 1000 ppm it is still below 20 kHz.
NOISE_HZ = (20.0, 19_000.0)
#: Shortest stretch that says anything.
MIN_SECONDS = 0.1
#: What counts as programme stands this little below its loud parts.
PROGRAMME_DB = 40.0
BLOCK_SECONDS = 0.01

#: Where programme is looked for: above the hum, below any filter's edge.
PLAYS_HZ = (300.0, 18_000.0)
#: A capture that ends below this is too narrow for a floor to be seen beside what plays.
FLOOR_SEEN_FROM_HZ = 40_000.0
NOTHING_PLAYS = (
    "there is a noise floor and nothing else: is the unit playing, is the cable in place? Where silence is meant, say "
    "signal: silence. May be the unit's own fault."
)
SOMETHING_PLAYS = (
    "something plays where silence was to be played: is it this check's capture? Where a programme plays, say "
    "signal: programme. May be the unit's own fault."
)

#: Silence whose audio band has so many times the power that half of its blocks of this length reach has it in a few
#: places: the more there, the better what lies above reads against it.
HEAPED_TIMES, HEAP_SECONDS = 1.1, 0.04
HEAPED = (
    "most of what the audio band has is in a few places, a click or a step where a stretch was lost: what lies above "
    "would be read against that. May be the unit's own fault."
)

#: Lines from here on are taken out before the density above the audio band is looked at.
LINES_FROM_HZ = 10_000.0

#: Narrow bands in which its shape is looked at.
FINE_FRACTION = 24
FINE_FROM_HZ = 3_000.0
#: Where the search for a rise begins.
RISE_SEARCH_FROM_HZ = 10_000.0
#: Third-order products of degrees of freedom that a band needs before a dip in it means something.
NOTCH_BT = 100.0
#: Noise without gaps differs by less than this from one narrow band to the next, four times in five.
EVEN_DB = 1.0
NAMED = 4
#: An image stands out that is so many standard deviations strong; one that does not may have so many in it.
IMAGE_DEVIATIONS, HIDDEN_DEVIATIONS = 4.0, 2.0

Signal = Literal["noise", "silence", "programme"]


class UltrasonicParameters(SteadyParameters):
    """Pink noise up to 19 kHz, so that nothing ultrasonic is played and images have something to be images of.

    ``silence`` is digital silence with dither. ``programme`` plays the same noise where linecheck plays, but takes
    whatever a capture holds: of a programme that nobody controls.
    """

    signal: Annotated[
        Signal,
        Field(
            description="Pink noise up to 19 kHz, which the capture must hold; silence with dither; or whatever "
            "programme plays"
        ),
    ] = "noise"
    level_dbfs: Annotated[
        float, Field(ge=-100.0, le=-14.0, description="Level of the noise, rms, dB re a full-scale sine")
    ] = -20.0

    @model_validator(mode="after")
    def _rate_holds_audio(self) -> UltrasonicParameters:
        if self.rate_hz < 32_000:
            raise ValueError(f"rate_hz must be at least 32000, got {self.rate_hz}")
        return self


class UltrasonicAnalysis(Parameters):
    """Nothing to choose: bands and edges are part of what the metrics mean."""


class UltrasonicKind(ReadingKind):
    """What lies above the audio band: on the noise that is played, on silence, or on any programme, captured wide.

    Where linecheck made what is played, the capture must hold it, whole; silence must be as strong throughout, and not
    a click and little else; ``signal: programme`` takes what there is, and sees of a stretch that was lost only the
    step that it leaves.

    ``noise_20k_100k`` is the power from 20 kHz to 100 kHz (or to the capture's edge, from 80 kHz on) over that from
    20 Hz to 20 kHz, everything in both. ``rise_from`` is where the density of noise, which music lets fall with
    frequency, has risen by 3 dB above its lowest value, provided that it goes on to 6 dB; lines left out.
    ``image_level`` is the power of what mirrors the audio about multiples of the unit's rate, in the third-octave band
    where it is strongest, re the audio band. Where noise could hide a stronger one than all that stand out, it is a
    bound: no image is stronger (two standard deviations), how much weaker could not be told.
    ``band_levels`` are the powers in 1/3-octave bands (IEC 61260-1, exact midband frequencies) re the audio band's.
    Definitions of the metrics are common practice, no source.
    """

    name: ClassVar[str] = "ultrasonic"
    text: ClassVar[str] = "any programme: what lies above the audio band"
    stimulus_parameters: ClassVar[type[Parameters]] = UltrasonicParameters
    analysis_parameters: ClassVar[type[Parameters]] = UltrasonicAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec(
            "noise_20k_100k", "dB", "all from 20 kHz to 100 kHz re all from 20 Hz to 20 kHz", "less",
            DifferenceSpec("noise above 20 kHz", to_edge=True),
        ),
        MetricSpec(
            "rise_from", "Hz", "where the noise rises again", "more",
            DifferenceSpec(is_place=True), NO_NEGATIVE,
        ),
        MetricSpec(
            "image_level", "dB", "strongest third octave of images re the audio band", "less",
            DifferenceSpec(said_by=("reconstruction.image_rejection",), to_edge=True),
        ),
    )  # fmt: skip
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        CurveSpec(
            "band_levels", "Hz", "dB", "1/3-octave band levels re the audio band",
            difference=DifferenceSpec(
                "band level", said_by=("image_level", "noise_20k_100k", "reconstruction.image_rejection"),
            ),
        ),
    )  # fmt: skip

    def peak_dbfs(self, parameters: UltrasonicParameters) -> float:
        """Return the highest sample's level."""
        steps = float(20.0 * np.log10(2.0 ** (2 - parameters.bits)))
        if parameters.signal == "silence":
            return steps
        highest = float(np.max(np.abs(_pink_noise(parameters)))) + 2.0 ** (1 - parameters.bits)
        return max(steps, float(20.0 * np.log10(highest)))

    def possible(self, parameters: UltrasonicParameters, analysis: UltrasonicAnalysis) -> Mapping[str, Range]:
        """Return that a programme is stronger than all that lies above it; in silence noise may be the stronger."""
        if parameters.signal != "noise":
            return {}
        return {"noise_20k_100k": NO_POSITIVE, "image_level": NO_POSITIVE}

    def stimulus(self, parameters: UltrasonicParameters, channels: int, ramp_seconds: float) -> Stimulus:
        """Return the noise, the same in every channel, or dither."""
        frames = round((2.0 * ramp_seconds + SETTLE_SECONDS + parameters.seconds) * parameters.rate_hz)
        values = np.zeros((frames, channels))
        if parameters.signal != "silence":
            noise = _pink_noise(parameters)
            values[:] = np.resize(noise, frames)[:, np.newaxis]
            values = ramped(values, parameters.rate_hz, ramp_seconds)
        samples = quantise(values, parameters.bits, parameters.seed)
        return Stimulus(samples, parameters.rate_hz, parameters.bits)

    def locate(
        self, capture: Capture, parameters: UltrasonicParameters, channels: tuple[str, ...]
    ) -> Location:
        """Take what is there: ``seconds`` of the loud part, or all of it where it is shorter."""
        first, last = _programme(capture)
        edge = int(np.ceil(0.02 * capture.rate_hz))
        wanted = round(parameters.seconds * capture.rate_hz)
        length = min(wanted, max(0, last - first - 2 * edge))
        slack = last - first - length
        start = first + min(slack - edge, max(slack // 2, round(SETTLE_SECONDS * capture.rate_hz)))
        start = max(first, min(start, capture.frames - length))
        known = None if parameters.signal != "noise" else _known(capture, parameters)
        if known is not None and known.start is not None:
            # Where nothing else tells programme from noise, the noise itself does.
            begin = known.start + round(0.5 * SETTLE_SECONDS * capture.rate_hz)
            end = known.start + round((SETTLE_SECONDS + parameters.seconds) * capture.rate_hz)
            start = max(begin, min(start, end - length), 0)
            length = min(wanted, capture.frames - start)
        problems: tuple[Problem, ...] = ()
        if length < MIN_SECONDS * capture.rate_hz:
            message = (
                f"there are {length / capture.rate_hz:.3f} s of programme; "
                f"{MIN_SECONDS:g} s are the least that can be measured"
            )
            problems = (Problem("too_short", message),)
        problems += _cuts(capture, start, start + length, parameters, channels)
        if parameters.signal == "silence" and not problems:
            problems += uneven_noise(capture, start, start + length, channels)
        if known is not None and not problems:
            problems += _held(known, (start, start + length), capture.rate_hz, parameters, channels)
        return Location(start, start + length, (True,) * len(channels), None, problems=problems)

    def read(self, out: ReadingList, located: Located[UltrasonicParameters, UltrasonicAnalysis]) -> None:
        """Take the audio band and what lies above it apart, and compare them."""
        capture, location, parameters = located.capture, located.location, located.parameters
        _reach(out, capture, parameters)
        for index, name in enumerate(located.context.channels):
            parts = _take_apart(capture, location, index, parameters)
            if parameters.signal != "silence" and not parts.is_playing:
                out.problems.append(Problem("stimulus_not_found", NOTHING_PLAYS, name))
            if parameters.signal == "silence" and parts.edge_hz >= FLOOR_SEEN_FROM_HZ and parts.is_playing:
                out.problems.append(Problem("stimulus_not_found", SOMETHING_PLAYS, name))
            elif parameters.signal == "silence" and _is_heaped(capture, location, index, parts.audio.value):
                out.problems.append(Problem("dropout", HEAPED, name))
            out.problems += not_captured(parts.high.noise, ULTRASONIC_TO_HZ, capture.rate_hz, name)
            _noise(out, name, parts)
            _images(out, name, parts)
            _shape(out, name, parts, parameters.rate_hz)
            _band_curve(out, name, parts)


def _known(capture: Capture, parameters: UltrasonicParameters) -> KnownNoise:
    """Find the noise that was played; how long it fades in and out, which is more of it, is not known."""
    frames = round((SETTLE_SECONDS + parameters.seconds) * parameters.rate_hz)
    return find_known_noise(capture, _pink_noise(parameters)[:frames], parameters.rate_hz)


def _held(
    known: KnownNoise,
    span: tuple[int, int],
    rate_hz: int,
    parameters: UltrasonicParameters,
    channels: tuple[str, ...],
) -> tuple[Problem, ...]:
    """Return a problem where a capture does not hold the noise that was played, or not all of it."""
    seconds = (span[1] - span[0]) / rate_hz
    if known.start is not None and seconds < 0.98 * parameters.seconds:
        message = (
            f"the noise is captured for {seconds:.3f} s of the {parameters.seconds:g} s that are to be measured: the "
            "capture begins too late or ends too early, or the unit stopped. May be the unit's own fault."
        )
        return (Problem("too_short", message),)
    return tuple(noise_problems(known, span, channels))


def _cuts(
    capture: Capture, start: int, stop: int, parameters: UltrasonicParameters, channels: tuple[str, ...]
) -> tuple[Problem, ...]:
    """Return a problem for each channel in which a stretch was lost; where the capture is wide enough to show it."""
    if capture.rate_hz < 4.0 * parameters.rate_hz:
        return ()
    problems = []
    for name, values in zip(channels, capture.scaled[:, start:stop], strict=True):
        cuts = splices(values, capture.rate_hz)
        at_rail = [cut for cut in cuts if np.max(np.abs(values[max(0, cut - 16) : cut + 16])) >= RAIL]
        if at_rail:
            message = (
                f"the signal is cut off at full scale at {(start + at_rail[0]) / capture.rate_hz:.3f} s: the capture "
                "input is overdriven; lower its gain"
            )
            problems.append(Problem(OVERLOAD, message, name))
        elif cuts:
            message = (
                f"a step within one sample at {(start + cuts[0]) / capture.rate_hz:.3f} s is faster than the unit can "
                "be: a stretch was lost there, or samples are wrong. The interface did not report it."
            )
            problems.append(Problem("dropout", message, name))
    return tuple(problems)


@lru_cache(maxsize=4)
def _pink_noise(parameters: UltrasonicParameters) -> FloatArray:
    """Return pink noise, longer than it is ever needed: lines of random phase, power falling as 1/f."""
    from scipy.fft import irfft

    frames = round((parameters.seconds + 1.0) * parameters.rate_hz)
    frequency = np.arange(frames // 2 + 1) * (parameters.rate_hz / frames)
    inside = (frequency >= NOISE_HZ[0]) & (frequency <= min(NOISE_HZ[1], 0.43 * parameters.rate_hz))
    bits = np.random.PCG64(np.random.SeedSequence((parameters.seed, 0))).random_raw(int(np.sum(inside)))
    phases = (bits >> np.uint64(11)).astype(np.float64) * (2.0**-53 * 2.0 * np.pi)
    weight = frequency[inside] ** -0.5
    level = 10.0 ** (parameters.level_dbfs / 20.0) / np.sqrt(np.sum(weight**2))
    spectrum = np.zeros(len(frequency), dtype=np.complex128)
    spectrum[inside] = weight * level * np.exp(1j * phases) * (0.5 * frames)
    # Rounded far below a step, so that the last bit of an arithmetic unit does not show.
    noise = np.round(irfft(spectrum, frames) * 2.0**40) * 2.0**-40
    noise.setflags(write=False)
    return np.asarray(noise)


def _programme(capture: Capture) -> tuple[int, int]:
    """Return the frames between which there is programme: all of the capture where no part is louder than another."""
    block = max(1, round(BLOCK_SECONDS * capture.rate_hz))
    count = capture.frames // block
    if count < 3:
        return 0, capture.frames
    table = capture.scaled[:, : count * block].reshape(capture.channels, count, block)
    power = np.max(np.var(table, axis=2), axis=0)
    loud = np.flatnonzero(power > np.quantile(power, 0.8) * 10.0 ** (-PROGRAMME_DB / 10.0))
    if not len(loud):
        return 0, capture.frames
    return int(loud[0]) * block, min(capture.frames, (int(loud[-1]) + 1) * block)


@dataclass(frozen=True)
class _Parts:
    """One channel taken apart.

    ``low`` is good up to 20 kHz, ``high`` from there to ``edge_hz``. ``images`` is None where the capture does not
    reach the first of them.
    """

    low: Part
    high: Part
    edge_hz: float
    images: Images | None
    bands: Bands

    @cached_property
    def lines(self) -> tuple[Line, ...]:
        """All lines, ascending."""
        low = [line for line in self.low.lines if AUDIO_HZ[0] <= line.frequency_hz <= AUDIO_HZ[1]]
        return (*low, *self.high_lines)

    @property
    def high_lines(self) -> tuple[Line, ...]:
        """The lines above the audio band."""
        return tuple(line for line in self.high.lines if line.frequency_hz > AUDIO_HZ[1])

    def powers(self, bands: Bands, *, lines: bool = True) -> tuple[FloatArray, FloatArray]:
        """Return the power in bands and its uncertainty, from the one density below 20 kHz and the other above."""
        split = AUDIO_HZ[1]
        low = Bands(bands.midband_hz, np.minimum(bands.lower_hz, split), np.minimum(bands.upper_hz, split))
        high = Bands(bands.midband_hz, np.maximum(bands.lower_hz, split), np.maximum(bands.upper_hz, split))
        (power, spread), (above, more) = band_levels(self.low.noise, low), band_levels(self.high.noise, high)
        power, variance = power + above, spread**2 + more**2
        for line in self.lines if lines else ():
            inside = (bands.lower_hz <= line.frequency_hz) & (line.frequency_hz < bands.upper_hz)
            power[inside] += line.power.value
            variance[inside] += line.power.uncertainty**2
        return power, np.sqrt(variance)

    @cached_property
    def audio(self) -> Power:
        """All of the audio band."""
        return self.between(*AUDIO_HZ)

    def between(self, low_hz: float, high_hz: float) -> Power:
        """Return all that lies between two frequencies."""
        power, uncertainty = self.powers(Bands(*(np.array([edge]) for edge in (low_hz, low_hz, high_hz))))
        return Power(float(power[0]), float(uncertainty[0]))

    @property
    def is_playing(self) -> bool:
        """Whether there is more than a noise floor with hum: noise 20 dB, or lines 40 dB above the floor.

        Where the capture is too narrow for the floor to be seen, it is taken to be so.
        """
        if self.edge_hz < FLOOR_SEEN_FROM_HZ:
            return True
        low, high = PLAYS_HZ
        wide = bands_between(low, 2.0 * CLEAN_PART * self.edge_hz, 3)
        power, _ = self.powers(wide, lines=False)
        quiet = float(np.min(power / (wide.upper_hz - wide.lower_hz))) * (high - low)
        noise = float(np.sum(power[wide.upper_hz <= high]))
        lines = sum(line.power.value for line in self.lines if low <= line.frequency_hz <= high)
        return noise > 1e2 * quiet or lines > 1e4 * quiet


def _take_apart(capture: Capture, location: Location, index: int, parameters: UltrasonicParameters) -> _Parts:
    """Return one channel's densities, lines and images."""
    section, rate = capture.scaled[index, location.start : location.stop], capture.rate_hz
    bands = third_octaves(AUDIO_HZ[0], 0.5 * rate)
    images = None
    if _holds_images(capture, parameters):
        images = find_images(section, rate, parameters.rate_hz, 1.1 * CLOCK_TOLERANCE, bands)
    low = audio_part(section, rate, *AUDIO_HZ)
    return _Parts(low, high_part(section, rate, LINES_FROM_HZ), 0.5 * rate, images, bands)


def _is_heaped(capture: Capture, location: Location, index: int, audio: float) -> bool:
    """Return whether the power of a channel's audio band is in a few places of what is measured."""
    narrowed = capture.narrowed(AUDIO_HZ[1])
    values = narrowed.between(index, location.start, location.stop)
    block = round(HEAP_SECONDS * narrowed.rate_hz)
    count = len(values) // block
    if count < 5:
        return False
    usual = float(np.median(np.var(values[: count * block].reshape(count, block), axis=1)))
    return audio > HEAPED_TIMES * usual


def _reach(out: ReadingList, capture: Capture, parameters: UltrasonicParameters) -> None:
    """Say what a capture does not reach."""
    edge = 0.5 * capture.rate_hz
    if edge < MIN_REACH_HZ:
        message = (
            f"noise_20k_100k needs a capture to {MIN_REACH_HZ:g} Hz at least; this one goes to {edge:g} Hz"
        )
        out.explain(None, "band_not_reached", message, "noise_20k_100k")
    elif edge < ULTRASONIC_TO_HZ:
        message = f"noise_20k_100k goes to the capture's edge, {edge:g} Hz"
        out.problems.append(Note("band_edge", message, None, metrics=("noise_20k_100k",)))
    if not _holds_images(capture, parameters):
        message = (
            f"image_level needs a capture to the unit's rate, {parameters.rate_hz} Hz; "
            f"this one goes to {edge:g} Hz"
        )
        out.explain(None, "band_not_reached", message, "image_level")


def _holds_images(capture: Capture, parameters: UltrasonicParameters) -> bool:
    """Return whether a capture reaches all that is mirrored about the unit's rate."""
    return bool(0.5 * capture.rate_hz >= parameters.rate_hz * (1.0 - CLOCK_TOLERANCE))


def _noise(out: ReadingList, name: str, parts: _Parts) -> None:
    """Add what lies above 20 kHz; missing where the capture does not reach far enough."""
    if parts.edge_hz < MIN_REACH_HZ:
        return
    above = parts.between(AUDIO_HZ[1], min(parts.edge_hz, ULTRASONIC_TO_HZ))
    out.readings.append(power_ratio("noise_20k_100k", name, above, parts.audio))


def _images(out: ReadingList, name: str, parts: _Parts) -> None:
    """Add the strongest band of images; where noise could hide a stronger one, how strong that may be, as a bound."""
    if parts.images is None:
        return
    power, spread = parts.images.power, parts.images.uncertainty
    resolved = power > IMAGE_DEVIATIONS * spread
    most = np.where(resolved, power, np.maximum(power, 0.0) + HIDDEN_DEVIATIONS * spread)
    best = int(np.argmax(most))
    strongest = Power(float(most[best]), float(spread[best]))
    hidden = not resolved[best]
    out.readings.append(power_ratio("image_level", name, strongest, parts.audio, is_bound=hidden))


def _shape(out: ReadingList, name: str, parts: _Parts, rate_hz: int) -> None:
    """Add where the noise rises, and say in notes what its shape, its notches and its lines tell."""
    fine = bands_between(FINE_FROM_HZ, CLEAN_PART * 2.0 * parts.edge_hz, FINE_FRACTION)
    power, spread = parts.powers(fine, lines=False)
    width = fine.upper_hz - fine.lower_hz
    density, relative = power / width, spread / np.maximum(power, 1e-300)
    searched = fine.midband_hz >= RISE_SEARCH_FROM_HZ
    rise = find_rise(fine.midband_hz[searched], density[searched], relative[searched])
    if rise is None:
        message = (
            f"the noise does not rise again up to {CLEAN_PART * 2.0 * parts.edge_hz:g} Hz, "
            "so there is no frequency from which it does"
        )
        out.explain(name, "no_rise", message, "rise_from")
    else:
        out.add("rise_from", name, rise.from_hz, rise.uncertainty_hz)
        if _is_one_bit(parts, rise):
            message = (
                f"the noise rises from {rise.from_hz / 1000:.1f} kHz on by {rise.slope_db_per_octave:.0f} dB an "
                f"octave, {rise.height_db:.0f} dB in all, without lines: the shaped noise of a one-bit stream"
            )
            out.problems.append(Note("one_bit_noise", message, name))
    told = width * parts.high.noise.seconds >= NOTCH_BT
    notches = find_notches(fine.midband_hz[told], density[told])
    if not _is_even(fine.midband_hz, density):
        notches = np.array([notch for notch in notches if _is_clear(notch, rate_hz)])
    for notch in notches[:NAMED]:
        out.problems.append(Note("notch", f"there is a notch near {notch / 1000:.2f} kHz", name))
    _line_notes(out, name, parts)


def _is_even(frequency_hz: FloatArray, density: FloatArray) -> bool:
    """Return whether what plays is noise without gaps, as the stimulus is, so that a gap in it is the unit's."""
    inside = frequency_hz <= PLAYS_HZ[1]
    octave, level = np.log2(frequency_hz[inside]), 10.0 * np.log10(np.maximum(density[inside], 1e-300))
    if len(level) < 4:
        return False
    steps = np.diff(level)
    return bool(np.quantile(np.abs(steps - np.median(steps)), 0.8) < EVEN_DB and np.ptp(octave) > 1.0)


def _is_clear(notch_hz: float, rate_hz: int) -> bool:
    """Return whether a notch says something of the unit whatever is playing: at a multiple of its rate.

    Anywhere else a gap may be one of the programme, its image, or what lies between the programme and its images.
    """
    mirrored = abs(notch_hz - round(notch_hz / rate_hz) * rate_hz)
    near = notch_hz / (2.0 * FINE_FRACTION)
    return notch_hz > AUDIO_HZ[1] and mirrored < near


def _is_one_bit(parts: _Parts, rise: Rise) -> bool:
    """Return whether a rise has the shape of a one-bit stream's noise: steep, even, of noise alone, no images."""
    if not 15_000.0 <= rise.from_hz <= 60_000.0 or not rise.is_even:
        return False
    if rise.slope_db_per_octave < 6.0 or rise.height_db < 12.0:
        return False
    above = parts.between(rise.from_hz, parts.edge_hz).value
    lines = sum(line.power.value for line in parts.lines if line.frequency_hz > rise.from_hz)
    images = 0.0
    if parts.images is not None:
        images = float(np.sum(parts.images.power[parts.bands.midband_hz > rise.from_hz]))
    return lines < 0.1 * above and images < 0.3 * above


def _line_notes(out: ReadingList, name: str, parts: _Parts) -> None:
    """Name the strongest lines above the audio band, and what they are images of."""
    audio = parts.audio.value
    high = sorted(parts.high_lines, key=lambda line: -line.power.value)
    sampling = parts.images.sampling_hz if parts.images is not None else None
    for line in high[:NAMED]:
        level = 10.0 * np.log10(max(line.power.value, 1e-300) / audio) if audio > 0.0 else 0.0
        words = f"there is a line at {line.frequency_hz / 1000:.3f} kHz, {level:.1f} dB re the audio band"
        source = None if sampling is None else _source(line, parts, sampling)
        if source is not None:
            words += f": an image of the one at {source:.1f} Hz"
        out.problems.append(Note("ultrasonic_line", words, name))


def _source(line: Line, parts: _Parts, sampling_hz: float) -> float | None:
    """Return the frequency of the line of the audio band that a line is an image of; None where it is of none."""
    mirrored = abs(line.frequency_hz - round(line.frequency_hz / sampling_hz) * sampling_hz)
    near = 2.0 / parts.high.noise.seconds
    for other in parts.lines:
        if abs(other.frequency_hz - mirrored) < near and other.power.value > line.power.value:
            return other.frequency_hz
    return None


def _band_curve(out: ReadingList, name: str, parts: _Parts) -> None:
    """Add the third-octave levels re the audio band."""
    power, spread = parts.powers(parts.bands)
    audio = max(parts.audio.value, 1e-300)
    power = np.maximum(power, 1e-300)
    # A band of the audio band varies together with it.
    shared = np.where(parts.bands.upper_hz <= AUDIO_HZ[1], (spread / power) * (spread / audio), 0.0)
    variance = (spread / power) ** 2 + (parts.audio.uncertainty / audio) ** 2 - 2.0 * shared
    uncertainty = 0.5 * DB_PER_NEPER * np.sqrt(np.maximum(variance, (1e-9) ** 2))
    level = 10.0 * np.log10(power / audio)
    out.curve("band_levels", name, parts.bands.midband_hz, level, uncertainty)


KIND = UltrasonicKind()
