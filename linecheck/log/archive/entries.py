"""What an archive holds of one run: a capture set, and ``archived.json`` beside it that says whose it is and why.

===========================  ===================================================================
:class:`Entry`               a run whose captures are kept
:class:`KeptFile`            one of its files, and the object that it is
:func:`kept_class`           what decides how long a run's captures stay
:func:`read_entry`           an entry from the disk
:func:`entry_bytes`          what is written of one
===========================  ===================================================================
"""

from __future__ import annotations

import os
import re
import stat
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from linecheck.errors import RecordError
from linecheck.files.text import visible
from linecheck.files.times import utc_text
from linecheck.files.toml import FormatOne
from linecheck.limits.verdict import Verdict
from linecheck.run.facts import Purpose
from linecheck.station.config.archive import KeptClass

__all__ = [
    "ENTRY_NAME",
    "OBJECT_NAME",
    "RUN_ID",
    "Entry",
    "KeptFile",
    "entry_bytes",
    "kept_class",
    "read_entry",
    "run_folder_name",
]

ENTRY_NAME: Final = "archived.json"
#: SHA-256 of a file's bytes and what sort of file it is.
OBJECT_NAME: Final = re.compile(r"[0-9a-f]{64}\.(flac|wav)")
RUN_ID: Final = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")

#: A thousand checks with long names come to a fraction of it.
_LARGEST: Final = 2 * 1024 * 1024

Text = Annotated[str, Field(min_length=1, max_length=300)]


@dataclass(frozen=True, slots=True)
class KeptFile:
    """A capture: the file in the run's folder, the object whose bytes it has, how many these are, and the check.

    ``samples_sha256`` is over the samples, as the log and baselines name captures.
    """

    name: str
    object_name: str
    size_bytes: int
    check: str
    samples_sha256: str | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """A run whose captures are kept.

    Attributes
    ----------
    run_id : str
    path : Path
        Its folder, an ordinary capture set.
    verdict : Verdict
    purpose : str
    model, serial : str
    station : str or None
    started : datetime
        UTC.
    why : str
        Why it is kept.
    files : tuple of KeptFile
    linked : bool
        Whether the files are links to their objects; else each takes its room twice.
    """

    run_id: str
    path: Path
    verdict: Verdict
    purpose: Purpose
    model: str
    serial: str
    station: str | None
    started: datetime
    why: str
    files: tuple[KeptFile, ...]
    linked: bool = True

    @property
    def kept_class(self) -> KeptClass:
        """What decides how long it stays, as long as nothing names it."""
        return kept_class(self.verdict, self.purpose)

    @property
    def objects(self) -> Mapping[str, int]:
        """Its objects and their bytes; two files may be one object."""
        return {file.object_name: file.size_bytes for file in self.files}

    @property
    def copied_bytes(self) -> int:
        """Bytes that its files take beside its objects."""
        return 0 if self.linked else sum(file.size_bytes for file in self.files)

    @property
    def size_bytes(self) -> int:
        """Bytes that it takes, where no other run has the same captures."""
        return sum(self.objects.values()) + self.copied_bytes


def kept_class(verdict: Verdict, purpose: Purpose) -> KeptClass:
    """Return what decides how long a run's captures stay: its purpose where it judged the station, else its verdict."""
    if purpose != "unit":
        return purpose
    kinds: dict[Verdict, KeptClass] = {
        Verdict.PASS: "pass",
        Verdict.MARGINAL: "marginal",
        Verdict.FAIL: "fail",
        Verdict.INVALID: "invalid",
        Verdict.ABORTED: "aborted",
    }
    return kinds[verdict]


def run_folder_name(started: datetime, run_id: str) -> str:
    """Return where a run's captures are kept below ``runs/``: its month, its time and its id.

    Raises
    ------
    ValueError
        It is no run's id.
    """
    if RUN_ID.fullmatch(run_id) is None:
        raise ValueError(f"{run_id[:60]!r} is no run's id")
    utc = started.astimezone(UTC)
    return f"{utc:%Y-%m}/{utc:%Y%m%dT%H%M%SZ}-{run_id}"


class _File(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    file: Annotated[str, Field(min_length=1, max_length=255, pattern=r"^[^./\\:\x00][^/\\:\x00]*$")]
    object: Annotated[str, Field(pattern=rf"^{OBJECT_NAME.pattern}$")]
    bytes: Annotated[int, Field(ge=1, le=2**62)]
    check: Text
    samples_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] | None = None


class _Stored(BaseModel):
    """``archived.json``."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    format: FormatOne
    run: Annotated[str, Field(pattern=rf"^{RUN_ID.pattern}$")]
    verdict: Literal["pass", "marginal", "fail", "invalid", "aborted"]
    purpose: Purpose
    model: Text
    serial: Text
    station: Text | None
    started: Annotated[str, Field(max_length=40)]
    why: Annotated[str, Field(max_length=1000)]
    linked: bool
    files: Annotated[tuple[_File, ...], Field(strict=False, min_length=1, max_length=1000)]

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        sizes: dict[str, int] = {}
        for file in self.files:
            if sizes.setdefault(file.object, file.bytes) != file.bytes:
                raise ValueError(f"{file.object} has two sizes")
        if len({file.file for file in self.files}) != len(self.files):
            raise ValueError("a file is named twice")
        if datetime.fromisoformat(self.started).tzinfo is None:
            raise ValueError("the time has no zone")
        return self


def entry_bytes(entry: Entry) -> bytes:
    """Return ``archived.json`` of an entry."""
    stored = _Stored(
        format=1,
        run=entry.run_id,
        verdict=entry.verdict.value,
        purpose=entry.purpose,
        model=entry.model,
        serial=entry.serial,
        station=entry.station,
        started=utc_text(entry.started),
        why=entry.why,
        linked=entry.linked,
        files=tuple(
            _File(
                file=file.name,
                object=file.object_name,
                bytes=file.size_bytes,
                check=file.check,
                samples_sha256=file.samples_sha256,
            )
            for file in entry.files
        ),
    )
    return (stored.model_dump_json(indent=1) + "\n").encode()


def read_entry(folder: Path) -> Entry:
    """Return what is archived in a folder.

    Raises
    ------
    RecordError
        ``archived.json`` is missing, or is not what was written.
    """
    path = folder / ENTRY_NAME
    try:
        stored = _Stored.model_validate_json(_content(path))
    except (OSError, ValidationError) as error:
        raise RecordError(f"{visible(str(path))}: {_reason(error)}") from error
    return Entry(
        run_id=stored.run,
        path=folder,
        verdict=Verdict(stored.verdict),
        purpose=stored.purpose,
        model=stored.model,
        serial=stored.serial,
        station=stored.station,
        started=datetime.fromisoformat(stored.started).astimezone(UTC),
        why=stored.why,
        files=tuple(
            KeptFile(file.file, file.object, file.bytes, sys.intern(file.check), file.samples_sha256)
            for file in stored.files
        ),
        linked=stored.linked,
    )


def _content(path: Path) -> bytes:
    """Return the bytes of a plain file that is no longer than any can be; a link or a pipe is none."""
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
    with os.fdopen(handle, "rb") as stream:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError("is no plain file")
        content = stream.read(_LARGEST + 1)
    if len(content) > _LARGEST:
        raise OSError("is longer than any that was archived")
    return content


def _reason(error: Exception) -> str:
    if isinstance(error, FileNotFoundError):
        return "is missing: nobody knows whose captures lie beside it"
    if isinstance(error, OSError):
        return f"cannot be read: {error.strerror or error}"
    return "is not what linecheck has written: it was changed, or the disk has lost some of it"
