"""What faults by cause code are made with: the table that they are entered in, their sizes, their channels.

:data:`FAULTS` holds a maker by code. A maker takes a healthy :class:`~cause_bench.Bench` and a generator, draws a size
from a wide range, and returns a :class:`Made`. Sizes are drawn evenly over their logarithm unless said.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from cause_bench import Array, Bench, Moment, Words, WordStage

#: In the order of their indices.
CHANNELS = ("left", "right")
TRADE = "common practice, no source"
MEMORY = "closed form, from memory"
FULL_PEAK = 4.0 * np.sqrt(2.0)


@dataclass(frozen=True)
class Made:
    """A bench with a fault: the channel that alone is hit, the fault's size in words, and whether that is weak.

    Weak is what is less than twice as large as the least that the masks of the model would not pass, or passes them.
    """

    bench: Bench
    channel: str | None
    weak: bool
    size: str
    source: str


Maker = Callable[[Bench, np.random.Generator], Made]
FAULTS: dict[str, Maker] = {}


def fault(code: str) -> Callable[[Maker], Maker]:
    """Return what enters a maker under its code."""

    def enter(maker: Maker) -> Maker:
        FAULTS[code] = maker
        return maker

    return enter


def logs(draw: np.random.Generator, low: float, high: float) -> float:
    """Return a number from a range, even over its logarithm."""
    return float(np.exp(draw.uniform(np.log(low), np.log(high))))


def db(value: float) -> float:
    """Return the ratio of amplitudes that these decibels are."""
    return float(10.0 ** (value / 20.0))


def either(draw: np.random.Generator) -> tuple[int, str]:
    """Return one channel's index and name."""
    index = int(draw.integers(2))
    return index, CHANNELS[index]


def some(draw: np.random.Generator, alone: float = 0.5) -> tuple[Array, str | None]:
    """Return how much of a fault each channel has, shape (2, 1): one has it alone, or both about alike."""
    index, name = either(draw)
    if draw.uniform() < alone:
        return np.eye(2)[index][:, None], name
    return (1.0 + 0.1 * draw.standard_normal((2, 1))), None


def on_words(change: Callable[[Array, Moment], Array]) -> Callable[[Words, Moment], Words]:
    """Return a stage of words that leaves their rate."""
    return lambda words, moment: replace(words, values=change(words.values, moment))


def ringing_out(stage: WordStage) -> WordStage:
    """Return a stage of words with 50 ms of silence before and after them, so that what it does is not cut off."""

    def longer(words: Words, moment: Moment) -> Words:
        count = round(0.05 * words.rate_hz)
        return stage(replace(words, values=np.pad(words.values, ((0, 0), (count, count)))), moment)

    return longer


def unit_with(bench: Bench, **changes: object) -> Bench:
    """Return a bench whose unit differs in these fields."""
    return replace(bench, unit=replace(bench.unit, **changes))


def rounded(values: Array, bits: int) -> Array:
    """Return values rounded to words of so many bits, without dither."""
    top = 2.0 ** (bits - 1)
    return np.clip(np.rint(values * top), -top, top - 1.0) / top


def some_checks(bench: Bench, draw: np.random.Generator, least: float) -> frozenset[str]:
    """Return the names of some checks, from a part of them to all, and one at least that plays a tone throughout."""
    names = [check.name for check in bench.limits.checks]
    part = draw.uniform(least, 1.0)
    sure = str(draw.choice(("tone", "multitone", "jitter", "reconstruction")))
    return frozenset((sure, *(name for name in names if draw.uniform() < part)))
