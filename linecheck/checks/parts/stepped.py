"""What the kinds share whose stimulus goes in steps: finding every step of a plan in a capture."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass, replace
from operator import itemgetter
from typing import Any

import numpy as np

from linecheck.checks.base import (
    Capture,
    Location,
    Parameters,
    Problem,
    Stimulus,
    Stretch,
)
from linecheck.checks.parts.readings import ReadingKind
from linecheck.checks.parts.steady import (
    CLOCK_TOLERANCE,
    OTHER_RATES,
    Bits,
    RateHz,
    Seed,
    at_another_rate,
    dead_channel,
    ppm_off,
    ramped,
    rate_too_low,
)
from linecheck.checks.parts.step_plan import Step, StepPlan, level_steps
from linecheck.checks.parts.words import dropout, overdriven
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.step_match import (
    Envelopes,
    Schedule,
    find_schedule,
    refine_start,
    telling_seconds,
    tone_envelopes,
)
from linecheck.dsp.continuity.step_proof import (
    FAR_LOWER,
    is_broken,
    is_clear,
    is_few,
    is_spliced,
    is_swayed,
    is_turned,
)
from linecheck.dsp.fits.tones import fit_tones, fit_tones_and_lines, peak_frequency, synthesise
from linecheck.dsp.quantise import quantise
from linecheck.dsp.spectra.narrow import Narrowed, narrow, narrowing_factor

__all__ = ["Step", "StepPlan", "SteppedKind", "SteppedParameters", "level_steps", "narrowed_to", "step_spans"]

#: A capture holds a plan where it explains this share of how the tones' amplitudes vary.
MIN_AGREEMENT = 0.5
#: The clocks' ratio is fitted to this share of a step, its middle.
SURE_SHARE = 0.8
#: A channel whose tones are this far below the strongest channel's is dead, dB.
DEAD_DB = 40.0
#: A step this much weaker than the loudest is not missing where it is not seen, dB.
WATCHED_DB = 40.0
#: How much weaker than the loudest a step may be that says how strong a channel is, dB.
LOUD_DB = 10.0
#: A ratio of the clocks this far from 1 is still told as such, to be named.
RATIO_REACH = 0.01
#: A channel with this part of another's power holds what leaks into it, and no stimulus of its own.
LEAKED = 1e-6
#: A capture is at its rail from here on; so many samples at one value are no chance where the tones would go further.
RAIL, MIN_CUT = 1.0 - 2.0**-14, 12
#: A capture must begin so long before the first measured part: with less, stairs look the same from the next step on.
MIN_LEAD_SECONDS = 0.035
#: A step in phase of fewer frames of the capture is none.
MIN_FRAMES = 0.6
#: A capture at this many times the unit's rate shows where it was cut and joined.
SPLICED_OVER_RATE = 4
#: Breaks are looked for up to here, so the capture is narrowed to this in any case.
PROVEN_UP_TO_HZ = 20_000.0


class SteppedParameters(Parameters):
    """Parameters that every stimulus in steps has."""

    rate_hz: RateHz = 44100
    bits: Bits = 24
    seed: Seed = 1


class SteppedKind(ReadingKind):
    """A kind whose stimulus goes in steps, the same in every channel."""

    @abstractmethod
    def plan(self, parameters: Any) -> StepPlan:  # noqa: ANN401 - each kind narrows it
        """Return the steps that parameters stand for."""

    def stimulus(self, parameters: SteppedParameters, channels: int, ramp_seconds: float) -> Stimulus:
        """Return the steps, one after another, the same in every channel."""
        plan, rate = self.plan(parameters), parameters.rate_hz
        frames = round((plan.seconds + 2.0 * ramp_seconds) * rate)
        values = plan.at(np.arange(frames) / rate - ramp_seconds)
        shaped = ramped(np.repeat(values[:, None], channels, axis=1), rate, ramp_seconds)
        return Stimulus(quantise(shaped, parameters.bits, parameters.seed), rate, parameters.bits)

    def locate(self, capture: Capture, parameters: SteppedParameters, channels: tuple[str, ...]) -> Location:
        """Find the steps."""
        return _located(capture, self.plan(parameters), channels, parameters.rate_hz)


def step_spans(plan: StepPlan, location: Location, rate_hz: int) -> list[tuple[int, int]]:
    """Return between which frames of the capture each step of a located plan is measured."""
    ratio = location.clock_ratio or 1.0
    return _spans(plan, location.start - plan.starts[0] * rate_hz / ratio, ratio, rate_hz)


def _spans(plan: StepPlan, zero: float, ratio: float, rate_hz: int) -> list[tuple[int, int]]:
    """Return the frames of each measured part where time zero is at a frame."""
    scale = rate_hz / ratio
    firsts = np.ceil(zero + plan.starts * scale - 1e-6).astype(int)
    lasts = np.floor(zero + plan.stops * scale + 1e-6).astype(int)
    return [(int(first), int(last)) for first, last in zip(firsts, lasts, strict=True)]


@dataclass(frozen=True)
class _Match:
    """How a plan lies in a capture by its envelopes: the channel that shows it best, and where time zero is."""

    channel: int
    envelopes: Envelopes
    start_seconds: float
    agreement: float


@dataclass(frozen=True)
class _Laid:
    """A plan as laid over a capture: where each step is measured, and the unit's clock over the capture's."""

    capture: Capture
    narrowed: Narrowed
    plan: StepPlan
    spans: list[tuple[int, int]]
    ratio: float

    def records(self, channel: int) -> Iterator[tuple[Step, tuple[int, int], FloatArray]]:
        """Yield each step, its frames of the capture, and what a channel holds there, narrowed."""
        for step, span in zip(self.plan.steps, self.spans, strict=True):
            yield step, span, self.narrowed.between(channel, *span)


def narrowed_to(capture: Capture, top_hz: float, location: Location) -> Narrowed:
    """Return a capture at the lowest rate that holds ``top_hz`` and keeps clear what was located.

    Made from what finding the steps has made already. The lower the rate, the further in a capture's ends show.
    """
    wide = capture.narrowed(max(PROVEN_UP_TO_HZ, top_hz))
    factor = narrowing_factor(wide.rate_hz, top_hz)
    while factor > 1:
        low = narrow(wide.values, wide.rate_hz, factor)
        whole = wide.factor * factor
        first, last = -(-wide.clear[0] // factor), wide.clear[1] // factor
        clear = max(first, low.clear[0]), min(last, low.clear[1])
        if clear[0] * whole <= location.start and location.stop <= clear[1] * whole:
            return Narrowed(low.values, low.rate_hz, whole, clear)
        factor //= 2
    return wide


def _located(capture: Capture, plan: StepPlan, channels: tuple[str, ...], unit_rate_hz: int) -> Location:
    """Find a plan's steps in a capture.

    Raises nothing: what is wrong becomes a problem of the location (``stimulus_not_found``, ``wrong_rate``,
    ``too_short``), per channel where another channel has the steps.
    """
    rate = capture.rate_hz
    highest = float(plan.tones_hz[-1])
    if highest >= 0.499 * rate:
        return Location.nowhere(channels, rate_too_low(rate, highest))
    narrowed = capture.narrowed(max(PROVEN_UP_TO_HZ, 1.05 * highest))
    match = _best_match(narrowed, plan.schedule, plan.telling_hz)
    ratio, agreement = None, 0.0
    if match is not None and match.agreement > MIN_AGREEMENT:
        match = replace(
            match, start_seconds=refine_start(match.envelopes, plan.schedule, match.start_seconds)
        )
        ratio = _clock_ratio(narrowed, plan, match)
        agreement = 0.0 if ratio is None else match.agreement
    if match is None or ratio is None or abs(ratio - 1.0) > 1.1 * CLOCK_TOLERANCE:
        return Location.nowhere(channels, _elsewhere(capture, plan, ratio, agreement))
    start = refine_start(match.envelopes, plan.schedule, match.start_seconds, ratio)
    return _laid_out(capture, narrowed, plan, channels, start, ratio, unit_rate_hz)


def _best_match(narrowed: Narrowed, schedule: Schedule, tones_hz: FloatArray) -> _Match | None:
    """Return how a schedule lies in the channel that shows it best; None where every channel is still.

    What leaks into a dead channel keeps time as well, and is too faint to tell the clock: it is left out.
    """
    best: _Match | None = None
    powers = np.var(narrowed.values, axis=1)
    windows = telling_seconds(tones_hz, schedule)
    for channel, values in enumerate(narrowed.values):
        if powers[channel] <= LEAKED * np.max(powers):
            continue
        envelopes = tone_envelopes(values - np.mean(values), narrowed.rate_hz, tones_hz, windows)
        start, agreement = find_schedule(envelopes, schedule)
        if agreement < MIN_AGREEMENT:
            # Fades may be long, and other things may sound right before.
            start, agreement = max(
                (start, agreement), find_schedule(envelopes, schedule, 0.0), key=itemgetter(1)
            )
        if best is None or agreement > best.agreement:
            best = _Match(channel, envelopes, start, agreement)
    return best


def _clock_ratio(narrowed: Narrowed, plan: StepPlan, match: _Match) -> float | None:
    """Return the unit's clock over the capture's, as most of the telling steps have it; None where none has a tone."""
    rate = narrowed.rate_hz
    capture_rate = round(rate * narrowed.factor)
    spans = _spans(plan, match.start_seconds * capture_rate, 1.0, capture_rate)
    ratios: list[float] = []
    for index in plan.informing():
        step = plan.steps[index]
        spare = round(0.5 * (1.0 - SURE_SHARE) * step.seconds * capture_rate)
        record = narrowed.between(match.channel, spans[index][0] + spare, spans[index][1] - spare)
        if len(record) < 0.8 * SURE_SHARE * step.seconds * rate:
            continue
        tones = np.array(step.tones_hz) / rate
        telling = int(np.argmax(tones * np.array(step.amplitudes)))
        expected = float(tones[telling])
        spread = RATIO_REACH * expected + 1.0 / len(record)
        found, prominence = peak_frequency(record, expected - spread, min(expected + spread, 0.4999))
        # At the reach's very end it is the foot of something further off.
        if prominence < 30.0 or abs(found - expected) > 0.98 * spread:
            continue
        coarse = found / expected
        told, others = tones[[telling]] * coarse, np.delete(tones, telling) * coarse
        ratios.append(coarse * fit_tones_and_lines(record, told, others)[0].scale)
    ratio = float(np.median(ratios)) if ratios else 0.0
    return ratio if abs(ratio - 1.0) < 2.0 * RATIO_REACH else None


def _laid_out(
    capture: Capture,
    narrowed: Narrowed,
    plan: StepPlan,
    channels: tuple[str, ...],
    start_seconds: float,
    ratio: float,
    unit_rate_hz: int,
) -> Location:
    """Lay the plan over the capture; say which channels have it, and which steps prove themselves continuous."""
    spans = _spans(plan, start_seconds * capture.rate_hz, ratio, capture.rate_hz)
    laid = _Laid(capture, narrowed, plan, spans, ratio)
    start, stop = max(spans[0][0], 0), min(spans[-1][1], capture.frames)
    gains = _gains(laid)
    levels = np.median(gains[:, plan.within(LOUD_DB)], axis=1)
    found = tuple(bool(level > np.max(levels) * 10.0 ** (-DEAD_DB / 20.0)) for level in levels)
    problems = [dead_channel(name) for name, there in zip(channels, found, strict=True) if not there]
    problems += [
        problem
        for channel, name in enumerate(channels)
        if (problem := _cut_off(laid, channel, name)) is not None
    ]
    missing = _missing(laid, gains)
    if missing is not None:
        return Location(start, max(start, stop), found, ratio, problems=(*problems, missing))
    problems += _breaks(laid, channels, unit_rate_hz)
    return Location(start, stop, found, ratio, (), tuple(problems), _stretches(laid))


def _gains(laid: _Laid) -> FloatArray:
    """Return how strong each step is re what was played, shape (channels, steps); 0 where the capture lacks it."""
    rate = laid.narrowed.rate_hz
    gains = np.zeros((len(laid.narrowed.values), len(laid.plan.steps)))
    for channel, row in enumerate(gains):
        for index, (step, _, record) in enumerate(laid.records(channel)):
            if len(record) < 0.5 * step.seconds * rate:
                continue
            fit = fit_tones(record, np.array(step.tones_hz) * laid.ratio / rate)
            row[index] = float(np.sum(np.abs(fit.amplitudes))) / sum(step.amplitudes)
    return gains


def _missing(laid: _Laid, gains: FloatArray) -> Problem | None:
    """Return a problem where the first or the last steps are not in the capture."""
    capture, plan, spans = laid.capture, laid.plan, laid.spans
    lead = spans[0][0] / capture.rate_hz
    if lead < MIN_LEAD_SECONDS:
        return Problem(
            "too_short",
            f"the capture begins {MIN_LEAD_SECONDS - lead:.3f} s too late: the stimulus sounds already",
        )
    if spans[-1][1] > capture.frames:
        return Problem(
            "too_short",
            f"the capture ends {(spans[-1][1] - capture.frames) / capture.rate_hz:.3f} s before the stimulus' last "
            "step does",
        )
    last = int(plan.within(WATCHED_DB)[-1])
    strongest = np.max(gains, axis=0)
    if strongest[last] > 0.03 * np.max(strongest[plan.within(LOUD_DB)]):
        return None
    stopped = spans[last][0] / capture.rate_hz
    return Problem(
        "too_short",
        f"the stimulus stops before {stopped:.3f} s: the unit stopped. May be the unit's own fault.",
    )


def _cut_off(laid: _Laid, channel: int, name: str) -> Problem | None:
    """Return a problem where a channel is at digital full scale in a step whose tones would go further.

    A sum of tones is there once or twice each beat, and does not stay for several samples as one slow tone does.
    """
    capture = laid.capture
    quantum = 2.0 ** (1 - capture.bits) if capture.bits is not None else 0.0
    for step, (first, last) in zip(laid.plan.steps, laid.spans, strict=True):
        record = capture.scaled[channel, max(first, 0) : max(last, 0)]
        size = np.abs(record)
        highest = float(np.max(size, initial=0.0))
        # Floats beyond full scale are not cut there.
        if not RAIL <= highest <= 1.0:
            continue
        at = np.flatnonzero(size >= highest - 1.5 * quantum)
        if len(at) < MIN_CUT:
            continue
        tones = np.array(step.tones_hz) * (laid.ratio / capture.rate_hz)
        fit = fit_tones(record, tones)
        model = synthesise(len(record), tones, fit.amplitudes, fit.constant)
        noise = float(np.std(record - model)) / np.sqrt(len(at))
        if float(np.mean(np.sign(record[at]) * model[at])) - highest > max(2.0 * quantum, 4.0 * noise):
            return overdriven(name, len(at), highest)
    return None


def _stretches(laid: _Laid) -> tuple[Stretch, ...]:
    """Return the measured parts whose tones are clear enough to prove them continuous, the fastest tone first."""
    narrowed, channels = laid.narrowed, range(len(laid.narrowed.values))
    stretches = []
    for step, span in zip(laid.plan.steps, laid.spans, strict=True):
        tones = np.sort(step.tones_hz)[::-1] * laid.ratio
        cycles = tones / narrowed.rate_hz
        records = (narrowed.between(channel, *span) for channel in channels)
        clear = [is_clear(record, cycles) and not is_swayed(record, cycles) for record in records]
        if any(clear):
            # A far lower tone is taken out as hum is: its own frequency, told less well, would set the others'.
            named = tuple(float(tone) for tone in tones if tone > FAR_LOWER * tones[0])
            stretches.append(Stretch(*span, tuple(named if there else () for there in clear)))
    return tuple(stretches)


def _breaks(laid: _Laid, channels: tuple[str, ...], unit_rate_hz: int) -> list[Problem]:
    """Return a problem for every channel in which a step of few periods is broken."""
    problems = []
    capture, narrowed = laid.capture, laid.narrowed
    shows_splices = capture.rate_hz >= SPLICED_OVER_RATE * unit_rate_hz
    for channel, name in enumerate(channels):
        for step, span, record in laid.records(channel):
            tones = np.sort(step.tones_hz)[::-1] * (laid.ratio / narrowed.rate_hz)
            if not is_few(record, tones):
                continue
            smallest = MIN_FRAMES * 2.0 * np.pi * float(tones[0]) / narrowed.factor
            whole = capture.scaled[channel, slice(*span)]
            if (
                is_broken(record, tones)
                or is_turned(record, float(tones[0]), smallest)
                or (shows_splices and is_spliced(whole, capture.rate_hz))
            ):
                seconds = span[0] / capture.rate_hz
                what = (
                    f"the tone of {step.tones_hz[-1]:.4g} Hz from {seconds:.3f} s on is not one: a stretch was lost, "
                    "held or came twice"
                )
                problems.append(dropout(name, what))
                break
    return problems


def _elsewhere(capture: Capture, plan: StepPlan, ratio: float | None, nominal: float) -> Problem:
    """Say what is there where the steps are not: the same at another rate, part of them, or nothing.

    ``ratio`` is what the steps at their own rate tell of the clocks, None where they tell nothing, and ``nominal`` how
    well they agree there: what leaks of the tones of another rate has their levels too, and tells the clocks wrongly.
    """
    narrowed = capture.narrowed(0.45 * capture.rate_hz)
    for captured, played in OTHER_RATES:
        factor = captured / played
        tones = plan.telling_hz * factor
        there = tones < 0.49 * narrowed.rate_hz
        schedule = Schedule(plan.schedule.edges / factor, plan.schedule.amplitudes[there])
        match = _best_match(narrowed, schedule, tones[there]) if np.any(there) else None
        if match is None or match.agreement < max(MIN_AGREEMENT, nominal):
            continue
        # Where a capture holds a few steps only, noise may agree with them.
        if -0.02 < match.start_seconds < capture.seconds - schedule.seconds + 0.02:
            return at_another_rate(captured, played)
    if ratio is not None:
        return ppm_off(ratio)
    return _absent(capture, plan)


def _absent(capture: Capture, plan: StepPlan) -> Problem:
    """Say whether a part of the stimulus is in a capture that does not hold its steps."""
    lengths = {tone: step.seconds for step in plan.steps for tone in step.tones_hz}
    for values in capture.scaled:
        if not np.ptp(values) > 0.0:
            continue
        frequency, prominence = peak_frequency(values, 5.0 / capture.rate_hz, 0.499)
        found = frequency * capture.rate_hz
        near = [tone for tone in lengths if abs(found - tone) < CLOCK_TOLERANCE * tone + 0.5 / lengths[tone]]
        if near and prominence > 1e4:
            return Problem(
                "too_short",
                f"a tone of the stimulus is in the capture ({found:.2f} Hz), its steps are not: the capture holds a "
                "part of them only, or the unit stopped. May be the unit's own fault.",
            )
    return Problem(
        "stimulus_not_found",
        "the stimulus is not in the capture: is the unit playing, is the cable in place? May be the unit's own fault.",
    )
