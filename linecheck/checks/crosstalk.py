"""``crosstalk``: how much of each channel's signal comes out of the others."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from linecheck.checks.base import Capture, Location, Parameters, Problem, Reading, Stimulus
from linecheck.checks.parts.declared import (
    NO_NEGATIVE,
    CurveSpec,
    DifferenceSpec,
    MetricSpec,
    either_way,
    former,
)
from linecheck.checks.parts.readings import DB_PER_NEPER, Located, ReadingKind, ReadingList, ratio_reading
from linecheck.checks.parts.steady import (
    SETTLE_SECONDS,
    BandAnalysis,
    SteadyParameters,
    WideRateHz,
    ramped,
    steady_stimulus,
    sum_of_cosines,
)
from linecheck.checks.parts.tone_sets import locate_tone_sets, uneven
from linecheck.checks.parts.turns import break_in, locate_turns
from linecheck.dsp.arrays import BoolArray, FloatArray
from linecheck.dsp.fits.dissect import Line, Power
from linecheck.dsp.fits.faint_tones import lowest_of, tone_powers
from linecheck.dsp.fits.interleaved import (
    OCTAVE_PHASES,
    OCTAVE_TONES_HZ,
    PAIR_PHASES,
    PAIR_TONES_HZ,
    PEAK_OF_UNIT_TONES,
)
from linecheck.dsp.quantise import full_scale_amplitude, quantise

#: A tone is told from noise where its power is this many times its own standard uncertainty; the worst of many that is
#: not is a bound, and of what does not come back where it is played nothing gets anywhere.
RESOLVED = 4.0
#: The metric and its curve.
_NAMES = ("separation", "separation_over_frequency")
_NO_TONE = "no tone of the stimulus lies in the band ({low:g} Hz to {high:g} Hz)"


class CrosstalkParameters(SteadyParameters):
    """Tones in octave steps: in two channels at once, different ones in each, or in one channel after the other.

    At once takes half the time, keeps every channel playing (so that each proves itself alive and continuous), and
    nothing of it is lost as long as a channel's own products stay off the other's tones, which third order does. One
    after the other suits a unit that distorts so much that higher orders fill its spectrum, and more than two channels.
    """

    rate_hz: WideRateHz = 44100
    method: Annotated[
        Literal["simultaneous", "in_turn"],
        Field(
            description="Whether both channels sound at once, with tones of their own, or one after the other; more "
            "than two channels always sound one after the other"
        ),
    ] = "simultaneous"
    seconds: Annotated[
        float, Field(ge=1.0, le=60.0, description="Length of the part that is measured, of each turn, s")
    ] = 1.4
    level_dbfs: Annotated[
        float, Field(ge=-60.0, le=-18.2, description="Level of each tone, dB re a full-scale sine (AES17)")
    ] = -20.0


class CrosstalkAnalysis(BandAnalysis):
    """The band in which the worst is looked for."""


_SEPARATION = MetricSpec(
    "separation", "dB", "channel separation: the others' signal over what of it is here, worst of the band", "more",
    either_way("crosstalk {size} {way}, at {opposite}", "weaker", "stronger"),
    NO_NEGATIVE,
)  # fmt: skip
_OVER_FREQUENCY = CurveSpec(
    "separation_over_frequency", "Hz", "dB", "channel separation over frequency",
    better="more", difference=DifferenceSpec("channel separation", said_by=("separation",)),
    possible=NO_NEGATIVE,
)  # fmt: skip


class CrosstalkKind(ReadingKind):
    """Channel separation, over frequency: how far crosstalk lies below what it comes from.

    ``separation`` of a channel is the level of a tone in the channel that plays it, over the level at which the same
    tone comes out of this one: positive, and more is better. Crosstalk in dB re the driven channel, as the trade writes
    it, is the same with the other sign. Of more than two channels it is the worst of the others. The metric is the
    worst of the band, the curve each tone's. Levels are compared in volts where both
    captures' full scales are known, else re full scale. Where nothing is resolved it reads the separation beyond which
    nothing can be told. ``crosstalk`` and ``crosstalk_over_frequency`` are names that these had before.

    Steps and level follow AES17-2015, 6.5.2: octaves from 20 Hz and 20 kHz, 20 dB below full scale; in two channels at
    once each tone lies some percent beside its step (a fifth and less), for the sake of the other channel's.

    In turn, nothing tells whether a channel's gain changes just between two turns: what it holds of the others then
    reads better or worse by as much. At once it is seen.
    """

    name: ClassVar[str] = "crosstalk"
    text: ClassVar[str] = "what each channel holds of the others, over frequency"
    stimulus_parameters: ClassVar[type[Parameters]] = CrosstalkParameters
    analysis_parameters: ClassVar[type[Parameters]] = CrosstalkAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        former("crosstalk", _SEPARATION, "the same value, positive dB, by its name in the trade"),
        _SEPARATION,
    )
    curves: ClassVar[tuple[CurveSpec, ...]] = (
        former(
            "crosstalk_over_frequency",
            _OVER_FREQUENCY,
            "the same value, positive dB, by its name in the trade",
        ),
        _OVER_FREQUENCY,
    )

    def peak_dbfs(self, parameters: CrosstalkParameters) -> float:
        """Return the highest level that the tones reach together."""
        return float(parameters.level_dbfs + 20.0 * np.log10(PEAK_OF_UNIT_TONES))

    def stimulus(self, parameters: CrosstalkParameters, channels: int, ramp_seconds: float) -> Stimulus:
        """Return both channels' tones at once, or each channel's turn after the other's."""
        amplitudes = np.full(
            len(OCTAVE_TONES_HZ), full_scale_amplitude(parameters.level_dbfs, parameters.bits)
        )
        if _at_once(parameters, channels):
            return steady_stimulus(
                parameters,
                [amplitudes] * channels,
                PAIR_TONES_HZ[:channels],
                PAIR_PHASES[:channels],
                ramp_seconds,
            )
        rate = parameters.rate_hz
        frames = round((2.0 * ramp_seconds + SETTLE_SECONDS + parameters.seconds) * rate)
        time = np.arange(frames, dtype=np.float64)
        turn = sum_of_cosines(time, rate, amplitudes, OCTAVE_TONES_HZ, OCTAVE_PHASES)[:, None]
        values = np.zeros((frames * channels, channels))
        for channel in range(channels):
            values[channel * frames : (channel + 1) * frames, [channel]] = ramped(turn, rate, ramp_seconds)
        return Stimulus(quantise(values, parameters.bits, parameters.seed), rate, parameters.bits)

    def locate(
        self, capture: Capture, parameters: CrosstalkParameters, channels: tuple[str, ...]
    ) -> Location:
        """Find the tones, or each channel's turn."""
        if _at_once(parameters, len(channels)):
            sets = PAIR_TONES_HZ[: len(channels)]
            return _even(capture, locate_tone_sets(capture, sets, parameters.seconds, channels), channels)
        return locate_turns(capture, OCTAVE_TONES_HZ, parameters.seconds, channels)

    def read(self, out: ReadingList, located: Located[CrosstalkParameters, CrosstalkAnalysis]) -> None:
        """Compare each channel's tones where they are played with what comes of them elsewhere."""
        capture, location, channels = located.capture, located.location, located.context.channels
        band_hz, at_once = located.analysis.band_hz, _at_once(located.parameters, len(channels))
        powers = _together(capture, location) if at_once else _in_turn(capture, location)
        for into, name in located.found:
            sources = [source for source in range(len(channels)) if source != into]
            silent = [channels[source] for source in sources if not location.found[source]]
            if silent or not sources:
                message = (
                    f"crosstalk cannot be told: {', '.join(silent)} does not sound"
                    if silent
                    else "crosstalk needs two channels"
                )
                out.explain(name, "no_source", message, *_NAMES)
                continue
            tones = PAIR_TONES_HZ[1 - into] if at_once else OCTAVE_TONES_HZ
            inside = _inside(tones, band_hz)
            if not np.any(inside):
                out.explain(name, "no_tone", _NO_TONE.format(low=band_hz[0], high=band_hz[1]), *_NAMES)
                continue
            # A codec or a filter may take a tone away: its power is below nothing then, and no ratio to it is a number.
            lost = {
                channels[source]: gone
                for source in sources
                if len(gone := tones[inside & ~_resolved(powers[source, source])])
            }
            if lost:
                out.explain(name, "no_source", _lost_tones(lost), *_NAMES)
                continue
            rows = [
                [
                    ratio_reading(
                        "separation", name, _scaled(faint, capture, source, into), Line(0.0, strong)
                    )
                    for strong, faint in zip(powers[source, source], powers[source, into], strict=True)
                ]
                for source in sources
            ]
            _add(out, name, tones, rows, band_hz)

    def never_measured(
        self, parameters: CrosstalkParameters, analysis: CrosstalkAnalysis, channels: int, has_reference: bool
    ) -> Mapping[str, str]:
        """Return why there is no crosstalk in one channel, or in a band without a tone."""
        if channels < 2:
            return dict.fromkeys(_NAMES, "it compares two channels, and the file declares one")
        low, high = analysis.band_hz
        sets = PAIR_TONES_HZ if _at_once(parameters, channels) else (OCTAVE_TONES_HZ,)
        if all(np.any(_inside(tones, analysis.band_hz)) for tones in sets):
            return {}
        return dict.fromkeys(_NAMES, _NO_TONE.format(low=low, high=high))

    def curve_spans(
        self, parameters: CrosstalkParameters, analysis: CrosstalkAnalysis
    ) -> Mapping[str, tuple[float, float]]:
        """Return how far the curve goes at most."""
        return {"separation_over_frequency": analysis.band_hz}


def _at_once(parameters: CrosstalkParameters, channels: int) -> bool:
    """Return whether all channels sound at once."""
    return channels <= 2 and parameters.method == "simultaneous"


def _even(capture: Capture, location: Location, channels: tuple[str, ...]) -> Location:
    """Add a problem for each channel whose level steps, and hides in skirts what is beside its tones.

    What comes of a channel in another is read against that channel's own tones, so that a break of these spoils the
    other's reading as well.
    """
    if location.clock_ratio is None or any(entry.channel is None for entry in location.problems):
        return location
    span = location.start, location.stop
    problems = list(location.problems)
    blamed = {entry.channel: entry for entry in problems}
    for index, name in location.found_of(channels):
        tones = PAIR_TONES_HZ[index] * location.clock_ratio
        own = blamed.get(name)
        if own is None:
            own = uneven(capture, index, name, tones, span)
            problems += [] if own is None else [own]
        # The test of continuity says by itself what this finds in the channel itself.
        own = own or break_in(capture, index, name, tones, span)
        if own is not None:
            problems += [
                Problem(own.code, f"crosstalk into {other} is read against {name}: {own.message}", other)
                for other in channels
                if other not in blamed and other != name
            ]
    return replace(location, problems=tuple(problems))


def _together(capture: Capture, location: Location) -> dict[tuple[int, int], tuple[Power, ...]]:
    """Return the powers of every channel's tones (first index) in every channel (second), where both sound at once."""
    assert location.clock_ratio is not None
    narrowed = capture.narrowed(20_000.0)
    scale = location.clock_ratio / narrowed.rate_hz
    powers: dict[tuple[int, int], tuple[Power, ...]] = {}
    for channel, found in enumerate(location.found):
        if not found:
            continue
        other = 1 - channel
        record = narrowed.between(channel, location.start, location.stop)
        read = tone_powers(record, PAIR_TONES_HZ[channel] * scale, PAIR_TONES_HZ[other] * scale)
        powers[channel, channel], powers[other, channel] = read.strong, read.faint
    return powers


def _in_turn(capture: Capture, location: Location) -> dict[tuple[int, int], tuple[Power, ...]]:
    """Return the same where one channel sounds after the other."""
    assert location.clock_ratio is not None
    narrowed = capture.narrowed(20_000.0)
    tones, nothing = OCTAVE_TONES_HZ * (location.clock_ratio / narrowed.rate_hz), np.zeros(0)
    powers: dict[tuple[int, int], tuple[Power, ...]] = {}
    for turn in location.stretches:
        source = next(index for index, proof in enumerate(turn.tones_hz) if proof)
        for into in range(capture.channels):
            record = narrowed.between(into, turn.start, turn.stop)
            if into == source:
                powers[source, into] = tone_powers(record, tones, nothing).strong
            else:
                powers[source, into] = tone_powers(record, nothing, tones).faint
    return powers


def _scaled(power: Power, capture: Capture, source: int, into: int) -> Power:
    """Return a power in one channel as it would read at the source channel's full scale."""
    volts = capture.full_scale_volts
    if volts is None:
        return power
    gain = (volts[into] / volts[source]) ** 2
    return Power(power.value * gain, power.uncertainty * gain)


def _inside(tones: FloatArray, band_hz: tuple[float, float]) -> BoolArray:
    """Return which tones lie in the band."""
    return np.asarray((tones >= band_hz[0]) & (tones <= band_hz[1]))


def _resolved(powers: Iterable[Power]) -> BoolArray:
    """Return which tones can be told from noise."""
    return np.array([power.value > RESOLVED * power.uncertainty for power in powers])


def _lost_tones(lost: Mapping[str, FloatArray]) -> str:
    """Say that tones do not come back in the channels that they are played in."""
    which = " and ".join(
        f"{', '.join(f'{tone:g}' for tone in tones)} Hz in {source}" for source, tones in lost.items()
    )
    return f"crosstalk cannot be told: nothing comes back at {which}. May be the unit's own fault."


def _add(
    out: ReadingList, name: str, tones: FloatArray, rows: list[list[Reading]], band_hz: tuple[float, float]
) -> None:
    """Add one channel's curve (the worst of its sources at each tone), and its worst tone in the band."""
    levels = np.array([[entry.value for entry in row] for row in rows], dtype=np.float64)
    spreads = np.array([[entry.uncertainty for entry in row] for row in rows], dtype=np.float64)
    worst = np.argmax(levels, axis=0)
    at = np.arange(len(tones))
    attenuation, uncertainty = -levels[worst, at], spreads[worst, at]
    inside = np.flatnonzero(_inside(tones, band_hz))
    out.curve("separation_over_frequency", name, tones[inside], attenuation[inside], uncertainty[inside])
    least = inside[np.argmin(attenuation[inside])]
    # A power that is so many times its own uncertainty is uncertain by this, in dB.
    hidden = float(uncertainty[least]) > 0.5 * DB_PER_NEPER / RESOLVED
    if hidden:
        value, spread = float(attenuation[least]), float(uncertainty[least])
    else:
        value, spread = lowest_of(attenuation[inside], uncertainty[inside])
    out.add("separation", name, value, spread, is_bound=hidden)


KIND = CrosstalkKind()
