"""What an archive holds of one run: a capture set, and ``archived.json`` beside it that says whose it is and why.

===========================  ===================================================================
:class:`Entry`               a run whose captures are kept
:class:`KeptFile`            one of its files, with the hash of its bytes
:func:`read_entry`           an entry from the disk
:func:`entry_bytes`          what is written of one
===========================  ===================================================================
"""

from __future__ import annotations

import os
import re
import stat
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, ClassVar, Final

from pydantic import (
    AfterValidator,
    AwareDatetime,
    ConfigDict,
    Field,
    PlainSerializer,
    TypeAdapter,
    ValidationError,
)

from linecheck.errors import RecordError
from linecheck.files.text import visible
from linecheck.files.times import utc_text
from linecheck.files.toml import FormatOne
from linecheck.limits.verdict import Verdict
from linecheck.run.facts import Purpose
from linecheck.station.config.archive import KeptClass

ENTRY_NAME: Final = "archived.json"
#: SHA-256 of a file's bytes and what sort of file it is.
OBJECT_NAME: Final = re.compile(r"[0-9a-f]{64}\.(flac|wav)")
RUN_ID: Final = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")

#: A thousand checks with long names come to a fraction of it.
_LARGEST: Final = 2 * 1024 * 1024

Text = Annotated[str, Field(min_length=1, max_length=300)]
_STRICT: Final = ConfigDict(strict=True, extra="forbid")


@dataclass(frozen=True, slots=True)
class KeptFile:
    """A capture: the file in the run's folder, the hash of its bytes, how many these are, and the check.

    ``object_name`` is what the log calls it: SHA-256 of its bytes, and what it ends with. ``samples_sha256`` is over
    the samples, as the log and baselines name captures.
    """

    __pydantic_config__: ClassVar = _STRICT

    name: Annotated[
        str, Field(alias="file", min_length=1, max_length=255, pattern=r"^[^./\\:\x00][^/\\:\x00]*$")
    ]
    object_name: Annotated[str, Field(alias="object", pattern=rf"^{OBJECT_NAME.pattern}$")]
    size_bytes: Annotated[int, Field(alias="bytes", ge=1, le=2**62)]
    check: Text
    samples_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] | None = None


@dataclass(frozen=True, kw_only=True)
class StoredEntry:
    """What ``archived.json`` says of a run whose captures are kept."""

    __pydantic_config__: ClassVar = _STRICT

    format: FormatOne = 1
    run_id: Annotated[str, Field(alias="run", pattern=rf"^{RUN_ID.pattern}$")]
    verdict: Verdict
    purpose: Purpose
    model: Text
    serial: Text
    station: Text | None
    started: Annotated[
        AwareDatetime, AfterValidator(lambda time: time.astimezone(UTC)), PlainSerializer(utc_text)
    ]
    why: Annotated[str, Field(max_length=1000)]
    #: False where an earlier version kept a copy of each file besides.
    linked: bool
    files: Annotated[tuple[KeptFile, ...], Field(strict=False, min_length=1, max_length=1000)]


@dataclass(frozen=True, kw_only=True)
class Entry(StoredEntry):
    """A run whose captures are kept; ``path`` is its folder, an ordinary capture set, and ``why`` why they are."""

    path: Path

    @property
    def kept_class(self) -> KeptClass:
        """What decides how long it stays, as long as nothing names it: its purpose, or the verdict of a unit."""
        return self.verdict.value if self.purpose == "unit" else self.purpose

    @property
    def size_bytes(self) -> int:
        """Bytes that it takes."""
        return sum(file.size_bytes for file in self.files) * (1 if self.linked else 2)


_STORED: Final = TypeAdapter(StoredEntry)


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


def entry_bytes(entry: Entry) -> bytes:
    """Return ``archived.json`` of an entry."""
    return _STORED.dump_json(entry, indent=1, by_alias=True) + b"\n"


def read_entry(folder: Path) -> Entry:
    """Return what is archived in a folder.

    Raises
    ------
    RecordError
        ``archived.json`` is missing, or is not what was written.
    """
    path = folder / ENTRY_NAME
    try:
        stored = _STORED.validate_json(_content(path))
    except (OSError, ValidationError) as error:
        raise RecordError(f"{visible(str(path))}: {_reason(error)}") from error
    return Entry(**vars(stored), path=folder)


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
