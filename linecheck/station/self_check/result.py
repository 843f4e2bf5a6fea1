"""The result of a self-check: steps, each with its numbers, its limits and one plain sentence."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from linecheck.files.times import utc_text
from linecheck.station.budget.figures import Figures, figures_content

#: What a step, or the whole check, came to. What was not measured is never met.
Word = Literal["met", "not met", "not done"]
MET: Word = "met"
NOT_MET: Word = "not met"
NOT_DONE: Word = "not done"

_BADNESS: Mapping[Word, int] = {MET: 0, NOT_DONE: 1, NOT_MET: 2}


@dataclass(frozen=True)
class Measured:
    """A number with its limits.

    Attributes
    ----------
    what : str
        What was measured, in words.
    channel : str or None
        None for a number of all channels.
    value : float or None
        None where it could not be had.
    unit : str
    low, high : float or None
        Between these it is right.
    uncertainty : float or None
        Standard uncertainty (k = 1).
    is_bound : bool
        Whether the truth is this or better.
    """

    what: str
    channel: str | None
    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    uncertainty: float | None = None
    is_bound: bool = False

    def __post_init__(self) -> None:
        """Take what is no finite number as missing: it is never stored, and never right."""
        for name in ("value", "uncertainty"):
            number = getattr(self, name)
            finite = number is not None and math.isfinite(number)
            object.__setattr__(self, name, float(number) if finite else None)
        object.__setattr__(self, "is_bound", bool(self.is_bound))

    @property
    def verdict(self) -> Word:
        """Whether it is within its limits; a bound outside them says nothing."""
        if self.value is None:
            return NOT_DONE
        inside = (self.low is None or self.value >= self.low) and (
            self.high is None or self.value <= self.high
        )
        return MET if inside else NOT_DONE if self.is_bound else NOT_MET

    @property
    def excess(self) -> float:
        """How far outside its limits it is, in its unit; 0 inside."""
        if self.value is None:
            return 0.0
        below = 0.0 if self.low is None else self.low - self.value
        above = 0.0 if self.high is None else self.value - self.high
        return max(0.0, below, above)


@dataclass(frozen=True)
class Step:
    """One thing that a station must show.

    ``sentence`` says what was seen; ``cure`` what to do where it is not met or not done.
    """

    name: str
    verdict: Word
    sentence: str
    measured: tuple[Measured, ...] = ()
    cure: str = ""

    def content(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "name": self.name,
            "verdict": self.verdict,
            "sentence": self.sentence,
            "cure": self.cure,
            "measured": [vars(entry) | {"verdict": entry.verdict} for entry in self.measured],
        }


def step(
    name: str,
    measured: Sequence[Measured],
    good: str,
    bad: str,
    *,
    cure: str = "",
    why_missing: str = "",
) -> Step:
    """Return a step from its numbers: the worst of them decides, and none at all is not done.

    ``good`` and ``bad`` are its sentence where it is met and where it is not, ``why_missing`` where a number lacks.
    """
    words = [entry.verdict for entry in measured]
    verdict = _worst(words)
    sentence = {MET: good, NOT_MET: bad, NOT_DONE: why_missing or "it could not be measured"}[verdict]
    return Step(name, verdict, sentence, tuple(measured), "" if verdict == MET else cure)


@dataclass(frozen=True)
class Audio:
    """What was played and what came back, by the hashes of their samples; seconds of the stimulus."""

    stimulus_sha256: str
    capture_sha256: str
    seconds: float


@dataclass(frozen=True)
class SelfCheck:
    """A station's self-check.

    Attributes
    ----------
    station, kind : str
        The station's name; its loop, ``analogue`` or ``digital``.
    steps : tuple of Step
        In the order in which they were taken.
    started, finished : datetime
        UTC.
    software, station_config_sha256 : str
    interface : mapping
        What the interface said of itself at the start.
    rate_hz, capture_rate_hz, bits : int
        What was played, and captured at.
    audio : mapping of str to Audio
        By what was played.
    every_hours : float or None
        How long the station may rely on it.
    stopped : bool
        Whether somebody stopped it.
    figures : Figures
        What masks can be held against; none of a digital loop.
    """

    station: str
    kind: str
    steps: tuple[Step, ...]
    started: datetime
    finished: datetime
    software: str
    station_config_sha256: str
    interface: Mapping[str, str]
    rate_hz: int
    capture_rate_hz: int
    bits: int
    audio: Mapping[str, Audio] = field(default_factory=dict)
    every_hours: float | None = None
    stopped: bool = False
    figures: Figures = field(default_factory=dict)

    @property
    def verdict(self) -> Word:
        """Met where every step is, and nobody stopped it."""
        words = [entry.verdict for entry in self.steps]
        if self.stopped or not words:
            words.append(NOT_DONE)
        return _worst(words)

    @property
    def seconds(self) -> float:
        """Playing time of everything that was played."""
        return sum(entry.seconds for entry in self.audio.values())

    def worst_first(self) -> tuple[Step, ...]:
        """Return the steps, the worst first, otherwise in their order."""
        return tuple(sorted(self.steps, key=lambda entry: -_BADNESS[entry.verdict]))

    def content(self) -> dict[str, Any]:
        """Return it as plain data, as the log and files have it."""
        return {
            "format": 1,
            "station": self.station,
            "loop": self.kind,
            "verdict": self.verdict,
            "stopped": self.stopped,
            "started": utc_text(self.started),
            "finished": utc_text(self.finished),
            "every_hours": self.every_hours,
            "software": self.software,
            "station_config_sha256": self.station_config_sha256,
            "interface": dict(self.interface),
            "rate_hz": self.rate_hz,
            "capture_rate_hz": self.capture_rate_hz,
            "bits": self.bits,
            "steps": [entry.content() for entry in self.steps],
            "path": figures_content(self.figures),
            "audio": {name: vars(entry) for name, entry in self.audio.items()},
        }


def _worst(words: Iterable[Word]) -> Word:
    """Return the worst of some words; ``not done`` of none."""
    return max(words, key=lambda word: _BADNESS[word], default=NOT_DONE)
