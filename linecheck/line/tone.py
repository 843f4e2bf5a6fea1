"""A tone that tells the verdict, on a device that is named for it and is not in the test path.

It goes on beside everything else: what it fails at is logged, and changes nothing of a run.
"""

from __future__ import annotations

import logging
import threading
from typing import TYPE_CHECKING, Final

import numpy as np

from linecheck.line.events import Event, UnitRefused, VerdictKnown
from linecheck.run.model import HOLD

if TYPE_CHECKING:
    from linecheck.dsp.arrays import FloatArray
    from linecheck.station.config.screen import ScreenConfig

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())

_RATE_HZ: Final = 48_000
_RAMP_SECONDS: Final = 0.01
#: Notes (Hz, s) by what is told: they differ in number and rhythm as well as in pitch, for whoever hears pitches badly.
_NOTES: Final = {
    "pass": ((880.0, 0.15),),
    "fail": ((330.0, 0.25), (0.0, 0.1), (330.0, 0.25), (0.0, 0.1), (330.0, 0.25)),
    "hold": ((660.0, 0.12), (0.0, 0.08), (660.0, 0.12)),
    "else": ((440.0, 0.5),),
}


class VerdictTone:
    """A listener that plays a tone with each verdict, where the config names a device for it."""

    def __init__(self, config: ScreenConfig) -> None:
        self._device = config.tone_device
        self._amplitude = 10.0 ** (config.tone_level_dbfs / 20.0)

    def __call__(self, event: Event) -> None:
        """Play what an event is told by."""
        word = _word(event)
        if self._device is not None and word:
            threading.Thread(target=self._play, args=(word,), name="tone", daemon=True).start()

    def _play(self, word: str) -> None:
        try:
            import sounddevice

            samples = self._amplitude * tone(word)
            with sounddevice.OutputStream(
                _RATE_HZ, device=self._device, channels=1, dtype="float32"
            ) as stream:
                stream.write(np.ascontiguousarray(samples, dtype=np.float32))
        except Exception:
            _log.exception("the tone could not be played on %s", self._device)


def _word(event: Event) -> str:
    if isinstance(event, UnitRefused):
        return "else"
    if not isinstance(event, VerdictKnown) or event.run.purpose != "unit":
        return ""
    if event.verdict is not event.run.verdict:
        return "else"
    return {"pass": "pass", "marginal": "pass", "fail": "fail", HOLD: "hold"}.get(event.run.state, "else")


def tone(word: str) -> FloatArray:
    """Return the notes of a verdict, full scale 1.0, at 48 kHz; each rises and falls without a click."""
    parts = []
    for frequency_hz, seconds in _NOTES[word]:
        time_s = np.arange(round(seconds * _RATE_HZ)) / _RATE_HZ
        edge = np.minimum(time_s, seconds - time_s) / _RAMP_SECONDS
        parts.append(np.sin(2.0 * np.pi * frequency_hz * time_s) * np.clip(edge, 0.0, 1.0))
    return np.concatenate(parts)
