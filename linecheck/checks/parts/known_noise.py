"""Whether a capture holds the noise that was played, over all that is measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from linecheck.checks.base import Capture, Problem
from linecheck.checks.parts.known_signal import Spectra, modelled, read_all_over
from linecheck.checks.parts.steady import CLOCK_TOLERANCE, dead_channel
from linecheck.checks.parts.words import dropout, rings_ahead
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.against_noise import (
    TIMES_USUAL,
    Course,
    course_breaks,
    find_noise,
    follow,
    stretched,
)
from linecheck.dsp.continuity.continuity import Break, breaks_of_model
from linecheck.dsp.spectra.narrow import Narrowed

#: The noise is looked for by a piece of so many frames, from each of these parts of it in turn: a break spoils one.
PIECE, PIECES = 4096, (0.5, 0.2, 0.8)
#: It is followed in blocks of this length, frames; in longer ones as long as the clocks are not known.
BLOCK, LONG_BLOCK = 1024, 4096
#: It lies where it should once its ends move by less, frames: a sixth of the least jump that counts. That takes two
#: turns in long blocks at most and three in short ones.
SETTLED, LONG_TURNS, TURNS = 0.01, 2, 3
#: It is there where so much of what is compared is its own.
MIN_SHARE = 0.3
#: A record of it is faded over so many frames.
FADE = 256
#: What stands out in a few samples is looked for from here on: below, a coupling still rings from before.
BURSTS_FROM_HZ, HIGHEST_HZ = 300.0, 19_000.0
#: Tones look a little like any noise: at another rate it is told where it stands out by so much.
SURELY = 50.0
#: Rates that are mixed up.
OTHER_RATES = (48000 / 44100, 44100 / 48000, 2.0, 0.5)


@dataclass(frozen=True)
class KnownNoise:
    """A noise that was played (shape (frames,), without its fades), and where it begins in each channel of a capture.

    ``starts`` are frames of ``narrowed``, perhaps before its first; None where a channel does not hold the noise.
    """

    noise: FloatArray
    rate_hz: int
    narrowed: Narrowed
    starts: tuple[int | None, ...]

    @property
    def start(self) -> int | None:
        """The frame of the capture at which the noise begins in the first channel that holds it."""
        there = [start for start in self.starts if start is not None]
        return there[0] * self.narrowed.factor if there else None


def find_known_noise(capture: Capture, noise: FloatArray, rate_hz: int) -> KnownNoise:
    """Find a noise in a capture, whatever the clocks."""
    narrowed = capture.narrowed(20_000.0)
    step = rate_hz / narrowed.rate_hz
    starts = tuple(
        _started(values, noise, step) if np.ptp(values) > 0.0 else None for values in narrowed.values
    )
    return KnownNoise(noise, rate_hz, narrowed, starts)


def noise_problems(known: KnownNoise, span: tuple[int, int], channels: Sequence[str]) -> list[Problem]:
    """Return what is wrong with a noise between two frames of the capture: not there, at another rate, not whole."""
    if known.start is None:
        return [_absent(known)]
    problems, laid = [], None
    for index, (name, start) in enumerate(zip(channels, known.starts, strict=True)):
        if start is None:
            problems.append(dead_channel(name, "the noise that was played"))
            continue
        # One clock drives all channels, and most often they begin together.
        if laid is None or abs(laid.start - start) > 2.0:
            laid = _Laid(
                known.noise, float(start), laid.step if laid else known.rate_hz / known.narrowed.rate_hz
            )
        laid, course = _settled(known, index, laid, span)
        if course.share <= MIN_SHARE:
            problems.append(replace(_absent(known), channel=name))
            continue
        what = _break_in(known, index, laid, course, span)
        if what:
            problems.append(dropout(name, what))
    return problems


def _started(values: FloatArray, noise: FloatArray, step: float, times: float = TIMES_USUAL) -> int | None:
    """Return the frame at which the noise's first one lies in a channel, perhaps before it; None where it is not.

    ``step`` is the noise's rate over the channel's.
    """
    size = min(PIECE, int(0.2 * len(noise) / step))
    for share in PIECES:
        first = int(share * (len(noise) - size * step))
        piece = stretched(noise[first : first + int(size * step)], step, size)
        found = find_noise(values, piece, times)
        if found is not None:
            return found - round(first / step)
    return None


@dataclass(frozen=True)
class _Laid:
    """The noise as laid over a channel: where its first frame lies, and its rate over the channel's."""

    noise: FloatArray
    start: float
    step: float

    def over(self, first: int, last: int) -> FloatArray:
        """Return the noise as it should be from one frame of the channel to another; nothing beyond its ends."""
        begin = int(np.floor(self.start))
        lead = max(0, begin - first)
        frames = max(0, last - max(begin, first))
        if not frames:
            return np.zeros(last - first)
        whole = stretched(self.noise, self.step, last - begin, self.start - begin)
        return np.concatenate((np.zeros(lead), whole[max(first - begin, 0) :]))[: last - first]

    def late(self, frame: float) -> float:
        """Return the frame of the noise that lies at one of the channel."""
        return (frame - self.start) * self.step

    def followed(self, values: FloatArray, first: int, last: int, block: int, reach: int) -> Course:
        """Return its course through a channel."""
        return follow(values[first:last], self.over(first, last), block, reach)

    def corrected(self, course: Course, first: int) -> _Laid:
        """Return it moved and stretched as most of its course says."""
        slopes = np.diff(course.lateness) / np.diff(course.frames)
        slope = float(np.median(slopes))
        late = float(np.median(course.lateness - slope * course.frames))
        start = (self.start + late - slope * first) / (1.0 - slope)
        return replace(self, start=start, step=self.step * (1.0 - slope))


def _settled(known: KnownNoise, index: int, laid: _Laid, span: tuple[int, int]) -> tuple[_Laid, Course]:
    """Return the noise as it lies in a channel, its clock fitted, and its course there."""
    values = known.narrowed.values[index]
    first, last = known.narrowed.inside(*span)
    reach = min(round(2.0 * CLOCK_TOLERANCE * (last - first)) + 8, LONG_BLOCK // 4)
    for block, turns in ((LONG_BLOCK, LONG_TURNS), (BLOCK, TURNS)):
        for _ in range(turns):
            course = laid.followed(values, first, last, block, min(reach, block // 4))
            if len(course.frames) < 3:
                return laid, course._replace(share=0.0)
            before, laid = laid, laid.corrected(course, first)
            if max(abs(before.late(frame) - laid.late(frame)) for frame in (first, last)) < SETTLED:
                break
    return laid, course


def _break_in(known: KnownNoise, index: int, laid: _Laid, course: Course, span: tuple[int, int]) -> str:
    """Say where the noise is not whole in a channel; nothing where it is."""
    values, rate = known.narrowed.values[index], known.narrowed.rate_hz
    first, last = known.narrowed.inside(*span)
    found = course_breaks(course)
    if not found:
        found = _bursts(values, laid, first, last, rate)
    if not found:
        return ""
    worst = max(found, key=lambda entry: abs(entry.size))
    seconds = (first + worst.frame) / rate
    if worst.kind == "jump":
        direction = "late" if worst.size > 0.0 else "early"
        frames = abs(worst.size) * known.narrowed.factor
        return f"the noise comes {frames:.1f} frames too {direction} from {seconds:.3f} s on"
    if worst.kind == "hole":
        return f"the noise at {seconds:.3f} s is not what was played, or not as strong"
    to_end = (laid.start + len(laid.noise) / laid.step) / rate - seconds
    return f"a few samples at {seconds:.3f} s do not belong to the noise that was played{rings_ahead(to_end)}"


def _bursts(values: FloatArray, laid: _Laid, first: int, last: int, rate: float) -> tuple[Break, ...]:
    """Return where so few samples are strange that only what the noise leaves shows them; frames re the first."""
    # More than is measured where there is more, faded: the ends of the record are then nobody's.
    begin = max(first - BLOCK, int(np.ceil(laid.start)), 0)
    end = min(last + BLOCK, int(laid.start + len(laid.noise) / laid.step), len(values))
    record, played = values[begin:end], laid.over(begin, end)
    fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(FADE) + 0.5) / FADE)
    weight = np.ones(len(record))
    weight[:FADE] *= fade
    weight[len(weight) - FADE :] *= fade[::-1]
    captured, reference = (np.fft.rfft(part * weight) for part in (record, played))
    count = int(HIGHEST_HZ / rate * len(record))
    spectra = Spectra(captured[:count], reference[:count], rate / len(record), len(record))
    signal, model = modelled(spectra, read_all_over(spectra, BURSTS_FROM_HZ))
    found = breaks_of_model(signal, model)
    moved = [replace(entry, frame=entry.frame + begin - first) for entry in found]
    return tuple(entry for entry in moved if 0 <= entry.frame < last - first)


def _absent(known: KnownNoise) -> Problem:
    """Say what is there where the noise is not: the same at another rate, or something else."""
    values = known.narrowed.values[int(np.argmax(np.std(known.narrowed.values, axis=1)))]
    for factor in OTHER_RATES if np.ptp(values) > 0.0 else ():
        step = known.rate_hz / known.narrowed.rate_hz * factor
        if _started(values, known.noise, step, SURELY) is not None:
            message = (
                f"the noise runs {factor:.4g} times as fast as it was played: the unit or the capture runs at another "
                "rate than was set. May be the unit's own fault."
            )
            return Problem("wrong_rate", message)
    return Problem(
        "stimulus_not_found",
        "the noise that was played is not in the capture: is the unit playing, are the cables in place, is it this "
        "check's capture? Where a programme plays that linecheck did not make, say signal: programme. May be the "
        "unit's own fault.",
    )
