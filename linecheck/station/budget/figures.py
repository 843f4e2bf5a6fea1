"""What a self-check says of the path in numbers that a limit file's masks can be held against.

==========================  =====================================================================
:func:`path_figures`        the figures of a loop, from what was measured of each play
:func:`figures_content`     as plain data, for the log
:func:`read_figures`        from plain data; nothing where a record says nothing of it
==========================  =====================================================================

========================  ======  ===============================================================
``gain``, ``level``       dB      the loop's gain; the tone as captured, re full scale
``noise``, ``noise_a``    dBFS    in silence, and A-weighted
``hum``                   dBFS    mains products in silence
``distortion``            dB      harmonics of a tone near full scale, re it
``noise_with_tone``       dB      noise beside it, re it
``spur``                  dB      highest line beside it, re it
``crosstalk``             dB      another channel's signal, re it
``ripple``                dB      greatest level in the band over the least
``clock``                 ppm     the capture's clock beside the playback's
``balance``               dB      the first channel over the second
``delay``                 frames  the second channel after the first
``jitter``                ps      peak, of the strongest pair of sidebands
``sideband``, ``skirt``   dB      of the jitter test tone, re it
``lone_spur``             dB      highest line on one side of it
========================  ======  ===============================================================
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from linecheck.checks.base import Measurement, Reading

__all__ = ["Figure", "Figures", "figures_content", "path_figures", "read_figures"]


@dataclass(frozen=True)
class Figure:
    """One number of one channel, with its standard uncertainty (k = 1); ``is_bound``: it is this or better."""

    value: float
    uncertainty: float
    is_bound: bool = False


#: By name, one a channel in their order (one alone for the pair); None where it could not be measured.
Figures = Mapping[str, tuple[Figure | None, ...]]

#: By name: the play, the metric, its sign. Those of the second table are measured re the tone, and given re full scale.
_RE_TONE: Final = {
    "level": ("tone", "level_dbfs", 1.0),
    "distortion": ("tone", "thd", 1.0),
    "noise_with_tone": ("tone", "noise", 1.0),
    "spur": ("tone", "largest_spur", 1.0),
    "crosstalk": ("crosstalk", "crosstalk", -1.0),
    "ripple": ("to_edge", "ripple", 1.0),
    "jitter": ("jitter", "paired_jitter", 1.0),
    "sideband": ("jitter", "largest_sideband", 1.0),
    "lone_spur": ("jitter", "lone_spur", 1.0),
    "skirt": ("jitter", "skirt", 1.0),
    "clock": ("tone", "clock_error", 1.0),
}
#: Of the pair.
_OF_THE_PAIR: Final = {"balance": ("tone", "balance"), "delay": ("wiring", "channel_delay")}
_RE_FULL_SCALE: Final = {
    "noise": ("quiet", "snr", -1.0),
    "noise_a": ("quiet", "snr_a", -1.0),
    "hum": ("quiet", "hum", 1.0),
}


def path_figures(taken: Mapping[str, Measurement], channels: tuple[str, ...], tone_dbfs: float) -> Figures:
    """Return the figures of a loop.

    Parameters
    ----------
    taken : mapping of str to Measurement
        By play.
    channels : tuple of str
    tone_dbfs : float
        Level of the tone as it was played.
    """
    found: dict[str, tuple[Figure | None, ...]] = {
        name: tuple(_figure(taken, play, metric, channel, sign) for channel in channels)
        for name, (play, metric, sign) in _RE_TONE.items()
    }
    levels = found["level"]
    found["gain"] = tuple(_shifted(level, -tone_dbfs) for level in levels)
    for name, (play, metric, sign) in _RE_FULL_SCALE.items():
        plain = [_figure(taken, play, metric, channel, sign) for channel in channels]
        found[name] = tuple(
            None if level is None else _shifted(figure, level.value)
            for figure, level in zip(plain, levels, strict=True)
        )
    for name, (play, metric) in _OF_THE_PAIR.items():
        found[name] = (_figure(taken, play, metric, None, 1.0),)
    return found


def _figure(
    taken: Mapping[str, Measurement], play: str, metric: str, channel: str | None, sign: float
) -> Figure | None:
    measurement = taken.get(play)
    if measurement is None or any(problem.blocks for problem in measurement.problems):
        return None
    for entry in measurement.readings:
        if (entry.metric, entry.channel) == (metric, channel):
            return _of_reading(entry, sign)
    return None


def _of_reading(reading: Reading, sign: float) -> Figure | None:
    if reading.value is None or reading.uncertainty is None:
        return None
    return Figure(sign * reading.value, reading.uncertainty, reading.is_bound)


def _shifted(figure: Figure | None, by: float) -> Figure | None:
    return None if figure is None else Figure(figure.value + by, figure.uncertainty, figure.is_bound)


def figures_content(figures: Figures) -> dict[str, list[dict[str, Any] | None]]:
    """Return figures as plain data."""
    return {
        name: [None if entry is None else vars(entry) for entry in entries]
        for name, entries in figures.items()
    }


def read_figures(content: object) -> Figures | None:
    """Return figures from plain data; None where there are none, as in records of earlier versions."""
    if not isinstance(content, dict) or not content:
        return None
    return {
        name: tuple(map(_read, entries)) for name, entries in content.items() if isinstance(entries, list)
    }


def _read(entry: object) -> Figure | None:
    if not isinstance(entry, dict):
        return None
    numbers = [entry.get(name) for name in ("value", "uncertainty")]
    if not all(isinstance(number, float | int) and math.isfinite(number) for number in numbers):
        return None
    value, uncertainty = (float(number) for number in numbers if isinstance(number, float | int))
    return Figure(value, uncertainty, entry.get("is_bound") is True)
