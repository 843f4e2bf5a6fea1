"""Whether a capture can be trusted, before any number is taken from it.

:func:`inspect_samples` looks at the samples alone, :func:`inspect_continuity` at the located stimulus in each channel,
:func:`inspect_channels` at one channel beside the other. Every problem
that they return voids the readings of its channel, or of the whole capture. Codes:

=====================  ==================================================================================
``non_finite``         NaN or infinity among the samples
``wrong_channels``     more or fewer channels than the limit file has
``too_short``          no sample at all, or less than the stimulus
``overrun``, …         what the interface reported while it captured
``silence``            one value throughout, bit for bit
``overload``           samples held at the capture's full scale: the station's input is overdriven
``clipping``           samples held at the top or the bottom, lower than that
``repeated_block``     a stretch delivered twice
``dropout``            a stretch lost, held or missing inside the stimulus
``identical_channels`` two channels the same, bit for bit
=====================  ==================================================================================
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from linecheck.checks.base import OVERLOAD, Capture, Detailed, Location, Problem, Stretch
from linecheck.checks.parts.words import UNREPORTED, percent_off
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.continuity.continuity import Break, breaks, repeated_blocks
from linecheck.dsp.continuity.held import RAIL, flat_tops, heaped_at_rail, held_stretch, overdriven
from linecheck.dsp.spectra.narrow import Narrowed

#: No stimulus is shorter.
MIN_SECONDS = 0.05

#: A stretch that is lost or held shows below this as well as above.
BREAKS_UP_TO_HZ = 20_000.0

#: So many samples that are cut off are no chance.
MIN_CUT = 6

#: A tone stays at its peak for a while by itself: a stretch of one value counts from so many of its periods on.
HELD_PERIODS = 0.3

#: A digital copy of a stimulus that repeats holds no more values than this.
MAX_COPIED_VALUES = 16


def inspect_samples(capture: Capture, channels: tuple[str, ...]) -> tuple[Problem, ...]:
    """Return what is wrong with the samples as they came, whatever was played.

    A capture with a problem of the whole capture (channel None) must not be measured.
    """
    if capture.samples.ndim != 2 or capture.channels != len(channels):
        message = f"the capture has {capture.channels} channels, the limit file {len(channels)}"
        return (Problem("wrong_channels", message),)
    if capture.seconds < MIN_SECONDS:
        return (
            Problem("too_short", f"the capture has {capture.frames} frames: nothing can be measured in it"),
        )
    problems = [Problem(event.code, f"{event.message} at {event.seconds:.3f} s") for event in capture.events]
    if not np.all(np.isfinite(capture.scaled)):
        return (*problems, _non_finite(capture, channels))
    for name, values in zip(channels, capture.scaled, strict=True):
        if np.ptp(values) == 0.0:
            problems.append(_silence(name, float(values[0])))
    return tuple(problems)


def _non_finite(capture: Capture, channels: tuple[str, ...]) -> Problem:
    channel, frame = np.argwhere(~np.isfinite(capture.scaled))[0]
    count = int(np.sum(~np.isfinite(capture.scaled)))
    message = (
        f"{count} sample{'s are' if count != 1 else ' is'} not finite, the first at "
        f"{frame / capture.rate_hz:.3f} s in {channels[channel]}"
    )
    return Problem("non_finite", message)


def _silence(name: str, value: float) -> Problem:
    return Problem(
        "silence",
        f"every sample is {value:g}, bit for bit, so nothing was captured: is the input connected and allowed to "
        "record? With the interface alive, it may be the unit's own fault.",
        name,
    )


def inspect_continuity(
    capture: Capture, location: Location, channels: tuple[str, ...]
) -> tuple[Problem, ...]:
    """Return what is wrong inside the located stimulus: silence, clipping, repeated blocks, dropouts."""
    problems: list[Problem] = []
    for index, name in enumerate(channels):
        values = capture.scaled[index]
        if np.ptp(values) == 0.0:
            continue
        inside = values[location.start : location.stop] if location.stop > location.start else values
        if np.ptp(inside) == 0.0:
            problems.append(_silence(name, float(inside[0])))
            continue
        tones = location.tones_hz[index] if index < len(location.tones_hz) else ()
        clipped = _clipping(capture, inside, name, tones)
        if clipped is not None:
            problems.append(clipped)
            continue
        broken = _repeats(capture, location, inside, name) or _held(capture, location, inside, index, name)
        for stretch in location.steady:
            broken = broken or _dropout(capture, stretch, index, name)
        if broken is not None:
            problems.append(broken)
    return tuple(problems)


def inspect_channels(
    capture: Capture, location: Location, channels: tuple[str, ...], *, copies_alike: bool
) -> tuple[Problem, ...]:
    """Return a problem where two channels hold the same samples: one was written twice, or both were mixed into one.

    No two converters have the same noise, and a stimulus has dither of its own in each channel. ``copies_alike`` is
    :attr:`CheckKind.copies_alike` of what was played.
    """
    inside = slice(location.start, location.stop) if location.stop > location.start else slice(None)
    for first, second in combinations(range(capture.channels), 2):
        values = capture.scaled[first, inside]
        if not np.array_equal(values, capture.scaled[second, inside]) or np.ptp(values) == 0.0:
            continue
        if copies_alike and len(np.unique(values)) <= MAX_COPIED_VALUES:
            continue
        message = (
            f"{channels[first]} and {channels[second]} are the same, bit for bit: one channel was captured twice, or "
            "both were mixed into one, so nothing is known of the other. Is the input set to two channels? It says "
            "nothing of the unit."
        )
        return (Problem("identical_channels", message),)
    return ()


def _clipping(capture: Capture, values: FloatArray, name: str, tones: tuple[float, ...]) -> Problem | None:
    slowest = (min(tones) if tones else 20.0) / capture.rate_hz
    step = 2.0 ** (1 - capture.bits) if capture.bits is not None else 0.0
    held, rail = flat_tops(values, slowest, step)
    if held < MIN_CUT and len(tones) == 1:
        held, rail = overdriven(values, tones[0] / capture.rate_hz, step)
    elif held < MIN_CUT:
        # A sum of tones that is strong in the treble is at the rail for fewer samples in a row than a run counts from.
        held, rail = heaped_at_rail(values)
    if held < MIN_CUT:
        return None
    overload = abs(rail) > RAIL
    cause = (
        "the capture input is overdriven; lower its gain"
        if overload
        else "the capture input is overdriven, or the unit's output. May be the unit's own fault"
    )
    code = OVERLOAD if overload else "clipping"
    return Problem(code, f"{held} samples are held at {rail:+.4f} of full scale: {cause}", name)


def _repeats(capture: Capture, location: Location, values: FloatArray, name: str) -> Problem | None:
    repeats = repeated_blocks(values)
    if not repeats:
        return None
    first = repeats[0]
    seconds = (location.start + first.start) / capture.rate_hz
    return Problem(
        "repeated_block",
        f"{first.length} frames at {seconds:.3f} s are an exact copy of those before them"
        f"{f', and {len(repeats) - 1} more such places' if len(repeats) > 1 else ''}. {UNREPORTED}",
        name,
    )


def _held(capture: Capture, location: Location, values: FloatArray, index: int, name: str) -> Problem | None:
    """Find a stretch of one value where the signal should move: a hole filled with zeros or with the last sample."""
    for start, stop, tones in _driven(location, index, len(values)):
        inside = values[start - location.start : stop - location.start]
        least = 0.001 * capture.rate_hz
        if tones:
            least = max(least, HELD_PERIODS * capture.rate_hz / min(tones))
        found = held_stretch(inside, round(max(32.0, least)))
        if found is None:
            continue
        frame, length = found
        return Detailed(
            "dropout",
            f"one value for {1e3 * length / capture.rate_hz:.2f} ms from {(start + frame) / capture.rate_hz:.3f} s: "
            f"a stretch is missing. {UNREPORTED}",
            name,
            sort="held",
        )
    return None


def _driven(location: Location, index: int, frames: int) -> list[tuple[int, int, tuple[float, ...]]]:
    """Return where a channel is driven, from frame to frame, and the tones that it has throughout.

    Where another channel has its turn this one may be as still as it likes.
    """
    own = [stretch for stretch in location.stretches if any(stretch.tones_hz)]
    if all(stretch.tones_hz[index] for stretch in own):
        tones = location.tones_hz[index] if index < len(location.tones_hz) else ()
        return [(location.start, location.start + frames, tones)]
    return [(turn.start, turn.stop, turn.tones_hz[index][:1]) for turn in own if turn.tones_hz[index]]


def _dropout(capture: Capture, stretch: Stretch, channel: int, name: str) -> Problem | None:
    tones = np.array(stretch.tones_hz[channel] if channel < len(stretch.tones_hz) else ())
    if not len(tones) or stretch.stop <= stretch.start:
        return None
    narrowed = capture.narrowed(max(BREAKS_UP_TO_HZ, 1.05 * float(np.max(tones))))
    found = breaks(narrowed.between(channel, stretch.start, stretch.stop), tones / narrowed.rate_hz)
    if not found:
        return None
    worst = max(found, key=lambda entry: abs(entry.size))
    jump = worst.size * narrowed.factor if worst.kind == "jump" else None
    message = f"{_words(worst, stretch.start, narrowed)}. {UNREPORTED}"
    return Detailed("dropout", message, name, sort=worst.kind, frames=jump, rate_hz=capture.rate_hz)


def _words(found: Break, start: int, narrowed: Narrowed) -> str:
    seconds = narrowed.seconds(start, found.frame)
    frames = abs(found.size) * narrowed.factor
    if found.kind == "jump" and frames >= 0.5:
        direction = "late" if found.size > 0.0 else "early"
        return f"the stimulus comes {frames:.1f} frames too {direction} from {seconds:.3f} s on"
    if found.kind == "turn":
        return (
            f"the tones do not go on as they began, about {seconds:.3f} s: a stretch is missing or repeated"
        )
    if found.kind == "step":
        return f"the level of the stimulus changes by {abs(100.0 * found.size):.2g} % at {seconds:.3f} s"
    if found.kind == "hole":
        return f"the level of the stimulus is not steady: {percent_off(found.size)} at {seconds:.3f} s"
    return f"a few samples at {seconds:.3f} s do not belong to the stimulus"
