"""Finding, in a capture, the turns in which one channel after the other sounds."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from linecheck.checks.base import Capture, Location, Problem, Stretch
from linecheck.checks.parts.many_tones import clock_ratio
from linecheck.checks.parts.steady import dead_channel, ends_early, last_settled
from linecheck.checks.parts.tone_sets import (
    DEAD_DB,
    TELLING_HZ,
    Sounding,
    beyond_rate,
    broken,
    cut_off,
    find_sounding,
    mistaken_channel,
    not_there,
    proof_tones,
    uneven,
)
from linecheck.checks.parts.words import UNREPORTED, dropout
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.continuity import breaks, clicks
from linecheck.dsp.continuity.level_courses import Level, unsteady
from linecheck.dsp.continuity.steadiness import uneven_stretch
from linecheck.dsp.fits.tones import ToneFit, fit_known_tones, fit_scaled_tones
from linecheck.dsp.spectra.spectra import density, density_near

Span = tuple[int, int]

#: Slower than hum, so that no period of it stands out; bursts in one block in ten are noise.
CLICK_BLOCK_SECONDS = 0.02
#: What moves a tone that leaks by less, re itself, is nothing (0.17 dB).
MATTERS = 0.02


def locate_turns(
    capture: Capture, tones_hz: FloatArray, seconds: float, channels: tuple[str, ...]
) -> Location:
    """Find each channel's turn: the same tones sound in the first channel, then in the second, and so on.

    Raises nothing: what is wrong becomes a problem of the location (``stimulus_not_found``, ``wrong_rate``,
    ``too_short``, ``wrong_channel``).

    Parameters
    ----------
    capture : Capture
    tones_hz : float64 array, shape (tones,)
        Nominal frequencies, ascending.
    seconds : float
        How long each turn is measured.
    channels : tuple of str
    """
    problem = beyond_rate(capture, float(tones_hz[-1]))
    if problem is not None:
        return Location.nowhere(channels, problem)
    sounding = [
        find_sounding(Capture(capture.samples[:, [index]], capture.rate_hz), [tones_hz], seconds)
        for index in range(capture.channels)
    ]
    spans, ratio = _live_spans(capture, tones_hz, sounding)
    if ratio is None:
        return Location.nowhere(channels, not_there(capture, tones_hz))
    problems = _faults(capture, spans, seconds, channels)
    void = {entry.channel for entry in problems}
    found = tuple(name not in void for name in channels)
    turns = []
    for index, span in enumerate(spans):
        if span is None or not found[index]:
            continue
        start, stop = last_settled(*span, seconds, capture.rate_hz)
        tones = tuple(
            proof_tones(tones_hz * ratio) if other == index else () for other in range(len(channels))
        )
        turns.append(Stretch(start, stop, tones))
        problems += _interrupted(capture, index, channels, tones_hz * ratio, (start, stop), found)
    start, stop = (
        min((turn.start for turn in turns), default=0),
        max((turn.stop for turn in turns), default=0),
    )
    return Location(start, stop, found, ratio, (), tuple(problems), tuple(turns))


def _interrupted(
    capture: Capture,
    source: int,
    channels: tuple[str, ...],
    tones_hz: FloatArray,
    span: Span,
    found: tuple[bool, ...],
) -> list[Problem]:
    """Return what is wrong with one channel's turn, for each channel whose readings it spoils.

    What comes of a turn in the other channels is read in it, so that a break in it spoils theirs as well; a click in
    one of them spoils that one's.
    """
    name = channels[source]
    own = (
        cut_off(capture, source, name, *span)
        or broken(capture, source, name, tones_hz, span)
        or uneven(capture, source, name, tones_hz, span)
    )
    problems = [] if own is None else [own]
    # The test of continuity says by itself what this finds in the channel that sounds.
    own = own or break_in(capture, source, name, tones_hz, span)
    for into, other in enumerate(channels):
        if into == source or not found[into]:
            continue
        if own is not None:
            message = f"in the turn of {name}, in which the crosstalk into {other} is read: {own.message}"
            problems.append(Problem(own.code, message, other))
            continue
        click = _click_in(capture, source, into, tones_hz, span)
        problems += [] if click is None else [Problem("dropout", click, other)]
        change = None if click is not None else _change_in(capture, into, tones_hz, span)
        # Whether the channel is as strong in its own turn, against which others are read, is not known then.
        problems += [] if change is None else [Problem("dropout", change, entry) for entry in channels]
    return problems


def break_in(capture: Capture, channel: int, name: str, tones_hz: FloatArray, span: Span) -> Problem | None:
    """Return a problem where so little is lost of tones that only the test of continuity shows it."""
    narrowed = capture.narrowed(1.01 * float(tones_hz[-1]))
    tones = np.array(proof_tones(tones_hz)) / narrowed.rate_hz
    found = breaks(narrowed.between(channel, *span), tones)
    if not found:
        return None
    seconds = narrowed.seconds(span[0], found[0].frame)
    return dropout(name, f"the tones are interrupted, or come early or late, at {seconds:.3f} s")


def _without_tones(
    capture: Capture, into: int, tones_hz: FloatArray, span: Span
) -> tuple[ToneFit, FloatArray, float, int]:
    """Return what comes of tones in a channel, what else it holds, and the latter's rate and first frame."""
    narrowed = capture.narrowed(1.01 * float(tones_hz[-1]))
    record = narrowed.between(into, *span)
    tones = tones_hz / narrowed.rate_hz
    fit, rest = fit_known_tones(record, tones)
    if 0.5 * float(np.sum(np.abs(fit.amplitudes) ** 2)) > float(np.var(rest)):
        # Strong enough to tell its own frequency, which another channel's is too wrong for.
        fit, rest = fit_scaled_tones(record, tones)
    return fit, rest, narrowed.rate_hz, narrowed.inside(*span)[0]


def _click_in(capture: Capture, source: int, into: int, tones_hz: FloatArray, span: Span) -> str | None:
    """Say where a channel that should be silent clicks, loudly enough to matter re what the source plays."""
    played = float(np.std(capture.narrowed(1.01 * float(tones_hz[-1])).between(source, *span)))
    _, rest, rate, first = _without_tones(capture, into, tones_hz, span)
    found = clicks(rest, np.sqrt(2.0) * played, round(CLICK_BLOCK_SECONDS * rate))
    if not found:
        return None
    seconds = (first + found[0].frame) / rate
    return (
        f"a few samples at {seconds:.3f} s, while another channel sounds, are far from silence. {UNREPORTED}"
    )


def _change_in(capture: Capture, into: int, tones_hz: FloatArray, span: Span) -> str | None:
    """Say where a channel that should be silent is not the same throughout.

    What comes of the source there is as steady as in the source, and so is noise: a stretch that is lost, muted or
    faded is one in which one of these tones has another level or phase, or the noise has.
    """
    fit, rest, rate, first = _without_tones(capture, into, tones_hz, span)
    # Without dither a converter's rounding follows hum, and is stronger in one part of its period than in another.
    dithered = capture.bits is None or float(np.var(np.diff(rest))) > 2.0 ** (2 - 2 * capture.bits)
    uneven = uneven_stretch(rest, rate) if dithered else None
    frame = None if uneven is None else uneven.start
    if frame is None:
        noise = density(rest, 1.0)
        for tone, amplitude in zip(fit.frequencies, fit.amplitudes, strict=True):
            level = Level(0, complex(amplitude), rest, density_near(noise, float(tone)))
            frame = unsteady(level, float(tone), MATTERS) if frame is None else frame
    if frame is None:
        return None
    return (
        f"what comes of another channel, or the noise, changes at {(first + frame) / rate:.3f} s: a stretch was lost, "
        f"muted or faded. {UNREPORTED} One that mutes a channel in silence is kept awake by `method: simultaneous`"
    )


def _live_spans(
    capture: Capture, tones_hz: FloatArray, sounding: list[Sounding | None]
) -> tuple[list[Span | None], float | None]:
    """Return where each channel sounds about as loudly as the loudest, and the clocks' ratio as that one has it."""
    levels = [0.0 if place is None else float(place.powers[0, 0]) for place in sounding]
    loudest = sounding[int(np.argmax(levels))]
    least = max(levels) * 10.0 ** (-DEAD_DB / 10.0)
    live = [
        (place.start, place.stop) if place is not None and level > least else None
        for place, level in zip(sounding, levels, strict=True)
    ]
    turns = _split(live)
    if loudest is None or turns == live:
        return live, None if loudest is None else loudest.ratio
    # Fitted over several turns as if they were one: again over one.
    first = next(turn for turn in turns if turn is not None)
    return turns, clock_ratio(capture, [tones_hz[tones_hz >= TELLING_HZ[0]]], *first)


def _split(spans: list[Span | None]) -> list[Span | None]:
    """Return the spans, split into even turns where channels hold each other's turns as loudly as their own."""
    live = sorted(span for span in spans if span is not None)
    overlap = any(later[0] < earlier[0] + (earlier[1] - earlier[0]) // 2 for earlier, later in pairwise(live))
    if not overlap or len(live) < len(spans):
        return spans
    start, stop = min(span[0] for span in live), max(span[1] for span in live)
    length = (stop - start) // len(spans)
    margin = length // 20
    return [
        (start + index * length + margin, start + (index + 1) * length - margin)
        for index in range(len(spans))
    ]


def _faults(
    capture: Capture, spans: list[Span | None], seconds: float, channels: tuple[str, ...]
) -> list[Problem]:
    """Return which channels are dead or sound in another's turn, and whether a turn is too short."""
    problems: list[Problem] = []
    live = [index for index, span in enumerate(spans) if span is not None]
    by_time = sorted(live, key=lambda index: spans[index] or (0, 0))
    for own, other in zip(live, by_time, strict=True):
        if own != other:
            problems.append(mistaken_channel(channels[own], channels[other]))
    last = max((span[1] for span in spans if span is not None), default=0)
    cut = (capture.frames - last) / capture.rate_hz < 0.5 * seconds
    for index, name in enumerate(channels):
        if spans[index] is not None:
            continue
        if cut and index > max(live):
            problems.append(
                Problem("too_short", f"the capture ends before the turn of {name} does: capture for longer")
            )
        else:
            problems.append(dead_channel(name))
    shortest = min((span[1] - span[0] for span in spans if span is not None), default=0)
    short = ends_early(shortest / capture.rate_hz, seconds)
    return [*problems, short] if short is not None and live else problems
