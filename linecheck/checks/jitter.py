"""``jitter``: a tone at a quarter of the rate with a square wave of the lowest bit, and what stands beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from linecheck.checks.base import (
    Capture,
    Location,
    Note,
    Parameters,
    Problem,
    Stimulus,
    Taken,
)
from linecheck.checks.parts.declared import (
    NO_NEGATIVE,
    NO_POSITIVE,
    CurveSpec,
    DifferenceSpec,
    Implied,
    MetricSpec,
    either_way,
    the_same,
)
from linecheck.checks.parts.readings import DB_PER_NEPER, Located, ReadingKind, ReadingList
from linecheck.checks.parts.sideband_words import compare_sidebands, sideband_note
from linecheck.checks.parts.steady import SETTLE_SECONDS, BandHz, RateHz, ResolutionHz, locate_tone
from linecheck.checks.parts.tone_sets import stepped_level
from linecheck.checks.parts.words import dropout
from linecheck.dsp.continuity.phase_steps import tone_level_step
from linecheck.dsp.fits.dissect import HUM_ORDERS, MAINS_SPREAD
from linecheck.dsp.jitter_sequence import CYCLE, jitter_sequence, square_lines
from linecheck.dsp.locating.locate import tone_blocks
from linecheck.dsp.spectra.demodulate import demodulate
from linecheck.dsp.spectra.jitter_lines import SquareStep, square_step, without_known_lines
from linecheck.dsp.spectra.sidebands import Modulation, Quantity, Sideband, take_apart
from linecheck.dsp.spectra.spectra import TAPERS, Density, band_power

FloatArray = NDArray[np.float64]

#: Sidebands closer to the carrier than this, or than so many cycles over the record, are its drift.
MIN_HZ, MIN_CYCLES = 10.0, 10.0
#: The close-in skirt reaches this far from the carrier.
SKIRT_HZ = 500.0
#: A line is in the band that a clock's error has moved over its edge.
EDGE = 1e-3
#: The band fades out over this much beyond its edges.
SLOPE_HZ = 200.0
#: Over this a tone that is 1000 ppm off at 48 kHz turns by a tenth of a cycle.
TURN_SECONDS = 0.002
#: A channel whose tone is this far below another's is dead, dB.
DEAD_DB = 40.0
#: Mean square of the amplitude's swing about the tone's, above which the angle is not the tone's phase.
UNCLEAR = 0.03
UNCLEAR_TONE = (
    "noise or other signals are nearly as strong as the tone, so its phase cannot be followed: is the capture's gain "
    "far too low, is the right signal playing? May be the unit's own fault."
)
#: Beyond this part of the rate, 20 kHz at 44.1 kHz, filters fall off and images begin (common practice, no source).
FLAT_SHARE = 0.4536
#: So many sidebands are named, the strongest.
MAX_NAMED = 12
#: Either side of the tone is divided into so many parts, each of which gives its highest point: as wide as each other
#: near the tone, and wider with the distance beyond this many hertz.
SIDE_PARTS, EVEN_HZ = 280, 2000.0
#: What noise could hide counts, less 3 dB, where it is stronger than all that stands out.
HIDDEN_SHARE = 10.0 ** (-3.0 / 20.0)


class JitterParameters(Parameters):
    """The jitter test signal. Its codes are exact: nothing is dithered, and only the ramps at its ends differ.

    At 44.1 and 48 kHz the tone is at 11.025 and 12 kHz; at higher rates it leaves the audio band, and the analysis's
    band goes with it: to 86.4 kHz at 192 kHz, where ``band_hz: [20, 80000]`` ends it at the trade's usual low pass.
    """

    rate_hz: RateHz = 44100
    bits: Annotated[Literal[16, 24], Field(description="Word length of the stimulus, bit")] = 24
    seconds: Annotated[
        float, Field(ge=0.25, le=60.0, description="Length of the part that is measured, s")
    ] = 2.0

    @property
    def tone_hz(self) -> float:
        """The tone's nominal frequency."""
        return self.rate_hz / 4.0


class JitterAnalysis(Parameters):
    """The band in which sidebands are looked for, and the bandwidth at which the curve's noise is stated."""

    band_hz: Annotated[
        BandHz | None,
        Field(
            description="Lower and upper edge of the band, inclusive, Hz; left out: 20 Hz to 20 kHz, or to 1.8 times "
            "the tone's frequency if that is higher; below 44.1 kHz to 0.4536 of the rate"
        ),
    ] = None
    resolution_hz: ResolutionHz = 5.0

    @model_validator(mode="after")
    def _ascends(self) -> JitterAnalysis:
        if self.band_hz is None:
            return self
        if self.band_hz[0] >= self.band_hz[1]:
            raise ValueError(f"band_hz must ascend, got [{self.band_hz[0]:g}, {self.band_hz[1]:g}]")
        if self.band_hz[0] < 5.0:
            raise ValueError(f"band_hz must begin at 5 Hz or above, got {self.band_hz[0]:g}")
        return self


class JitterKind(ReadingKind):
    """Sidebands of a tone at a quarter of the rate: jitter, modulation of the level, added lines.

    The stimulus is J. Dunn's (AES 96th Convention, 1994; from memory). The tone is brought to zero frequency; the
    phase and the amplitude of what comes out tell jitter from modulation of the level, and what stands on one side
    alone is an added line. The lowest bit's square wave is taken out by its known frequencies and levels. Jitter is
    read from the phase itself, J = φ / (2π f): so it holds for any amount, where sideband levels, 20 lg(π f J), hold
    for little.

    ``largest_sideband`` is the strongest line on either side, re the tone; ``sideband_offset`` its distance from the
    tone. ``paired_jitter`` is the peak time error of the strongest pair that is antisymmetric in phase, ``lone_spur``
    the strongest line on one side alone; a line whose other side lies outside the band counts as such. Where nothing
    stands out, or noise could hide something stronger by 3 dB than what does, they read the level below which nothing
    could be told beyond 500 Hz, as a bound with an uncertainty as large; where nothing stands out, ``sideband_offset``
    is missing. Hum itself, on the mains products M = 1 … 5, is named and on the curve, but
    counts in neither: the tone's check reads it. ``skirt`` is the power of everything within ±500 Hz of the tone, from
    10 Hz on (10 cycles over the record, if that is more), re the tone. The curve ``sidebands`` is the stronger side
    over the distance; ``both_sides`` has the lower side at negative and the upper one at positive offsets, of each part
    of the band the highest point, and every line.

    A stretch that is lost shows in the tone's phase, unless it is a multiple of four frames: then in that of the square
    wave, where that stands above the noise (as of 16 bits it does, as of 24 bits hardly ever), and a multiple of 192
    frames nowhere, as it changes nothing.

    The sequence is the same in every channel. Channels that are captured by converters still differ by their noise, and
    are invalid where they do not; of a digital copy nobody can tell whether one channel was captured twice.
    """

    name: ClassVar[str] = "jitter"
    copies_alike: ClassVar[bool] = True
    text: ClassVar[str] = "jitter test signal: sidebands by offset, jitter, added lines"
    stimulus_parameters: ClassVar[type[Parameters]] = JitterParameters
    analysis_parameters: ClassVar[type[Parameters]] = JitterAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec(
            "largest_sideband", "dB", "strongest line beside the tone, re the tone", "less",
            DifferenceSpec("largest sideband"), NO_POSITIVE,
        ),
        MetricSpec(
            "sideband_offset", "Hz", "distance of that line from the tone", "nominal",
            DifferenceSpec(is_place=True), NO_NEGATIVE,
        ),
        MetricSpec(
            "paired_jitter", "ps", "peak jitter of the strongest pair that is jitter", "less",
            either_way("jitter {size} {way}, {value} peak", "higher", "lower", 0.5),
            NO_NEGATIVE,
        ),
        MetricSpec(
            "lone_spur", "dB", "strongest line on one side of the tone only, re the tone", "less",
            DifferenceSpec(said_by=("largest_sideband",)), NO_POSITIVE,
        ),
        MetricSpec(
            "skirt", "dB", "everything within ±500 Hz of the tone, re the tone", "less",
            DifferenceSpec("skirt of the tone"), NO_POSITIVE,
        ),
    )  # fmt: skip
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        CurveSpec(
            "sidebands", "Hz", "dB", "the stronger side over the distance from the tone, re the tone",
            difference=DifferenceSpec("sidebands", said_by=("largest_sideband", "skirt", "lone_spur")),
            possible=NO_POSITIVE,
        ),
        CurveSpec(
            "both_sides", "Hz", "dB", "both sides of the tone over the offset from it, re the tone",
            difference=DifferenceSpec(
                "one side of the tone", said_by=("sidebands", "largest_sideband", "skirt", "lone_spur")
            ),
            possible=NO_POSITIVE,
            log_x=False,
        ),
    )  # fmt: skip

    def peak_dbfs(self, parameters: JitterParameters) -> float:
        """Return the tone's level: -3.01 dBFS."""
        del parameters
        return float(-10.0 * np.log10(2.0))

    def implied(self, parameters: JitterParameters, analysis: JitterAnalysis) -> tuple[Implied, ...]:
        """Return what the strongest line of any nature holds of those of one nature: 20 lg(π f J) is a pair's level."""

        def picoseconds(level: float) -> float:
            return float(1e12 * 10.0 ** (level / 20.0) / (np.pi * parameters.tone_hz))

        return (
            Implied("paired_jitter", "largest_sideband", picoseconds, "both lines of a pair count there"),
            Implied("lone_spur", "largest_sideband", the_same, "it counts there too"),
        )

    def stimulus(self, parameters: JitterParameters, channels: int, ramp_seconds: float) -> Stimulus:
        """Return the sequence, the same in every channel: ramp in, then exact codes, ramp out."""
        rate, bits = parameters.rate_hz, parameters.bits
        ramp = round(ramp_seconds * rate)
        exact = round((SETTLE_SECONDS + parameters.seconds) * rate)
        steps = jitter_sequence(bits)[(np.arange(exact + 2 * ramp) - ramp) % CYCLE]
        fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(ramp) + 0.5) / max(ramp, 1))
        steps[:ramp] = np.rint(steps[:ramp] * fade).astype(np.int64)
        steps[ramp + exact :] = np.rint(steps[ramp + exact :] * fade[::-1]).astype(np.int64)
        samples = (steps << (32 - bits)).astype(np.int32)
        return Stimulus(np.repeat(samples[:, None], channels, axis=1), rate, bits)

    def locate(self, capture: Capture, parameters: JitterParameters, channels: tuple[str, ...]) -> Location:
        """Find the tone."""
        location = locate_tone(capture, [parameters.tone_hz] * len(channels), parameters.seconds, channels)
        if not any(location.found):
            return location
        seen = [
            _carrier(capture, location, index, parameters.tone_hz) if found else (0.0, 0.0)
            for index, found in enumerate(location.found)
        ]
        strongest = max(level for _, level in seen)
        found = tuple(level > strongest * 10.0 ** (-DEAD_DB / 20.0) for _, level in seen)
        dead = tuple(
            _dead(name, level / strongest)
            for name, (_, level), was, there in zip(channels, seen, location.found, found, strict=True)
            if was and not there
        )
        tones = tuple((place,) if there else () for (place, _), there in zip(seen, found, strict=True))
        ratio = max(seen, key=lambda entry: entry[1])[0] / parameters.tone_hz
        problems = (*location.problems, *dead)
        return replace(location, found=found, tones_hz=tones, clock_ratio=ratio, problems=problems)

    def read(self, out: ReadingList, located: Located[JitterParameters, JitterAnalysis]) -> None:
        """Take every metric from the located tone."""
        capture, parameters, analysis = located.capture, located.parameters, located.analysis
        names, band = self._names(), _band(parameters, analysis)
        if not out.reaches(capture, band, names):
            return
        if not _holds(band, parameters.tone_hz):
            out.explain(None, "beyond_band", _outside(parameters, analysis), *names)
            return
        for index, name in located.found:
            tone = _taken_apart(capture, located.location, index, parameters, analysis)
            if tone is None:
                out.explain(name, "tone_unclear", UNCLEAR_TONE, *names)
                continue
            began = located.location.start / capture.rate_hz
            if tone.step is not None:
                what = (
                    "the lowest bit's square wave is not where it should be from about "
                    f"{began + tone.step.seconds:.1f} s on: a stretch that leaves the tone unchanged was lost or "
                    "came twice"
                )
                out.problems.append(dropout(name, what))
            if tone.level_step is not None:
                place, change = tone.level_step
                out.problems.append(stepped_level(name, began + place, change))
            mains = capture.possible_mains_hz
            _readings(out, name, tone, mains)
            _curve(out, name, tone, analysis.resolution_hz)
            _both_sides(out, name, tone, analysis.resolution_hz)
            out.problems += _notes(name, tone, mains)

    def compare(self, taken: Sequence[Taken]) -> tuple[Note, ...]:
        """Say which sidebands captures through different inputs share."""
        return compare_sidebands(taken)

    def never_measured(
        self, parameters: JitterParameters, analysis: JitterAnalysis, channels: int, has_reference: bool
    ) -> Mapping[str, str]:
        """Return everything, where the band does not hold the tone with its skirt."""
        if _holds(_band(parameters, analysis), parameters.tone_hz):
            return {}
        return dict.fromkeys(self._names(), _outside(parameters, analysis))

    def _names(self) -> tuple[str, ...]:
        return tuple(spec.name for spec in self.specs)

    def curve_spans(
        self, parameters: JitterParameters, analysis: JitterAnalysis
    ) -> Mapping[str, tuple[float, float]]:
        """Return how far the curve goes."""
        low, high = _band(parameters, analysis)
        upper, lower = high - parameters.tone_hz, parameters.tone_hz - low
        reach = max(upper, lower)
        least = _least_hz(parameters.seconds)
        return {"sidebands": (least, reach), "both_sides": (-lower, upper)} if reach > least else {}


@dataclass(frozen=True)
class _Tone:
    """The tone, nominal and as captured, and what stands beside it; how far either side is looked at."""

    nominal_hz: float
    carrier_hz: float
    beside: Modulation
    least_hz: float
    upper_reach_hz: float
    lower_reach_hz: float
    step: SquareStep | None
    #: Seconds from the record's beginning, and the change of the tone's amplitude re itself.
    level_step: tuple[float, float] | None

    @property
    def picoseconds(self) -> float:
        """Time error per phase, ps per rad, by the unit's clock."""
        return 1e12 / (2.0 * np.pi * self.nominal_hz)

    @property
    def reach_hz(self) -> float:
        return max(self.upper_reach_hz, self.lower_reach_hz)


def _least_hz(seconds: float) -> float:
    return max(MIN_HZ, MIN_CYCLES / seconds)


def _band(parameters: JitterParameters, analysis: JitterAnalysis) -> tuple[float, float]:
    """Return the band, which at high rates reaches as far above the tone as it must, and at low rates no image."""
    if analysis.band_hz is not None:
        return analysis.band_hz
    top = min(20_000.0, FLAT_SHARE * parameters.rate_hz)
    return 20.0, max(top, 1.8 * parameters.tone_hz)


def _holds(band_hz: tuple[float, float], tone_hz: float) -> bool:
    """Return whether a band holds a tone with its skirt."""
    return band_hz[0] + SKIRT_HZ < tone_hz < band_hz[1] - SKIRT_HZ


def _outside(parameters: JitterParameters, analysis: JitterAnalysis) -> str:
    low, high = _band(parameters, analysis)
    return (
        f"at {parameters.rate_hz} Hz the tone is at {parameters.tone_hz:g} Hz, which is not {SKIRT_HZ:g} Hz inside the "
        f"band ({low:g} Hz to {high:g} Hz)"
    )


def _dead(name: str, share: float) -> Problem:
    return Problem(
        "stimulus_not_found",
        f"the tone is {-20.0 * np.log10(share):.0f} dB weaker than in another channel: what is there is crosstalk, the "
        "channel is dead, or its cable. May be the unit's own fault.",
        name,
    )


def _carrier(capture: Capture, location: Location, channel: int, nominal_hz: float) -> tuple[float, float]:
    """Return the tone's frequency as captured, from the turn of its phase between blocks, and its amplitude.

    No single break spoils either.
    """
    narrowed = capture.narrowed(max(20_000.0, 1.01 * nominal_hz))
    values = narrowed.between(channel, location.start, location.stop)
    hop = round(TURN_SECONDS * narrowed.rate_hz)
    blocks = tone_blocks(values, nominal_hz / narrowed.rate_hz, hop)
    turn = float(np.angle(np.vdot(blocks[:-1], blocks[1:])))
    level = float(np.median(np.abs(blocks)))
    return nominal_hz + turn / (2.0 * np.pi * hop) * narrowed.rate_hz, level


def _taken_apart(
    capture: Capture, location: Location, channel: int, parameters: JitterParameters, analysis: JitterAnalysis
) -> _Tone | None:
    """Demodulate one channel's tone, take the stimulus's own lines out and the rest apart.

    None where what is beside the tone is so strong that the angle is no longer the tone's phase.
    """
    low, high = _band(parameters, analysis)
    narrowed = capture.narrowed(max(20_000.0, high, 1.01 * parameters.tone_hz))
    values = narrowed.between(channel, location.start, location.stop)
    found_hz = location.tones_hz[channel][0]
    high = min(high * (1.0 + EDGE), 0.5 * narrowed.rate_hz)
    envelope = demodulate(values, narrowed.rate_hz, found_hz, low, high, SLOPE_HZ)
    if np.mean((np.abs(envelope.values) - 1.0) ** 2) > UNCLEAR:
        return None
    least = _least_hz(parameters.seconds)
    reaches = high - envelope.carrier_hz, envelope.carrier_hz - low
    lines = square_lines(parameters.bits)
    step = square_step(envelope, lines, reaches[1])
    left, known = without_known_lines(envelope, lines, *reaches)
    beside = take_apart(left, least, *reaches, known, (0.5 * SLOPE_HZ, 0.5 * min(SLOPE_HZ, low)))
    stepped = tone_level_step(values, envelope.carrier_hz / narrowed.rate_hz)
    level = None if stepped is None else (stepped[0] / narrowed.rate_hz, stepped[1])
    return _Tone(parameters.tone_hz, envelope.carrier_hz, beside, least, *reaches, step, level)


def _readings(out: ReadingList, name: str, tone: _Tone, mains_hz: Sequence[float]) -> None:
    """Add the readings of one channel."""
    bands = [band for band in tone.beside.sidebands if not _is_hum(band, tone.carrier_hz, mains_hz)]
    paired = [band for band in bands if band.nature in ("jitter", "mixed")]
    lone = [band for band in bands if band.nature in ("upper", "lower")]
    largest = max(bands, key=lambda band: band.stronger.value, default=None)
    hidden = _unresolved(tone, tone.upper_reach_hz, tone.lower_reach_hz)
    _level(out, "largest_sideband", name, bands, hidden)
    if largest is not None:
        out.add("sideband_offset", name, largest.offset_hz, largest.offset_uncertainty_hz)
    else:
        message = "no sideband stands out of the noise, so there is none to give the offset of"
        out.explain(name, "no_sideband", message, "sideband_offset")
    _jitter(out, name, tone, paired)
    _level(out, "lone_spur", name, lone, hidden)
    _skirt(out, name, tone)


def _is_hum(band: Sideband, carrier_hz: float, mains_hz: Sequence[float]) -> bool:
    """Return whether an added line is a mains product itself (AES17-2015, 6.5.1: M = 1 … 5)."""
    if band.nature != "lower":
        return False
    place = carrier_hz - band.offset_hz
    return any(
        abs(place - order * mains) <= MAINS_SPREAD * order * mains + 0.5
        for mains in mains_hz
        for order in range(1, HUM_ORDERS + 1)
    )


def _unresolved(tone: _Tone, upper_hz: float, lower_hz: float) -> Quantity:
    """Return the greatest amplitude that a line beyond the skirt could have without standing out.

    All that the tapers gather around one frequency may be one line; so may nothing of it.
    """
    highest = 0.0
    for noise, reach in ((tone.beside.noise.upper, upper_hz), (tone.beside.noise.lower, lower_hz)):
        frequencies = noise.frequencies_hz
        inside = noise.values[(frequencies >= SKIRT_HZ) & (frequencies <= reach)]
        highest = max(highest, float(np.max(inside, initial=0.0)))
    amplitude = float(np.sqrt(max(TAPERS * highest / tone.beside.seconds, 1e-30)))
    return Quantity(amplitude, 0.5 * amplitude)


def _strongest(found: Sequence[Quantity], hidden: Quantity) -> tuple[Quantity, bool]:
    """Return the strongest of what was found, and whether it is only a bound: what noise could hide, if more."""
    best = max(found, key=lambda part: part.value, default=None)
    if best is None or HIDDEN_SHARE * hidden.value > best.value:
        return hidden, True
    return best, False


def _level(out: ReadingList, metric: str, name: str, bands: Sequence[Sideband], hidden: Quantity) -> None:
    """Add the strongest amplitude re the tone's in dB; a bound where noise could hide a stronger one."""
    side, is_bound = _strongest([band.stronger for band in bands], hidden)
    amplitude = max(side.value, side.uncertainty)
    spread = DB_PER_NEPER * side.uncertainty / amplitude
    out.add(metric, name, 20.0 * np.log10(amplitude), spread, is_bound=is_bound)


def _jitter(out: ReadingList, name: str, tone: _Tone, paired: Sequence[Sideband]) -> None:
    """Add the jitter of the strongest pair, ps peak."""
    both = min(tone.upper_reach_hz, tone.lower_reach_hz)
    side = _unresolved(tone, both, both)
    hidden = Quantity(2.0 * side.value, 2.0 * side.uncertainty)
    phase, is_bound = _strongest([band.phase for band in paired], hidden)
    value, spread = (
        tone.picoseconds * part for part in (max(phase.value, phase.uncertainty), phase.uncertainty)
    )
    out.add("paired_jitter", name, value, spread, is_bound=is_bound)


def _skirt(out: ReadingList, name: str, tone: _Tone) -> None:
    """Add the power of everything within the skirt, both sides, re the tone."""
    power, variance = 0.0, 0.0
    for noise in (tone.beside.noise.upper, tone.beside.noise.lower):
        part, spread = band_power(noise, tone.least_hz, SKIRT_HZ)
        power, variance = power + part, variance + spread**2
    for band in tone.beside.sidebands:
        if band.offset_hz <= SKIRT_HZ:
            for side in (band.upper, band.lower):
                power += side.value**2
                variance += (2.0 * side.value * side.uncertainty) ** 2 + side.uncertainty**4
    power = max(power, 1e-30)
    spread = 0.5 * DB_PER_NEPER * np.sqrt(variance) / power
    out.add("skirt", name, 10.0 * np.log10(power), spread)


def _curve(out: ReadingList, name: str, tone: _Tone, resolution_hz: float) -> None:
    """Add the stronger side over the distance: noise at the stated bandwidth, lines at their own level."""
    upper, lower = tone.beside.noise.upper, tone.beside.noise.lower
    frequencies = upper.frequencies_hz
    noise = np.maximum(
        np.where(frequencies <= tone.upper_reach_hz, upper.values, 0.0),
        np.where(frequencies <= tone.lower_reach_hz, lower.values, 0.0),
    )
    inside = (frequencies >= tone.least_hz) & (frequencies <= tone.reach_hz)
    x, power = frequencies[inside], noise[inside] * resolution_hz
    spread = power / np.sqrt(TAPERS)
    bands = [band for band in tone.beside.sidebands if band.offset_hz <= tone.reach_hz]
    places = np.array([band.offset_hz for band in bands])
    beneath = np.interp(places, x, power) if bands else places
    lines = np.array([band.stronger.value**2 for band in bands]) + beneath
    doubts = np.array([2.0 * band.stronger.value * band.stronger.uncertainty for band in bands])
    x, power = np.concatenate((x, places)), np.concatenate((power, lines))
    spread = np.concatenate((spread, np.hypot(doubts, beneath / np.sqrt(TAPERS))))
    order = np.argsort(x, kind="stable")
    points = x[order], power[order], spread[order]
    out.power_curve("sidebands", name, points, (0.0, np.inf), 1.0, resolution_hz, 1e-30)


def _both_sides(out: ReadingList, name: str, tone: _Tone, resolution_hz: float) -> None:
    """Add both sides over the offset: of each part its highest noise, in its middle, and every line in its place."""
    noise, bands = tone.beside.noise, tone.beside.sidebands
    sides = (
        (-1.0, noise.lower, tone.lower_reach_hz, [band.lower for band in bands]),
        (1.0, noise.upper, tone.upper_reach_hz, [band.upper for band in bands]),
    )
    parts = [
        _side(sign, density, (tone.least_hz, reach), resolution_hz, [band.offset_hz for band in bands], lines)
        for sign, density, reach, lines in sides
    ]
    x, power, spread = np.concatenate(parts, axis=1)
    order = np.argsort(x, kind="stable")
    x, power, spread = x[order], np.maximum(power[order], 1e-30), spread[order]
    # Hundredths of a decibel are finer than any of its points is known.
    level = np.round(10.0 * np.log10(power), 2)
    out.curve("both_sides", name, x, level, 0.5 * DB_PER_NEPER * spread / power, resolution_hz)


def _side(
    sign: float,
    noise: Density,
    ends_hz: tuple[float, float],
    resolution_hz: float,
    places_hz: Sequence[float],
    lines: Sequence[Quantity],
) -> FloatArray:
    """Return offsets, powers and their standard uncertainties of one side, shape (3, points)."""
    frequencies = noise.frequencies_hz
    inside = (frequencies >= ends_hz[0]) & (frequencies <= ends_hz[1])
    x, power = frequencies[inside], noise.values[inside] * resolution_hz
    if not len(x):
        return np.zeros((3, 0))
    near, far = np.arcsinh(np.array(ends_hz) / EVEN_HZ).tolist()
    edges = EVEN_HZ * np.sinh(np.linspace(near, far, SIDE_PARTS + 1))
    first = np.unique(np.searchsorted(x, edges[:-1]))
    first = first[first < len(x)]
    last = np.append(first[1:], len(x)) - 1
    middles, highest = np.round(0.5 * (x[first] + x[last])), np.maximum.reduceat(power, first)
    there = [
        (place, side, float(np.interp(place, x, power)))
        for place, side in zip(places_hz, lines, strict=True)
        if ends_hz[0] <= place <= ends_hz[1] and side.value > side.uncertainty
    ]
    named = (
        np.array(
            [
                (
                    place,
                    side.value**2 + beneath,
                    np.hypot(2.0 * side.value * side.uncertainty, beneath / np.sqrt(TAPERS)),
                )
                for place, side, beneath in there
            ]
        )
        .reshape(-1, 3)
        .T
    )
    # What stands where a line does is that line.
    apart = np.all(np.abs(np.subtract.outer(middles, named[0])) >= 1.0, axis=1)
    part = np.vstack([middles, highest, highest / np.sqrt(TAPERS)])[:, apart]
    found = np.hstack([part, named])
    found[0] *= sign
    return np.asarray(found)


def _notes(name: str, tone: _Tone, mains_hz: Sequence[float]) -> list[Note]:
    """Return what the strongest sidebands are, in words, the strongest first."""
    strongest = sorted(tone.beside.sidebands, key=lambda band: -band.stronger.value)[:MAX_NAMED]
    return [
        sideband_note(band, name, tone.carrier_hz, mains_hz, tone.picoseconds * band.phase.value)
        for band in strongest
    ]


KIND = JitterKind()
