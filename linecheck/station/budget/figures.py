"""The figures of a self-check that a limit file's masks are assessed against.

=========================  =============  ========================================================
``gain``, ``level``      dB, dBFS       the loop's gain; the tone as captured
``noise``, ``noise_a``   dBFS           in silence, and A-weighted
``noise_468``            dBFS           with the curve of BS.468, rms
``hum``, ``quiet_line``  dBFS           mains products in silence; its highest line
``distortion``           dB             harmonics of a tone near full scale, re it
``noise_with_tone``      dB             noise beside it, re it
``spur``                 dB             highest line beside it, re it
``imd``, ``imd_2``       dB             intermodulation of 60 Hz and 7 kHz, and of its second
``imd_3``, ``best_imd``  dB             and third order; at the level where it is least
``difference_imd`` …     dB             the same of 18 and 20 kHz
``residue``              dBFS           highest point between 32 tones
``residue_power``        dBFS           all that lies between them
``linearity``            dB             largest gain error over level
``ultrasonic_noise``     dBFS           above 20 kHz while noise plays
``ultrasonic_band``      dBFS           its strongest third octave
``crosstalk``            dB             another channel's signal, re it
``ripple``               dB             greatest level in the band over the least
``clock``                ppm            the capture's clock beside the playback's
``balance``              dB             the first channel over the second
``delay``                frames         the second channel after the first
``dc_offset``            of full scale  direct voltage beside the tone
``peak_outside``         of full scale  highest peak outside of the silence that is measured
``jitter``               ps             peak, of the strongest pair of sidebands
``sideband``, ``skirt``  dB             of the jitter test tone, re it
``lone_spur``            dB             highest line on one side of it
=======================  =============  ========================================================

Nothing is in volts: a figure is of the capture as it is, and what a volt is there a calibration may say later.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np

from linecheck.checks.base import Curve, Measurement, Reading
from linecheck.checks.parts.readings import DB_PER_NEPER
from linecheck.dsp.fits.multitone import ALL_TONES_DB, PEAK_OF_UNIT_TONES
from linecheck.limits.model import Check
from linecheck.limits.regression import Measured

#: By name, one a channel in their order (one alone for the pair); None where it could not be measured.
Figures = Mapping[str, tuple[Measured | None, ...]]

#: The level of the jitter test tone.
JITTER_DBFS: Final = -3.01
#: How far one of the 32 tones is below their peak.
ONE_OF_MANY_DB: Final = 20.0 * math.log10(PEAK_OF_UNIT_TONES)

#: To what a reading is added: ``tone``, the loop's tone as captured; ``played``, what the play refers to as captured;
#: ``all_played``, all of its 32 tones.
_Plus = Literal["", "tone", "played", "all_played"]


@dataclass(frozen=True)
class _Source:
    """Where a figure comes from: a reading of a play times ``factor``, or the highest point of a curve.

    A curve is looked at from ``from_hz`` on. ``log`` says that the reading is an rms value of full scale.
    """

    play: str
    metric: str
    factor: float = 1.0
    plus: _Plus = ""
    from_hz: float = 0.0
    log: bool = False


_OF_EACH: Final = {
    "level": _Source("tone", "level_dbfs"),
    "distortion": _Source("tone", "thd"),
    "noise_with_tone": _Source("tone", "noise"),
    "spur": _Source("tone", "largest_spur"),
    "clock": _Source("tone", "clock_error"),
    "dc_offset": _Source("tone", "dc_offset", 1e-3),
    "noise": _Source("quiet", "snr", -1.0, "tone"),
    "noise_a": _Source("quiet", "snr_a", -1.0, "tone"),
    "noise_468": _Source("quiet", "noise_ccir_rms", 1e-6, log=True),
    "hum": _Source("quiet", "hum", plus="tone"),
    "quiet_line": _Source("quiet", "spectrum", plus="tone"),
    "peak_outside": _Source("quiet", "peak_outside"),
    "crosstalk": _Source("crosstalk", "separation", -1.0),
    "ripple": _Source("to_edge", "ripple"),
    "jitter": _Source("jitter", "paired_jitter"),
    "sideband": _Source("jitter", "largest_sideband"),
    "lone_spur": _Source("jitter", "lone_spur"),
    "skirt": _Source("jitter", "skirt"),
    **{name: _Source("intermodulation", name) for name in ("imd", "imd_2", "imd_3", "best_imd")},
    **{f"difference_{name}": _Source("difference", name) for name in ("imd", "imd_2", "imd_3", "best_imd")},
    "residue": _Source("multitone", "clean_range", -1.0, "played"),
    "residue_power": _Source("multitone", "distortion_noise", plus="all_played"),
    "linearity": _Source("linearity", "largest_error"),
    "ultrasonic_noise": _Source("ultrasonic", "noise_20k_100k", plus="played"),
    "ultrasonic_band": _Source("ultrasonic", "band_levels", plus="played", from_hz=20_000.0),
}
_OF_THE_PAIR: Final = {
    "balance": _Source("tone", "balance"),
    "delay": _Source("wiring", "channel_delay"),
}


def reference_dbfs(check: Check) -> float:
    """Return the level that a check's ratios refer to, as it is played, dBFS: of a sine or of noise, or of one tone."""
    if check.kind.name == "jitter":
        return JITTER_DBFS
    level = float(getattr(check.stimulus, "level_dbfs", 0.0))
    return level - ONE_OF_MANY_DB if check.kind.name == "multitone" else level


def path_figures(
    taken: Mapping[str, Measurement], channels: tuple[str, ...], played_dbfs: Mapping[str, float]
) -> Figures:
    """Return the figures of a loop.

    Parameters
    ----------
    taken : mapping of str to Measurement
        By play, of captures whose full scale counts as one volt.
    channels : tuple of str
    played_dbfs : mapping of str to float
        By play: the level that its readings refer to as it was played, dBFS.
    """
    levels = {channel: _figure(taken, _OF_EACH["level"], channel) for channel in channels}
    gains = {channel: _shifted(level, -played_dbfs["tone"]) for channel, level in levels.items()}

    def figure(source: _Source, channel: str) -> Measured | None:
        found = _figure(taken, source, channel)
        if source.plus == "tone":
            level = levels[channel]
            return _shifted(found, None if level is None else level.value)
        if source.plus and source.play in played_dbfs:
            gain, more = gains[channel], ALL_TONES_DB * (source.plus == "all_played")
            return _shifted(found, None if gain is None else gain.value + played_dbfs[source.play] + more)
        return found

    return {
        "gain": tuple(gains.values()),
        **{name: tuple(figure(source, channel) for channel in channels) for name, source in _OF_EACH.items()},
        **{name: (_figure(taken, source, None),) for name, source in _OF_THE_PAIR.items()},
    }


def _figure(taken: Mapping[str, Measurement], source: _Source, channel: str | None) -> Measured | None:
    measurement = taken.get(source.play)
    if measurement is None or any(problem.blocks for problem in measurement.problems):
        return None
    for reading in measurement.readings:
        if (reading.metric, reading.channel) == (source.metric, channel):
            return _of_reading(reading, source)
    for curve in measurement.curves:
        if (curve.metric, curve.channel) == (source.metric, channel):
            return _highest(curve, source.from_hz)
    return None


def _of_reading(reading: Reading, source: _Source) -> Measured | None:
    # Of what is in volts that nobody has calibrated only how well it repeats is known, and that is what counts here.
    spread = reading.repeatability if reading.uncertainty is None else reading.uncertainty
    if reading.value is None or spread is None:
        return None
    value, uncertainty = source.factor * reading.value, abs(source.factor) * spread
    if not source.log:
        return Measured(value, uncertainty, reading.is_bound)
    if not value > 0.0:
        return None
    # Re the rms value of a full-scale sine.
    return Measured(
        20.0 * math.log10(value * math.sqrt(2.0)), DB_PER_NEPER * uncertainty / value, reading.is_bound
    )


def _highest(curve: Curve, from_hz: float) -> Measured | None:
    inside = np.flatnonzero(curve.x >= from_hz)
    if not len(inside):
        return None
    place = inside[np.argmax(curve.y[inside])]
    uncertainty = 0.0 if curve.uncertainty is None else float(curve.uncertainty[place])
    return Measured(float(curve.y[place]), uncertainty)


def _shifted(figure: Measured | None, by: float | None) -> Measured | None:
    return None if figure is None or by is None else replace(figure, value=figure.value + by)


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


def _read(entry: object) -> Measured | None:
    if not isinstance(entry, dict):
        return None
    numbers = [entry.get(name) for name in ("value", "uncertainty")]
    if not all(isinstance(number, float | int) and math.isfinite(number) for number in numbers):
        return None
    value, uncertainty = (float(number) for number in numbers if isinstance(number, float | int))
    return Measured(value, uncertainty, entry.get("is_bound") is True)
