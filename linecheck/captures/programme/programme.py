"""Test programmes: all checks of a limit file one after the other, for a standalone source.

===========================  =====================================================================
:func:`make_programme`       what a limit file's programme plays, at one rate and word length
:meth:`Programme.layout`     which segment begins when
:meth:`Programme.blocks`     its samples, piece by piece
===========================  =====================================================================

A segment is a mark (:mod:`linecheck.dsp.locating.marks`), 0.12 s of digital silence (less than the 8192 samples after
which converters mute by themselves), the stimulus, sample for sample what a run plays, and digital silence. Mark and
stimulus belong together: segments may be played in any order, repeated or left out.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from linecheck.captures.changed_stimulus import with_stimulus
from linecheck.dsp.locating.marks import (
    FORMAT,
    MARK_SECONDS,
    MAX_SEGMENTS,
    RATES_HZ,
    MarkCode,
    mark_signal,
    wake_tone,
)
from linecheck.dsp.quantise import quantise
from linecheck.errors import UsageError
from linecheck.files.faults import did_you_mean
from linecheck.files.yaml import shown
from linecheck.limits.loading.measurable import never_judged
from linecheck.limits.model import Check, LimitFile
from linecheck.run.plan import DEFAULT_RAMP_SECONDS, PlannedCheck, make_plan, playing_order

IntBlock = NDArray[np.int32]

#: Silence between a mark's end and its stimulus.
BEFORE_STIMULUS_SECONDS = 0.12
#: Silence after a stimulus, and more of it after a long one: the recorder's clock may differ.
AFTER_STIMULUS_SECONDS = 0.6
AFTER_STIMULUS_SHARE = 0.003
#: Lead-in: silence, a tone that wakes the output up, silence. A source that swallows its start swallows only this.
LEAD_IN_SECONDS = (0.3, 1.2, 0.5)
#: The same for a file that holds one segment.
TRACK_LEAD_IN_SECONDS = (0.2, 0.6, 0.2)
TAIL_SECONDS = 1.0

_NOTHING: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Segment:
    """One check of a programme, and its number in it."""

    number: int
    planned: PlannedCheck

    @property
    def name(self) -> str:
        """Name of the check."""
        return self.planned.check.name

    @property
    def seconds(self) -> float:
        """Length of the stimulus."""
        return self.planned.stimulus.seconds


@dataclass(frozen=True)
class Placed:
    """A segment in a programme: frames of its mark, of its stimulus, and one past the stimulus's last."""

    segment: Segment
    mark: int
    start: int
    stop: int


@dataclass(frozen=True)
class Programme:
    """All that a limit file can play at one rate and word length.

    Attributes
    ----------
    limits : LimitFile
        As it was loaded.
    rate_hz, bits, channels : int
    ident : int
        24 bits of a hash over everything that is played: names, rate, word length, stimuli. What is left out of a
        programme does not change it, nor do masks.
    segments : tuple of Segment
        In the order of playing.
    impossible : mapping of str to str
        The checks that cannot be played at this rate and word length, and why.
    unjudged : mapping of str to str
        The checks that can, but with masks that nothing played like this could meet, and why.
    """

    limits: LimitFile
    rate_hz: int
    bits: int
    channels: int
    ident: int
    segments: tuple[Segment, ...]
    impossible: Mapping[str, str]
    unjudged: Mapping[str, str]

    def layout(self, without: Collection[str] = _NOTHING) -> tuple[Placed, ...]:
        """Return where each segment lies, in frames from the programme's beginning."""
        place = sum(self._frames(seconds) for seconds in LEAD_IN_SECONDS)
        placed = []
        for segment in self._played(without):
            start = place + self._mark_frames()
            stop = start + len(segment.planned.stimulus.samples)
            placed.append(Placed(segment, place, start, stop))
            place = stop + self._after_frames(segment)
        return tuple(placed)

    def frames(self, without: Collection[str] = _NOTHING) -> int:
        """Return the length of the whole programme."""
        placed = self.layout(without)
        last = placed[-1].stop + self._after_frames(placed[-1].segment) if placed else 0
        return last + self._frames(TAIL_SECONDS)

    def blocks(self, without: Collection[str] = _NOTHING) -> Iterator[IntBlock]:
        """Yield the programme, left-justified, shape (frames, channels) each."""
        played = self._played(without)
        yield from self._lead_in(LEAD_IN_SECONDS)
        for segment in played:
            yield from self._segment(segment, len(played))
        yield self._silence(self._frames(TAIL_SECONDS))

    def track(self, segment: Segment, without: Collection[str] = _NOTHING) -> IntBlock:
        """Return one segment with a lead-in of its own, for a player that plays files one by one."""
        count = len(self._played(without))
        return np.concatenate((*self._lead_in(TRACK_LEAD_IN_SECONDS), *self._segment(segment, count)))

    def _played(self, without: Collection[str]) -> list[Segment]:
        return [segment for segment in self.segments if segment.name not in without]

    def _segment(self, segment: Segment, count: int) -> Iterator[IntBlock]:
        code = MarkCode(self.ident, self.rate_hz, self.bits, segment.number, count)
        marks = [mark_signal(code, channel, self.rate_hz) for channel in range(self.channels)]
        mark = quantise(np.stack(marks, axis=1), self.bits, segment.number)
        yield mark
        yield self._silence(self._mark_frames() - len(mark))
        yield segment.planned.stimulus.samples
        yield self._silence(self._after_frames(segment))

    def _lead_in(self, seconds: tuple[float, float, float]) -> Iterator[IntBlock]:
        before, sounding, after = seconds
        tone = wake_tone(self.rate_hz, sounding)
        yield self._silence(self._frames(before))
        yield quantise(np.repeat(tone[:, None], self.channels, axis=1), self.bits, self.ident)
        yield self._silence(self._frames(after))

    def _silence(self, frames: int) -> IntBlock:
        return np.zeros((frames, self.channels), dtype=np.int32)

    def _frames(self, seconds: float) -> int:
        return round(seconds * self.rate_hz)

    def _mark_frames(self) -> int:
        """Return how far a stimulus begins after its mark's beginning."""
        return self._frames(MARK_SECONDS + BEFORE_STIMULUS_SECONDS)

    def _after_frames(self, segment: Segment) -> int:
        return self._frames(AFTER_STIMULUS_SECONDS + AFTER_STIMULUS_SHARE * segment.seconds)


def make_programme(limits: LimitFile, rate_hz: int | None = None, bits: int | None = None) -> Programme:
    """Return the programme of a limit file.

    Parameters
    ----------
    limits : LimitFile
    rate_hz, bits : int, optional
        Every check is played like this; as the limit file says, if left out.

    Raises
    ------
    UsageError
        No check can be played like this, or they differ and nothing says which is meant.
    """
    rate_hz = _common(limits, "rate_hz", "--rate", rate_hz)
    bits = _common(limits, "bits", "--bits", bits)
    if rate_hz not in RATES_HZ:
        known = ", ".join(str(rate) for rate in RATES_HZ)
        raise UsageError(f"a test programme cannot run at {rate_hz} Hz; use one of {known}")
    if not 8 <= bits <= 32:
        raise UsageError(f"a test programme has 8 to 32 bits, not {bits}")
    impossible: dict[str, str] = {}
    checks = []
    for check in playing_order(limits.checks):
        try:
            checks.append(with_stimulus(check, {"rate_hz": rate_hz, "bits": bits}))
        except ValueError as error:
            impossible[check.name] = str(error)
    planned = list(_planned(limits, checks, impossible))
    if not planned:
        reasons = "\n".join(f"  {name}: {why}" for name, why in impossible.items())
        raise UsageError(f"no check can be played at {rate_hz} Hz and {bits} bits:\n{reasons}")
    if len(planned) > MAX_SEGMENTS:
        raise UsageError(
            f"a test programme has at most {MAX_SEGMENTS} segments, the limit file {len(planned)} checks"
        )
    unjudged = {check.name: never_judged(check, len(limits.channels)) for check in checks}
    return Programme(
        limits,
        rate_hz,
        bits,
        len(limits.channels),
        _ident(rate_hz, bits, len(limits.channels), planned),
        tuple(Segment(number, entry) for number, entry in enumerate(planned)),
        impossible,
        {name: "; ".join(reasons) for name, reasons in unjudged.items() if reasons},
    )


def _common(limits: LimitFile, name: str, option: str, given: int | None) -> int:
    """Return what is given, or what all checks have in common."""
    if given is not None:
        return given
    by_value: dict[int, list[str]] = {}
    for check in limits.checks:
        value = getattr(check.stimulus, name, None)
        if isinstance(value, int):
            by_value.setdefault(value, []).append(check.name)
    if len(by_value) != 1:
        listed = "\n".join(f"  {value}: {', '.join(names)}" for value, names in sorted(by_value.items()))
        raise UsageError(
            f"a test programme is all at one {name}, and the checks of {limits.path} differ; "
            f"say which with {option}:\n{listed}"
        )
    return next(iter(by_value))


def _planned(limits: LimitFile, checks: list[Check], impossible: dict[str, str]) -> Iterator[PlannedCheck]:
    """Yield the checks with their stimuli; those whose stimulus cannot be made are named."""
    try:
        yield from make_plan(replace(limits, checks=tuple(checks)), ramp_seconds=DEFAULT_RAMP_SECONDS).checks
    except UsageError:
        for check in checks:
            try:
                yield from make_plan(
                    replace(limits, checks=(check,)), ramp_seconds=DEFAULT_RAMP_SECONDS
                ).checks
            except UsageError as error:
                impossible[check.name] = (
                    str(error).splitlines()[-1].strip().removeprefix(f"check {check.name}: ")
                )


def _ident(rate_hz: int, bits: int, channels: int, planned: list[PlannedCheck]) -> int:
    stimuli = [[entry.check.name, entry.stimulus_sha256] for entry in planned]
    text = json.dumps([FORMAT, rate_hz, bits, channels, stimuli])
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:3], "big")


def check_names(names: Collection[str], limits: LimitFile) -> frozenset[str]:
    """Return names of checks, all of which the limit file has; one without its setup stands for all setups of it.

    Raises
    ------
    UsageError
        It has no check of one of these names.
    """
    known = [check.name for check in limits.checks]
    for name in names:
        if name not in known and name not in {check.entry for check in limits.checks}:
            raise UsageError(
                f"--without: no check is named {shown(name)}; {did_you_mean(name, known, 'the checks are')}"
            )
    return frozenset(check.name for check in limits.checks if check.name in names or check.entry in names)
