"""Capture sets: a folder of recorded captures of one unit, with ``captures.toml``.

===========================  ========================================================================
:func:`load_capture_set`     every file of a set looked at, every fault at once
:meth:`CaptureSet.read`      one check's capture
:func:`write_capture_set`    a set on the disk, ``captures.toml`` last: without it there is no set
===========================  ========================================================================

A set made by hand needs little more than names. One that a run has kept also says what a second judgement
cannot know from the samples, so that it comes to the same: ``mains_hz`` (hum is looked for there),
``calibration`` of the station (whether volts could be trusted on that day), the ``events`` that the driver
reported during a capture (a gap that the samples may not show), and the stimulus that was played, by its
``ramp_seconds`` and its hash. One that was cut from a recording of a test programme may say at which rate and word
length a stimulus was played where these are not the limit file's (``stimulus``), what was noticed while it was cut
(``notes``), and may leave the serial number to whoever judges it. Where a check has several setups, a capture says
under which it was taken (``setup``). Where a file has another word length than the capture had (FLAC holds 16 or 24
bits), ``bits`` says the capture's.
"""

from __future__ import annotations

import os
import urllib.parse
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any

import numpy as np
from pydantic import Field, field_validator

from linecheck.audio.file import read_audio, refuse_too_long, write_audio
from linecheck.audio.flac import MAX_FLAC_BITS, flac_takes, write_flac
from linecheck.audio.sample_bytes import Samples
from linecheck.audio.stream import open_audio
from linecheck.checks.base import Capture, StreamEvent
from linecheck.errors import Fault, FileError, StationError
from linecheck.files.durable import make_folder, write_durably
from linecheck.files.toml import FormatOne, TomlFile, parse_model, read_toml
from linecheck.limits.loading.header import SETUP_VALUE_LENGTH
from linecheck.limits.loading.setup_entries import MAX_NAME_LENGTH, variant_name
from linecheck.limits.model import entry_name
from linecheck.limits.serial_pattern import MAX_SERIAL_LENGTH
from linecheck.station.config.station import CalibrationConfig, Scales
from linecheck.station.config.table import Table

INDEX_NAME = "captures.toml"

MAX_NOTES = 100
MAX_CAPTURES = 1000

Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Name = Annotated[str, Field(min_length=1, max_length=100)]
CheckName = Annotated[str, Field(min_length=1, max_length=MAX_NAME_LENGTH)]
Settings = Annotated[
    dict[Name, Annotated[str, Field(min_length=1, max_length=SETUP_VALUE_LENGTH)]], Field(max_length=64)
]
NoteText = Annotated[str, Field(min_length=1, max_length=500)]


class EventEntry(Table):
    """An event that the driver reported during a capture.

    Attributes
    ----------
    code : str
        The problem's code, such as ``input_overflow``.
    seconds : float
        When, from the start of the capture.
    message : str
        What happened, in words.
    """

    code: Name
    seconds: float
    message: Annotated[str, Field(max_length=1000)]


class PlayedStimulus(Table):
    """How the stimulus played differs from the limit file's.

    Attributes
    ----------
    rate_hz : int or None
        Its sampling rate.
    bits : int or None
        Its word length.
    """

    rate_hz: int | None = None
    bits: int | None = None

    @property
    def changes(self) -> dict[str, int]:
        """What differs, by parameter."""
        return self.model_dump(exclude_none=True)


class CaptureEntry(Table):
    """One ``[[capture]]``: a check, the setup that it was run under where it has several, and its file.

    Attributes
    ----------
    check : str
        Name of the check in the limit file.
    setup : dict of str to str
        How the unit was set, where the check has several setups.
    file : str
        The audio file's name; it lies beside the index.
    full_scale_volts : list of float or None
        Peak volts at digital 1.0, per channel; without it volts cannot be read.
    sha256 : str or None
        SHA-256 of the file; a file that differs is refused.
    bits : int or None
        Word length of the samples, where it is less than the file's.
    stimulus_sha256 : str or None
        SHA-256 of the stimulus that was played.
    """

    check: CheckName
    setup: Settings = {}  # noqa: RUF012 - copied
    file: str
    full_scale_volts: Scales | None = None
    sha256: Sha256 | None = None
    bits: Annotated[int, Field(ge=8, le=32)] | None = None
    stimulus_sha256: Sha256 | None = None
    stimulus: PlayedStimulus = PlayedStimulus()
    events: Annotated[tuple[EventEntry, ...], Field(strict=False, max_length=10_000)] = ()

    @property
    def key(self) -> str:
        """What tells it from the other captures of a set."""
        return variant_name(self.check, self.setup)

    @field_validator("file")
    @classmethod
    def _inside_the_set(cls, name: str) -> str:
        if not name or name.startswith(".") or not name.isprintable() or set(name) & set("/\\:"):
            raise ValueError(f"{name[:60]!r} is not a plain file name; every file lies beside {INDEX_NAME}")
        return name


class CaptureSetIndex(Table):
    """``captures.toml``.

    Attributes
    ----------
    format : int
        Version of the file's format.
    model : str
        Name of the product, as in its limit file.
    serial, firmware : str or None
        The unit's serial number, and the firmware in it.
    station, software : str or None
        What recorded it: name of the station, name and version of the program.
    recorded : datetime or None
        When, with the offset from UTC.
    mains_hz : float or None
        Frequency of the mains; hum is looked for at its multiples.
    ramp_seconds : float or None
        How long the stimulus took to fade in and out.
    notes : list of str
        Remarks; they are shown with the result.
    """

    format: FormatOne
    model: Name
    serial: Annotated[str, Field(min_length=1, max_length=MAX_SERIAL_LENGTH)] | None = None
    firmware: Name | None = None
    station: Name | None = None
    recorded: datetime | None = None
    software: Name | None = None
    mains_hz: Annotated[float, Field(gt=0.0, le=1000.0)] | None = None
    ramp_seconds: Annotated[float, Field(ge=0.0, le=1.0)] | None = None
    calibration: CalibrationConfig = CalibrationConfig()
    notes: Annotated[tuple[NoteText, ...], Field(strict=False, max_length=MAX_NOTES)] = ()
    capture: Annotated[tuple[CaptureEntry, ...], Field(strict=False, min_length=1, max_length=MAX_CAPTURES)]

    @field_validator("recorded")
    @classmethod
    def _with_offset(cls, recorded: datetime | None) -> datetime | None:
        if recorded is not None and recorded.tzinfo is None:
            raise ValueError("must say its offset from UTC, as in 2026-11-20T08:15:00Z")
        return recorded


@dataclass(frozen=True)
class CaptureSet:
    """A set whose files are all there and all audio.

    ``entries`` are by check, ``hashes`` are the SHA-256 of their files as they were when the set was loaded.
    """

    folder: Path
    index: CaptureSetIndex
    entries: Mapping[str, CaptureEntry]
    hashes: Mapping[str, str]

    def read(self, check: str) -> Capture:
        """Return the capture of a check.

        Raises
        ------
        KeyError
            The set has none.
        StationError
            The file is no longer what it was when the set was loaded.
        """
        entry = self.entries[check]
        try:
            audio = read_audio(self.folder / entry.file)
        except FileError as error:
            raise StationError(str(error)) from error
        if audio.sha256 != self.hashes[check]:
            raise StationError(f"{self.folder / entry.file}: was changed while it was being judged")
        return Capture(
            samples=audio.samples,
            rate_hz=audio.rate_hz,
            full_scale_volts=entry.full_scale_volts,
            bits=audio.bits if audio.bits is None or entry.bits is None else entry.bits,
            mains_hz=self.index.mains_hz,
            events=tuple(StreamEvent(event.code, event.seconds, event.message) for event in entry.events),
        )


def load_capture_set(path: str | Path) -> CaptureSet:
    """Read a set: its folder, or its ``captures.toml``. Every file of it is read once and proven, none is held.

    Raises
    ------
    FileError
        There is no set there; every fault of it comes at once as :class:`FileFaults`.
    """
    path = Path(path)
    # os.path answers for any text; a Path raises where a name is longer than any file's may be.
    if os.path.isdir(path):
        path = path / INDEX_NAME
        if not os.path.exists(path):
            raise FileError(path.parent, f"is not a capture set: it has no {INDEX_NAME}")
    elif path.name != INDEX_NAME:
        there = os.path.exists(path)
        raise FileError(
            path, "is not a capture set: give its folder" if there else "there is no such capture set"
        )
    file = read_toml(path)
    hashes: dict[str, str] = {}
    faults = tuple(_capture_faults(file, path.parent, hashes))
    index = parse_model(file, CaptureSetIndex, faults)
    entries = {entry.key: entry for entry in index.capture}
    return CaptureSet(path.parent, index, MappingProxyType(entries), MappingProxyType(hashes))


def _capture_faults(file: TomlFile, folder: Path, hashes: dict[str, str]) -> Iterator[Fault]:
    """Yield the faults of the files; those of the index itself are the model's."""
    tables = file.data.get("capture")
    seen: set[str] = set()
    proofs: dict[str, tuple[int, str] | FileError] = {}
    # Of more than a set may have nothing is read: they are refused anyway.
    looked_at = tables if isinstance(tables, list) and len(tables) <= MAX_CAPTURES else ()
    for number, table in enumerate(looked_at):
        try:
            entry = CaptureEntry.model_validate(table)
        except ValueError:
            continue
        if entry.key in seen:
            yield file.fault(("capture", number, "check"), f"{entry.key!r} has a capture already")
            continue
        seen.add(entry.key)
        if entry.file not in proofs:
            # A file that is faulty is not read once more either.
            try:
                proofs[entry.file] = _proven(folder, entry.file)
            except FileError as error:
                proofs[entry.file] = error
        proof = proofs[entry.file]
        if isinstance(proof, FileError):
            yield file.fault(("capture", number, "file"), f"{entry.file}: {proof.message}")
            continue
        hashes[entry.key] = proof[1]
        yield from _entry_faults(file, number, entry, *proof)


def _proven(folder: Path, name: str) -> tuple[int, str]:
    """Return channels and SHA-256 of a file that is all there and can be decoded."""
    path = folder / name
    try:
        leads_out = path.is_symlink() and not path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError) as error:  # links in a circle; which of the two depends on the Python
        raise FileError(path, "is a broken link; put the file itself there") from error
    if leads_out:
        raise FileError(path, "is a link that leads out of the set; put the file itself there")
    with open_audio(path) as stream:
        refuse_too_long(stream)
        stream.verify()
        return stream.channels, stream.sha256()


def _entry_faults(
    file: TomlFile, number: int, entry: CaptureEntry, channels: int, digest: str
) -> Iterator[Fault]:
    if entry.sha256 is not None and entry.sha256 != digest:
        message = f"{entry.file} is not the file that was recorded: its SHA-256 is {digest}"
        yield file.fault(("capture", number, "sha256"), message)
    if entry.full_scale_volts is not None and len(entry.full_scale_volts) != channels:
        volts = len(entry.full_scale_volts)
        message = f"has {volts} entries and {entry.file} has {channels} channels: give one for each"
        yield file.fault(("capture", number, "full_scale_volts"), message)


def plain_file_name(name: str) -> str:
    """Return a name as one plain file name, the same on every system and different for different names."""
    quoted = urllib.parse.quote(name, safe=" +,=@").replace("~", "%7E")
    return quoted.replace(".", "%2E", 1) if quoted.startswith(".") else quoted


def write_capture_set(
    folder: str | Path,
    captures: Mapping[str, Capture],
    *,
    model: str,
    serial: str | None,
    firmware: str | None = None,
    station: str | None = None,
    recorded: datetime | None = None,
    software: str | None = None,
    calibration: CalibrationConfig | None = None,
    ramp_seconds: float | None = None,
    stimulus_hashes: Mapping[str, str] | None = None,
    stimulus_changes: Mapping[str, Mapping[str, int]] | None = None,
    notes: Sequence[str] = (),
    setups: Mapping[str, Mapping[str, str]] | None = None,
    compressed: bool = False,
) -> Path:
    """Write a set of one unit's captures, by check, as they came; a capture without a frame is no capture.

    Parameters
    ----------
    folder : str or Path
    captures : mapping of str to Capture
        Each is taken from it once and not held on to: they may be made one by one.
    model, serial, firmware, station, recorded, software, calibration, ramp_seconds, notes
        What ``captures.toml`` says of the set.
    stimulus_hashes : mapping of str to str, optional
        SHA-256 of what was played, by check.
    stimulus_changes : mapping of str to mapping of str to int, optional
        By check: the rate and word length of what was played, where these are not the limit file's.
    setups : mapping of str to mapping of str to str, optional
        By check that has several setups: what tells the one that it was run under from the others.
    compressed : bool
        Write FLAC where that loses nothing: integers of 24 bits or fewer, at a rate that it takes.

    Returns
    -------
    Path
        Its folder.

    Raises
    ------
    FileError
        It cannot be written, or there is a set already.
    """
    import tomli_w

    folder = Path(folder)
    if (folder / INDEX_NAME).exists():
        raise FileError(folder, "already holds a capture set, which is never overwritten")
    make_folder(folder)
    hashes, changes = stimulus_hashes or {}, stimulus_changes or {}
    mains: set[float | None] = set()
    entries: list[dict[str, Any]] = []
    for check in captures:
        capture = captures[check]
        if capture.frames:
            entry = _write_capture(folder, check, capture, (setups or {}).get(check), compressed)
            if check in hashes:
                entry["stimulus_sha256"] = hashes[check]
            if changes.get(check):
                entry["stimulus"] = dict(changes[check])
            if capture.events:
                entry["events"] = [asdict(event) for event in capture.events]
            entries.append(entry)
            mains.add(capture.mains_hz)
    index: dict[str, Any] = {
        "format": 1,
        "model": model,
        "serial": serial,
        "firmware": firmware,
        "station": station,
        "recorded": recorded,
        "software": software,
        "mains_hz": mains.pop() if len(mains) == 1 else None,
        "ramp_seconds": ramp_seconds,
        "calibration": calibration.model_dump(exclude_defaults=True) if calibration is not None else None,
        "notes": list(notes),
        "capture": entries,
    }
    text = tomli_w.dumps({key: value for key, value in index.items() if value not in (None, {}, [])})
    write_durably(folder / INDEX_NAME, [text.encode()])
    return folder


def _write_capture(
    folder: Path, check: str, capture: Capture, setup: Mapping[str, str] | None, compressed: bool
) -> dict[str, Any]:
    """Write one capture and return its entry, as far as it is about the file."""
    samples, rate = capture.samples, capture.rate_hz
    bits = (capture.bits or 32) if samples.dtype.kind == "i" else None
    if bits is not None and not _fits(samples, bits):
        bits = 32  # an interface that understates its word length loses nothing
    named: dict[str, Any] = {"check": entry_name(check), "setup": dict(setup)} if setup else {"check": check}
    flac_bits = _flac_bits(samples, rate, bits) if compressed else None
    name = f"{plain_file_name(check)}.{'wav' if flac_bits is None else 'flac'}"
    entry = {**named, "file": name}
    if capture.full_scale_volts is not None:
        entry["full_scale_volts"] = list(capture.full_scale_volts)
    if flac_bits is None:
        entry["sha256"] = write_audio(folder / name, samples, rate, bits)
    else:
        entry["sha256"] = write_flac(folder / name, samples, rate, flac_bits)
        if flac_bits != bits:
            entry["bits"] = bits
    return entry


def _fits(samples: Samples, bits: int) -> bool:
    """Return whether left-justified integers have zeros below their word length."""
    return bits >= 32 or not np.any(samples & np.int32((1 << (32 - bits)) - 1))


def _flac_bits(samples: Samples, rate_hz: int, bits: int | None) -> int | None:
    """Return the word length of the FLAC file that holds the samples as they are; None where none does."""
    if bits is None or not flac_takes(rate_hz, samples.shape[1]):
        return None
    held = 16 if bits <= 16 else MAX_FLAC_BITS
    return held if bits <= held or _fits(samples, held) else None
