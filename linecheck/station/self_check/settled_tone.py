"""The tone check, measured clear of a slow fade-out: a station may ask for long ramps."""

from __future__ import annotations

from dataclasses import replace

from linecheck.checks.base import Capture, Location
from linecheck.checks.parts.steady import SETTLE_SECONDS, last_settled, locate_tone
from linecheck.checks.tone import ToneKind, ToneParameters

__all__ = ["SETTLED_TONE", "SettledTone"]


class SettledTone(ToneKind):
    """The tone check; what is measured ends some time before the tone does."""

    def locate(self, capture: Capture, parameters: ToneParameters, channels: tuple[str, ...]) -> Location:
        """Find the sine, and the inside of where it has settled."""
        seconds = parameters.seconds + SETTLE_SECONDS
        found = locate_tone(capture, [parameters.frequency_hz] * len(channels), seconds, channels)
        start, stop = last_settled(found.start, found.stop, parameters.seconds, capture.rate_hz)
        return replace(found, start=start, stop=stop)


SETTLED_TONE = SettledTone()
