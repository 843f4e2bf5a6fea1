"""``wiring``: which channel is which, which way round, and how late."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from linecheck.checks.base import Capture, Detailed, Location, Parameters, Problem, Reading, Stimulus
from linecheck.checks.parts.declared import DifferenceSpec, MetricSpec, either_way
from linecheck.checks.parts.many_tones import clock_ratio, sounding_span
from linecheck.checks.parts.readings import DB_PER_NEPER, Located, ReadingKind, ReadingList
from linecheck.checks.parts.steady import (
    SteadyParameters,
    ends_early,
    in_no_channel,
    last_settled,
    steady_stimulus,
)
from linecheck.checks.parts.tone_sets import stepped_level
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.phase_steps import fitted_level_step
from linecheck.dsp.fits.combs import Arrival, arrival, comb_frequencies, comb_phases
from linecheck.dsp.fits.tones import fit_known_tones
from linecheck.dsp.spectra.spectra import band_power, density

#: A comb this far below the strongest in its channel is crosstalk, dB.
CROSSTALK_DB = 20.0
#: A channel whose strongest comb is this far below the strongest channel's is dead, dB.
DEAD_DB = 40.0
#: Tones whose phases agree less than this on a delay do not tell polarity.
MIN_AGREEMENT = 0.7
#: All tones of a comb are equally strong: where one of them is so many times as strong as most, it is another signal's.
MAX_OVER_USUAL = 5.0
#: The signal's first frame lies before the measured part by the ramp and the settling time: searched this far, s.
REACH_SECONDS = 0.4


class WiringParameters(SteadyParameters):
    """The coded signal: a comb of tones in each channel, each channel's own."""

    seconds: Annotated[
        float, Field(ge=0.2, le=60.0, description="Length of the part that is measured, s")
    ] = 0.4
    level_dbfs: Annotated[
        float,
        Field(ge=-80.0, le=-12.0, description="Rms level of each channel, dB re a full-scale sine (AES17)"),
    ] = -20.0


class WiringAnalysis(Parameters):
    """Nothing can be set."""


@dataclass(frozen=True)
class _Channel:
    """One captured channel: the power of every comb in it, and how its strongest comb arrived."""

    powers: FloatArray
    strongest: int
    gain: float
    gain_uncertainty: float
    arrived: Arrival
    is_comb: bool = True
    #: Frames from the record's beginning, and the change of the combs' level re itself.
    step: tuple[int, float] | None = None


#: A channel in which nothing moves.
_NOTHING = _Channel(np.zeros(1), -1, 0.0, 0.0, Arrival(0.0, 0.0, 1, 0.0))


class WiringKind(ReadingKind):
    """Channel order, polarity, delay and balance, from tones that are different in each channel.

    ``order`` is 1 where each channel carries its own comb at least 20 dB above any other's, 0 where one carries
    another's. A dead channel carries none: where the others carry their own, nobody can tell (it may be a cable).
    ``polarity`` is that of what arrives on the channel (absolute: both inverted reads -1 on both). ``channel_delay`` is
    the second channel's arrival after the first's, in frames of the capture; ``balance`` the first channel's gain over
    the second's. With more than two channels both are the largest difference from the first.

    Within what is measured a break is found: of simulated captures at 48 kHz all 120 each with one frame held, inserted
    or lost in one channel alone, and all 150 each with 0.75 ms held, with 2 to 63 frames held and with 19 frames
    repeated. Of 150 that end too early 100 are found; the others measure less of the signal, and no reading moves by
    more than 1.2 of its standard uncertainties. What happens to one channel alone while the signal still settles is
    read as it stands: frames lost there are a delay of that channel, another gain is balance.
    """

    name: ClassVar[str] = "wiring"
    text: ClassVar[str] = "a coded signal, different in each channel: order, polarity, delay"
    stimulus_parameters: ClassVar[type[Parameters]] = WiringParameters
    analysis_parameters: ClassVar[type[Parameters]] = WiringAnalysis
    metrics: ClassVar[tuple[MetricSpec, ...]] = (
        MetricSpec(
            "order", "", "1 where each channel carries its own signal 20 dB above any other's, else 0", "more",
            DifferenceSpec(
                accuracy=0.5, more="channels as declared",
                less="channels not as declared: swapped, or one of them dead",
            ),
            (0.0, 1.0), per_channel=False, of_path=True,
        ),
        MetricSpec(
            "polarity", "", "+1, or -1 where inverted", "nominal",
            DifferenceSpec(
                accuracy=0.5, more="polarity no longer inverted", less="polarity inverted", worse="less",
            ),
            (-1.0, 1.0), of_path=True,
        ),
        MetricSpec(
            "channel_delay", "samples", "delay of the second channel after the first", "nominal",
            either_way("second channel {size} of the capture {way}, {value}", "later", "earlier", 0.1),
            per_channel=False,
        ),
        MetricSpec(
            "balance", "dB", "level of the first channel over that of the second", "nominal",
            DifferenceSpec(accuracy=0.005, said_by=("tone.balance",)), per_channel=False, of_path=True,
        ),
    )  # fmt: skip

    def peak_dbfs(self, parameters: WiringParameters) -> float:
        """Return the highest level that the combs reach, their crest factor included, dB re a full-scale sine."""
        samples = self.stimulus(parameters, 2, 0.01).samples
        return float(20.0 * np.log10(np.max(np.abs(samples.astype(np.float64))) * 2.0**-31))

    def stimulus(self, parameters: WiringParameters, channels: int, ramp_seconds: float) -> Stimulus:
        """Return the combs."""
        combs = comb_frequencies(channels, parameters.rate_hz)
        tones = combs.shape[1]
        amplitude = 10.0 ** (parameters.level_dbfs / 20.0) / np.sqrt(tones)
        return steady_stimulus(
            parameters,
            [np.full(tones, amplitude)] * channels,
            list(combs),
            [comb_phases(tones)] * channels,
            ramp_seconds,
        )

    def locate(self, capture: Capture, parameters: WiringParameters, channels: tuple[str, ...]) -> Location:
        """Find the combs, whichever channel they are in."""
        combs = comb_frequencies(len(channels), parameters.rate_hz)
        if np.max(combs) >= 0.5 * capture.rate_hz:
            problem = Problem(
                "capture_rate_low",
                f"captured at {capture.rate_hz} Hz: the coded signal reaches {np.max(combs):g} Hz",
            )
            return Location.nowhere(channels, problem)
        span = sounding_span(capture, combs.reshape(-1), parameters.seconds)
        inside = None if span is None else last_settled(*span, parameters.seconds, capture.rate_hz)
        # Of what is measured alone: a break outside would spoil it, unseen.
        ratio = None if inside is None else clock_ratio(capture, list(combs), *inside)
        if span is None or inside is None or ratio is None:
            problem = in_no_channel(capture, [float(comb[0]) for comb in combs], "the coded signal")
            return Location.nowhere(channels, problem)
        short = ends_early((span[1] - span[0]) / capture.rate_hz, parameters.seconds, "the coded signal")
        problems = () if short is None else (short,)
        start, stop = inside
        found = tuple(bool(np.ptp(values[start:stop]) > 0.0) for values in capture.scaled)
        tones = tuple(float(tone) for tone in (combs * ratio).reshape(-1))
        return Location(start, stop, found, ratio, (tones,) * len(channels), problems)

    def read(self, out: ReadingList, located: Located[WiringParameters, WiringAnalysis]) -> None:
        """Take order, polarity, delay and balance from the located combs."""
        capture, location, channels = located.capture, located.location, located.context.channels
        combs = comb_frequencies(len(channels), located.parameters.rate_hz) * located.clock_ratio
        narrowed = capture.narrowed(1.05 * float(np.max(combs)))
        first, _ = narrowed.inside(location.start, location.stop)
        seen = [
            _NOTHING
            if not found
            else _channel(
                narrowed.between(index, location.start, location.stop),
                combs / narrowed.rate_hz,
                first,
                REACH_SECONDS * narrowed.rate_hz,
                narrowed.factor,
            )
            for index, found in enumerate(location.found)
        ]
        loudest = max(float(np.max(channel.powers)) for channel in seen)
        alive = [
            found and float(np.max(channel.powers)) > loudest * 10.0 ** (-DEAD_DB / 10.0)
            for found, channel in zip(location.found, seen, strict=True)
        ]
        clear = all(
            channel.arrived.agreement >= MIN_AGREEMENT
            for live, channel in zip(alive, seen, strict=True)
            if live
        )
        for name, channel, live in zip(channels, seen, alive, strict=True):
            if live and not channel.is_comb:
                out.problems.append(_no_comb(name))
            elif live and channel.step is not None:
                place, change = channel.step
                out.problems.append(stepped_level(name, narrowed.seconds(location.start, place), change))
        order = _order(seen, alive) if clear else None
        if order is not None:
            out.add("order", None, order, 0.0)
        for index, (channel, live) in enumerate(zip(seen, alive, strict=True)):
            _polarity(out, channels[index], channel, live, order)
            if live and clear and not _carries_own(channel, index):
                out.problems.append(_mistaken(channels, channel, index))
        if len(seen) > 1 and all(alive):
            _pair_readings(out, seen)

    def never_measured(
        self, parameters: WiringParameters, analysis: WiringAnalysis, channels: int, has_reference: bool
    ) -> Mapping[str, str]:
        """Return what needs a second channel, where there is none."""
        reason = "it compares two channels, and the file declares one"
        return {} if channels > 1 else dict.fromkeys(("order", "channel_delay", "balance"), reason)


def _order(seen: list[_Channel], alive: list[bool]) -> float | None:
    """Return 1 where every channel carries its own comb, 0 where one carries another's, None where nobody can tell."""
    if len(seen) < 2:
        return None
    if not all(_carries_own(channel, index) for index, channel in enumerate(seen) if alive[index]):
        return 0.0
    return 1.0 if all(alive) else None


def _carries_own(channel: _Channel, index: int) -> bool:
    """Return whether a channel carries its own comb and no other above crosstalk."""
    others = np.delete(channel.powers, index)
    highest = float(np.max(others, initial=0.0))
    return channel.strongest == index and highest < channel.powers[index] * 10.0 ** (-CROSSTALK_DB / 10.0)


def _mistaken(names: tuple[str, ...], channel: _Channel, index: int) -> Problem:
    """Say what a channel carries that it should not."""
    others = channel.powers.copy()
    others[index] = 0.0
    other = int(np.argmax(others))
    above = round(10.0 * np.log10(max(channel.powers[index], 1e-30) / others[other]), 1) + 0.0
    if above < -CROSSTALK_DB:
        sort = "swapped"
        message = f"carries the signal of {names[other]} instead of its own: the channels are swapped"
    else:
        sort = "mixed"
        message = f"carries the signal of {names[other]} too, its own {above:+.1f} dB re that: the channels are mixed"
    return Detailed("wrong_channel", message, names[index], blocks=False, metrics=("order",), sort=sort)


def _no_comb(name: str) -> Problem:
    """Return the problem of a capture in which some tones of a comb are, and not all: another signal's."""
    return Problem(
        "stimulus_not_found",
        f"what is in {name} is not the coded signal, though some of its tones are there: is it this check's capture? "
        "May be the unit's own fault.",
    )


def _polarity(out: ReadingList, name: str, channel: _Channel, live: bool, order: float | None) -> None:
    """Add a channel's polarity, or why it (and the order, where that is None) cannot be told."""
    if live and channel.arrived.agreement >= MIN_AGREEMENT:
        out.add("polarity", name, channel.arrived.polarity, 0.0)
        return
    message = (
        "the tones of the coded signal do not agree on one delay, so polarity cannot be told"
        if live
        else "the coded signal is not in this channel, though it is in another: the channel is dead, or its cable. "
        "May be the unit's own fault."
    )
    code = "phase_unclear" if live else "stimulus_not_found"
    untold = ("polarity", "channel_delay", "balance")
    # Also where the channel holds nothing at all, of which nothing else is read.
    out.readings.append(Reading("polarity", name, None, "", None))
    out.explain(name, code, message, *(("order", *untold) if order is None else untold))


def _pair_readings(out: ReadingList, seen: list[_Channel]) -> None:
    """Add delay and balance of the pair (of more channels, the largest difference from the first)."""
    first = seen[0]
    if all(channel.arrived.agreement >= MIN_AGREEMENT for channel in seen):
        late = max(seen[1:], key=lambda channel: abs(channel.arrived.frame - first.arrived.frame))
        spread = np.hypot(first.arrived.uncertainty, late.arrived.uncertainty)
        out.add("channel_delay", None, late.arrived.frame - first.arrived.frame, spread)
    other = max(seen[1:], key=lambda channel: abs(np.log(channel.gain / first.gain)))
    relative = np.hypot(first.gain_uncertainty / first.gain, other.gain_uncertainty / other.gain)
    out.add("balance", None, 20.0 * np.log10(first.gain / other.gain), DB_PER_NEPER * relative)


def _channel(record: FloatArray, combs: FloatArray, start: int, reach: float, factor: int) -> _Channel:
    """Fit all combs (cycles per frame) in one channel; its arrival is in frames of a rate so many times as high."""
    tones = combs.shape[1]
    fit, rest = fit_known_tones(record, combs.reshape(-1))
    amplitudes = fit.amplitudes.reshape(combs.shape)
    powers = np.sum(np.abs(amplitudes) ** 2, axis=1)
    strongest = int(np.argmax(powers))
    low, high = float(np.min(combs)), float(np.max(combs))
    # Each fitted tone has taken two of the band's 2·B·T degrees of freedom out of what is left.
    free = (high - low) * len(record)
    variance = band_power(density(rest, 1.0), low, high)[0] / max(free - combs.size, 0.5 * free)
    middle = start + 0.5 * (len(record) - 1)
    arrived = arrival(
        amplitudes[strongest], combs[strongest], comb_phases(tones), middle, float(start), reach, variance
    )
    arrived = replace(arrived, frame=arrived.frame * factor, uncertainty=arrived.uncertainty * factor)
    gain = float(np.sqrt(powers[strongest]))
    sizes = np.abs(amplitudes[strongest])
    is_comb = bool(np.max(sizes) < MAX_OVER_USUAL * np.median(sizes))
    step = fitted_level_step(fit, rest)
    return _Channel(powers, strongest, gain, float(np.sqrt(variance)), arrived, is_comb, step)


KIND = WiringKind()
