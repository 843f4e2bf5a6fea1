"""``comparison.json``: a comparison as a file, with a digest by which it is known, and what is signed of it.

=========================  =======================================================
:func:`write_comparison`   write one, and return it with its digest
:func:`load_comparison`    read one, every number of it checked; a changed one is refused
:func:`sign`               record in the log who has decided what on it
:func:`despite`            what spoke against accepting it
=========================  =======================================================
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import TypeAdapter, ValidationError

from linecheck.errors import FileError, UsageError
from linecheck.files.write import write_atomically
from linecheck.history.comparison.model import Comparison, Side
from linecheck.log import Head, Log
from linecheck.log.signoff import Despite, Signature
from linecheck.log.statements import SIGNOFF
from linecheck.run.model import HOLD

FILE_NAME = "comparison.json"
_FORMAT = 1
_DIGEST = re.compile("[0-9a-f]{64}")
_SURROGATE = re.compile("[\ud800-\udfff]")
#: Some sides of a hundred checks with all their curves have tens of megabytes.
_LARGEST = 512 * 1024 * 1024


def write_comparison(folder: str | Path, comparison: Comparison) -> Comparison:
    """Write a comparison to its file in a folder and return it with its digest.

    An earlier one that is there, which may have been signed, is kept under a name with its own digest.

    Raises
    ------
    RecordError
        It cannot be written.
    """
    content = asdict(comparison)
    del content["digest"]
    digest = _digest(_canonical(content))
    whole = {"format": _FORMAT, **content, "digest": digest}
    text = json.dumps(whole, ensure_ascii=False, indent=1, default=np.ndarray.tolist)
    path = Path(folder) / FILE_NAME
    _keep_earlier(path)
    write_atomically(path, f"{text}\n".encode("utf-8", "backslashreplace"))
    return replace(comparison, digest=digest)


def _keep_earlier(path: Path) -> None:
    """Give a comparison that is there a second name, which stays when the first is taken."""
    try:
        content = path.read_bytes()
    except OSError:
        return
    try:
        found = str(json.loads(content)["digest"])
    except (ValueError, KeyError, TypeError, RecursionError):
        found = ""
    name = found if _DIGEST.fullmatch(found) else hashlib.sha256(content).hexdigest()
    kept = path.with_name(f"comparison-{name[:12]}.json")
    if not kept.exists():
        write_atomically(kept, content)


def load_comparison(path: str | Path) -> Comparison:
    """Read a comparison: its folder, or the file in it.

    Raises
    ------
    FileError
        There is none, it is none, or it is not what was written.
    """
    path = Path(path)
    path = path / FILE_NAME if path.is_dir() else path
    content = _read(path)
    found = content.pop("format", None)
    if type(found) is not int or found != _FORMAT:
        raise FileError(path, "is no comparison that this linecheck can read")
    digest = content.pop("digest", None)
    try:
        text = _canonical(content)
        if digest != _digest(text):
            raise FileError(path, "is not what `linecheck compare` has written: compare again")
        return replace(TypeAdapter(Comparison).validate_json(_unicode(text)), digest=digest)
    except (ValidationError, RecursionError) as error:
        raise FileError(path, "is no comparison") from error


def _read(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > _LARGEST:
            raise FileError(path, "is too large to be a comparison")
        content = json.loads(path.read_bytes())
    except FileNotFoundError as error:
        raise FileError(path, "there is no comparison; `linecheck compare` makes one") from error
    except (OSError, ValueError, RecursionError) as error:
        raise FileError(path, "is no comparison") from error
    if not isinstance(content, dict):
        raise FileError(path, "is no comparison")
    return content


def _canonical(content: dict[str, Any]) -> str:
    return json.dumps(content, sort_keys=True, separators=(",", ":"), default=np.ndarray.tolist)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _unicode(text: str) -> str:
    r"""Return JSON whose texts are Unicode: a path's byte that is no UTF-8 is written as it is shown, as ``\udc80``."""
    if "\\ud" not in text:
        return text
    unescaped = json.dumps(json.loads(text), ensure_ascii=False)
    return _SURROGATE.sub(lambda found: f"\\\\u{ord(found[0]):04x}", unescaped)


#: What speaks against accepting a side whose run came to it.
AGAINST = ("fail", "invalid", "aborted", HOLD)


def sign(log: Log, comparison: Comparison, signed: Signature) -> Head:
    """Record who has decided what on a comparison; return the statement's number and hash.

    Raises
    ------
    UsageError
        The comparison has no digest, by which it would be known again.
    RecordError
        It could not be recorded, and nothing of it was.
    """
    if not _DIGEST.fullmatch(comparison.digest):
        raise UsageError("the comparison has no digest: sign one that `linecheck compare` has written")
    against = despite(comparison) if signed.decision == "accept" else ()
    content = {
        **vars(signed),
        "despite": [vars(item) for item in against],
        "comparison": {
            **_named(
                comparison, "digest", "created", "software", "limit_path", "limit_revision", "limit_sha256"
            ),
            "sides": [_side_content(side) for side in comparison.sides],
            "findings": [finding.text for finding in comparison.findings],
        },
    }
    return log.state(SIGNOFF, comparison.digest, content)


def despite(comparison: Comparison) -> tuple[Despite, ...]:
    """Return the sides whose verdicts speak against accepting what was compared."""
    return tuple(
        Despite(side.label, side.serial, side.state) for side in comparison.sides if side.state in AGAINST
    )


def _side_content(side: Side) -> dict[str, Any]:
    checks = {
        shared: _named(check, "name", "stimulus_sha256", "capture_sha256")
        for shared, check in side.checks.items()
    }
    known = _named(side, "label", "reference", "run_id", "serial", "model", "firmware")
    return {**known, "verdict": side.verdict.value, "checks": checks}


def _named(item: object, *names: str) -> dict[str, Any]:
    return {name: getattr(item, name) for name in names}
