"""Cutting the recording of a test programme into the captures of its checks.

===========================  =====================================================================
:func:`survey`               what of a limit file's programme a recording holds
:class:`Survey`              that, with what is missing, and what was noticed
:func:`write_pieces`         the capture set that it makes
===========================  =====================================================================

Samples stay as they were recorded: a channel that is dead, swapped or inverted is named, and left to the checks to
judge. The ratio of the two clocks is theirs too, which take it from their tones; marks only tell where to cut.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from linecheck import __version__
from linecheck.audio.stream import AudioStream
from linecheck.captures.capture_set import MAX_NOTES, write_capture_set
from linecheck.captures.changed_stimulus import stimulus_changes
from linecheck.captures.programme.marks import CarriedMark, FoundMark, find_marks, speed_of_marks
from linecheck.captures.programme.programme import BEFORE_STIMULUS_SECONDS, Programme, Segment, make_programme
from linecheck.checks.base import Capture
from linecheck.dsp.locating.marks import MARK_SECONDS, SYNC_AT_SECONDS, MarkCode
from linecheck.errors import FileError, UsageError
from linecheck.limits.model import LimitFile
from linecheck.run.plan import DEFAULT_RAMP_SECONDS
from linecheck.station.config.station import CalibrationConfig

#: A capture begins so long before its stimulus and ends so long after it.
BEFORE_SECONDS = 0.06
AFTER_SECONDS = 0.15
#: A capture ends so long before the next mark, at the latest.
APART_SECONDS = 0.002
#: Clocks differ by up to this much.
CLOCK_TOLERANCE = 1.1e-3
#: A stimulus of which less than this is missing at its end is whole.
SPARE_SECONDS = 0.003
#: So many programmes of one recording are looked at.
MAX_PROGRAMMES = 3

#: A finding of a channel counts where it holds for more than this part of the marks.
MAX_OF_THEM = 0.5

#: Rate and word length of a programme, and what identifies all that it plays.
_Key = tuple[int, int, int]


@dataclass(frozen=True)
class Piece:
    """One segment of a recording.

    Attributes
    ----------
    segment : Segment
    seconds : float
        When its stimulus begins in the recording.
    start, stop : int
        Frames to be cut.
    whole : bool
        Whether all of the stimulus is there.
    """

    segment: Segment
    seconds: float
    start: int
    stop: int
    whole: bool


@dataclass(frozen=True)
class Survey:
    """The parts of a programme that a recording holds.

    Attributes
    ----------
    programme : Programme or None
        None where nothing of the limit file's was found.
    pieces : tuple of Piece
        The first whole one of every segment, in the order of the recording.
    spare : tuple of Piece
        The others: repeated ones, and those that are cut off.
    missing : tuple of str
        Checks of the programme that no whole segment was found of.
    left_out : tuple of str
        Checks that this programme does not have.
    notes : tuple of str
        What was noticed besides.
    """

    programme: Programme | None
    pieces: tuple[Piece, ...]
    spare: tuple[Piece, ...]
    missing: tuple[str, ...]
    left_out: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class SetFacts:
    """What a capture set says besides its captures."""

    serial: str | None = None
    firmware: str | None = None
    station: str | None = None
    mains_hz: float | None = None
    full_scale_volts: tuple[float, ...] | None = None
    volts_uncertainty_percent: float | None = None


def survey(stream: AudioStream, limits: LimitFile, without: frozenset[str] = frozenset()) -> Survey:
    """Find the segments of a limit file's programme in a recording.

    Parameters
    ----------
    stream : AudioStream
    limits : LimitFile
    without : frozenset of str
        Checks that nobody misses.

    Raises
    ------
    FileError
        The recording cannot be read, has other channels than the limit file, holds another programme, or was played at
        a wrong speed.
    """
    if stream.channels != len(limits.channels):
        raise FileError(
            stream.path,
            f"has {stream.channels} channel{'s' if stream.channels != 1 else ''}, the limit file "
            f"{len(limits.channels)} ({', '.join(limits.channels)}): "
            "record these, in this order, and no others",
        )
    marks = find_marks(stream)
    codes = [mark.code for mark in marks if mark.code is not None]
    programme = _programme(stream, limits, codes)
    notes = tuple(_mark_notes(marks, programme, stream.rate_hz))
    if programme is None:
        missing = tuple(check.name for check in limits.checks if check.name not in without)
        return Survey(None, (), (), missing, (), notes)
    own = [mark for mark in marks if _is_of(mark, programme)]
    pieces, spare = _sorted_out(_pieces(stream, marks, programme))
    missing, left_out = _absent(programme, own, pieces, without)
    notes += tuple(_channel_notes(own, limits.channels))
    return Survey(programme, pieces, spare, missing, left_out, notes[:MAX_NOTES])


def _programme(stream: AudioStream, limits: LimitFile, codes: Sequence[MarkCode]) -> Programme | None:
    """Return the programme whose marks there are; None where there are none."""
    if not codes:
        speed = speed_of_marks(stream)
        if speed is not None:
            raise FileError(
                stream.path,
                f"holds a test programme at {speed:.4g} times its speed: the unit plays it at the wrong "
                "rate (44.1 kHz as 48 kHz, or the like), or the recording states the wrong rate",
            )
        return None
    counted = Counter[_Key]((code.programme, code.rate_hz, code.bits) for code in codes)
    foreign = []
    for ident, rate_hz, bits in [key for key, _ in counted.most_common(MAX_PROGRAMMES)]:
        try:
            programme = make_programme(limits, rate_hz, bits)
        except UsageError:
            programme = None
        if programme is not None and programme.ident == ident:
            return programme
        own = f"{programme.ident:06x}" if programme is not None else "none at this rate and word length"
        foreign.append(f"programme {ident:06x} ({rate_hz} Hz, {bits} bits; the limit file's is {own})")
    raise FileError(
        stream.path,
        f"is a recording of a different test programme from that of {limits.path}: it holds {', '.join(foreign)}. "
        "Give the limit file that the programme was written from, or write and record it again",
    )


def _is_of(mark: FoundMark, programme: Programme) -> bool:
    code = mark.code
    return code is not None and (code.programme, code.rate_hz, code.bits) == (
        programme.ident,
        programme.rate_hz,
        programme.bits,
    )


def _pieces(stream: AudioStream, marks: Sequence[FoundMark], programme: Programme) -> Iterator[Piece]:
    """Yield what follows each of the programme's marks, in the order of the recording."""
    end = damaged = float(stream.frames)
    found = []
    for mark in reversed(marks):
        if _is_of(mark, programme) and mark.code is not None and mark.code.segment < len(programme.segments):
            segment = programme.segments[mark.code.segment]
            found.append(_piece(segment, mark.frame, (end, damaged), stream))
        begins = mark.frame - SYNC_AT_SECONDS * stream.rate_hz
        damaged = begins
        if mark.code is not None:
            end = begins
    yield from reversed(found)


def _piece(segment: Segment, sync: float, ends: tuple[float, float], stream: AudioStream) -> Piece:
    """Return what follows a mark.

    ``ends`` are where the next mark begins, and the next one that may be damaged: what is taken for one inside a
    stimulus is none.
    """
    rate = stream.rate_hz
    end, damaged = ends
    begins = sync + (MARK_SECONDS + BEFORE_STIMULUS_SECONDS - SYNC_AT_SECONDS) * rate
    needed = begins + (segment.seconds * (1.0 - CLOCK_TOLERANCE) - SPARE_SECONDS) * rate
    stop = begins + (segment.seconds * (1.0 + CLOCK_TOLERANCE) + AFTER_SECONDS) * rate
    for limit in (end, damaged):
        if needed <= limit < stream.frames:
            stop = min(stop, max(needed, limit - APART_SECONDS * rate))
    stop = min(stop, float(stream.frames))
    start = min(max(0, round(begins - BEFORE_SECONDS * rate)), stream.frames)
    return Piece(segment, begins / rate, start, max(start, int(stop)), needed <= end)


def _sorted_out(pieces: Iterator[Piece]) -> tuple[tuple[Piece, ...], tuple[Piece, ...]]:
    """Return the first whole piece of every segment, and the others."""
    taken: dict[int, Piece] = {}
    spare: list[Piece] = []
    for piece in pieces:
        if piece.whole and piece.segment.number not in taken:
            taken[piece.segment.number] = piece
        else:
            spare.append(piece)
    return tuple(taken.values()), tuple(spare)


def _absent(
    programme: Programme, own: Sequence[FoundMark], pieces: Sequence[Piece], without: frozenset[str]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the checks that are missing, and those that the programme does not have.

    A mark says how many segments its programme has: where so many were found, the others are not in it.
    """
    cut = {piece.segment.name for piece in pieces}
    marked = {mark.code.segment for mark in own if mark.code is not None}
    counts = Counter(mark.code.segments for mark in own if mark.code is not None)
    complete = len(marked) >= counts.most_common(1)[0][0]
    seen = {segment.name for segment in programme.segments if segment.number in marked}
    missing, left_out = [], []
    for check in programme.limits.checks:
        if check.name in cut or check.name in without:
            continue
        if check.name in programme.impossible or (complete and check.name not in seen):
            left_out.append(check.name)
        else:
            missing.append(check.name)
    return tuple(missing), tuple(left_out)


def _mark_notes(marks: Sequence[FoundMark], programme: Programme | None, rate_hz: int) -> Iterator[str]:
    damaged = [f"{mark.frame / rate_hz:.1f} s" for mark in marks if mark.code is None]
    if damaged:
        yield f"a mark that cannot be read, at {_listed(damaged)}"
    if programme is not None:
        foreign = [
            f"{mark.frame / rate_hz:.1f} s"
            for mark in marks
            if mark.code is not None and not _is_of(mark, programme)
        ]
        if foreign:
            yield f"a segment of another test programme, at {_listed(foreign)}"


def _channel_notes(marks: Sequence[FoundMark], channels: Sequence[str]) -> Iterator[str]:
    """Yield notes on the channels of a recording: dead, loose, swapped, inverted.

    Parameters
    ----------
    marks : sequence of FoundMark
        Those that could be read.
    channels : sequence of str
        Their names, in the recording's order.
    """
    if not marks:
        return
    for index, name in enumerate(channels):
        carried = [entry for mark in marks if (entry := mark.carried[index]) is not None]
        silent = len(marks) - len(carried)
        if silent == len(marks):
            yield f"channel {name} carries no mark: it is dead, or not connected"
        elif silent:
            yield f"channel {name} carries only {len(carried)} of {len(marks)} marks: its contact may be loose"
        if carried:
            yield from _carried_notes(carried, index, channels)


def _carried_notes(carried: Sequence[CarriedMark], index: int, channels: Sequence[str]) -> Iterator[str]:
    name = channels[index]
    if sum(entry.mixed for entry in carried) > MAX_OF_THEM * len(carried):
        yield f"channel {name} carries the marks of several channels at once: mono, or a short between them"
        return
    played = Counter(entry.channel for entry in carried if entry.channel is not None)
    for other, count in played.items():
        if other != index:
            whose = channels[other] if other < len(channels) else f"number {other + 1}"
            how_often = "" if count == len(carried) else f" in {count} of {len(carried)} places"
            yield f"channel {name} carries the marks of channel {whose}{how_often}: swapped, or wired to both"
    inverted = sum(entry.polarity < 0 for entry in carried)
    if inverted:
        how_often = "" if inverted == len(carried) else f" in {inverted} of {len(carried)} places"
        yield f"channel {name} is inverted{how_often}"


def _listed(places: Sequence[str]) -> str:
    return ", ".join(places[:5]) + (f" and {len(places) - 5} more places" if len(places) > 5 else "")


class _Cut(Mapping[str, Capture]):
    """The pieces of a recording as captures, each read when it is asked for and not held on to."""

    def __init__(self, stream: AudioStream, pieces: Sequence[Piece], facts: SetFacts) -> None:
        self._stream, self._facts = stream, facts
        self._pieces = {piece.segment.name: piece for piece in pieces}

    def __getitem__(self, check: str) -> Capture:
        piece = self._pieces[check]
        return Capture(
            samples=self._stream.read(piece.start, piece.stop),
            rate_hz=self._stream.rate_hz,
            full_scale_volts=self._facts.full_scale_volts,
            bits=self._stream.bits,
            mains_hz=self._facts.mains_hz,
        )

    def __iter__(self) -> Iterator[str]:
        return iter(self._pieces)

    def __len__(self) -> int:
        return len(self._pieces)


def write_pieces(stream: AudioStream, found: Survey, folder: str | Path, facts: SetFacts) -> Path:
    """Write the capture set of what was found; return its folder.

    Raises
    ------
    FileError
        It cannot be written, or there is a set already.
    """
    programme = found.programme
    if programme is None or not found.pieces:
        raise ValueError("nothing was found that could be written")
    checks = {check.name: check for check in programme.limits.checks}
    planned = {piece.segment.name: piece.segment.planned for piece in found.pieces}
    return write_capture_set(
        folder,
        _Cut(stream, found.pieces, facts),
        model=programme.limits.model,
        serial=facts.serial,
        firmware=facts.firmware,
        station=facts.station,
        software=f"linecheck {__version__}",
        calibration=CalibrationConfig(uncertainty_percent=facts.volts_uncertainty_percent),
        ramp_seconds=DEFAULT_RAMP_SECONDS,
        stimulus_hashes={
            name: entry.stimulus_sha256
            for name, entry in planned.items()
            if entry.stimulus_sha256 is not None
        },
        stimulus_changes={
            name: stimulus_changes(checks[name], entry.check) for name, entry in planned.items()
        },
        notes=found.notes,
    )
