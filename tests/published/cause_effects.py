"""Faults by cause code: what a unit does to its words by a setting, a coder or a second clock.

Each enters itself in :data:`cause_made.FAULTS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from cause_bench import Array, Bench, Moment, Words
from cause_made import MEMORY, Made, Maker, fault, logs, on_words, ringing_out, some
from cause_tools import mp3, sox

#: Ahead of effects that raise the level, taken back behind them.
ROOM = 0.4


def effects(bench: Bench, *words_of_sox: str) -> Made:
    """Return a unit whose words go through effects of sox."""

    def stage(words: Words, moment: Moment) -> Words:
        values = sox(ROOM * words.values, words.rate_hz, *words_of_sox) / ROOM
        return replace(words, values=values[:, : max(words.values.shape[1], 1)])

    source = f"sox {words_of_sox[0]}"
    return Made(bench.adding(words=ringing_out(stage)), None, False, " ".join(words_of_sox), source)


def codec(coder: Callable[[Array, float, int], Array], name: str, rates: tuple[int, ...]) -> Maker:
    """Return what puts a unit's words through a lossy coder."""

    def make(bench: Bench, draw: np.random.Generator) -> Made:
        kbit = int(draw.choice(rates))

        def stage(words: Words, moment: Moment) -> Words:
            return replace(words, values=coder(words.values, words.rate_hz, kbit))

        return Made(bench.adding(words=ringing_out(stage)), None, False, f"{name} {kbit} kbit/s", name)

    return make


fault("lossy_coding")(codec(mp3, "MP3 (LAME 3.100)", (128, 160, 192, 224, 256, 320)))


@fault("room_effect")
def _room_effect(bench: Bench, draw: np.random.Generator) -> Made:
    if draw.uniform() < 0.5:
        late, level = f"{draw.uniform(5, 60):.1f}", f"{logs(draw, 0.01, 0.3):.4f}"
        return effects(bench, "echo", "1.0", "0.9", late, level)
    size, level = f"{draw.uniform(10, 60):.0f}", f"{draw.uniform(-9.9, -1.0):.1f}"
    return effects(bench, "reverb", size, "50", "30", "100", "0", level)


@fault("unequal_halves")
def _unequal_halves(bench: Bench, draw: np.random.Generator) -> Made:
    """One half of the wave is larger than the other: a part of |x| besides x, even harmonics at every level."""
    channels, name = some(draw)
    part = logs(draw, 1e-4, 0.05)
    bench = bench.adding(dense=lambda x, rate, moment: x + part * channels * np.abs(x))
    return Made(bench, name, part < 2e-4, f"{part:.2g} of |x|", "Fourier series of a rectified sine")


@fault("two_clocks")
def _two_clocks(bench: Bench, draw: np.random.Generator) -> Made:
    """Source and unit run on clocks of their own: every so many words one is left out, or taken twice."""
    off = logs(draw, 4e-5, 4e-4) * draw.choice((-1.0, 1.0))

    def stage(x: Array, moment: Moment) -> Array:
        count = x.shape[1]
        places = np.floor(np.arange(count) * (1.0 + off) + moment.noise.uniform())
        return x[:, np.clip(places, 0, count - 1).astype(np.int64)]

    return Made(bench.adding(words=on_words(stage)), None, False, f"{1e6 * off:.0f} ppm", MEMORY)
