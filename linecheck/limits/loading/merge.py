"""``based_on``: a limit file together with the files that it builds on.

The file that is built on is read first, the one that names it is laid over it:

- mappings are merged key by key, to any depth;
- everything else (numbers, text, lists of points, lists of channels) replaces what was there, as a whole;
- nothing (``null``, or a key without a value) removes what was there.

``format``, ``based_on``, ``model``, ``revision`` and ``approved`` speak of the one file that they stand in
and are not taken over: nobody has approved a file by approving another that it builds on.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from typing import Any, Final

from linecheck.errors import Fault, FileError, FileFaults
from linecheck.files.yaml import REFUSED, Place, Source, described, read_source, shown

__all__ = ["MAX_FILES", "NOT_TAKEN_OVER", "combined_sha256", "merge", "read_chain"]

MAX_FILES: Final = 8
NOT_TAKEN_OVER: Final = frozenset({"format", "based_on", "model", "revision", "approved"})


def merge(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """Return ``over`` laid over ``base``; neither is changed. Keys keep their order, new ones follow."""
    merged = dict(base)
    for key, value in over.items():
        below = merged.get(key)
        if value is None and key in merged:
            del merged[key]
        elif isinstance(value, dict) and isinstance(below, dict):
            merged[key] = merge(below, value)
        else:
            merged[key] = value
    return merged


def combined_sha256(digests: Sequence[str]) -> str:
    """Return one SHA-256 for several files.

    One file: the SHA-256 of its bytes. Several: the SHA-256 of their binary digests, one after another in
    the order in which they are merged, the file that all build on first.
    """
    if len(digests) == 1:
        return digests[0]
    return hashlib.sha256(b"".join(bytes.fromhex(digest) for digest in digests)).hexdigest()


def read_chain(path: str | os.PathLike[str]) -> tuple[Source, ...]:
    """Read a limit file and all that it builds on.

    Returns
    -------
    tuple of Source
        In the order in which they are merged: the file itself is last.

    Raises
    ------
    FileError
        The file itself cannot be read.
    FileFaults
        One of the files is no YAML, or a ``based_on`` leads nowhere, in a circle or too far.
    """
    chain = [read_source(path)]
    seen = [os.path.realpath(chain[0].path)]
    while "based_on" in chain[-1].data:
        source = chain[-1]
        next_path = _target(source)
        if next_path is None:
            break
        real = os.path.realpath(next_path)
        if real in seen:
            _add(source, f"goes in a circle: {shown(next_path, 120)} builds on this file, or is it")
            break
        if len(chain) == MAX_FILES:
            _add(source, f"at most {MAX_FILES} files may build on each other")
            break
        try:
            chain.append(read_source(next_path))
        except FileFaults as error:
            raise FileFaults(
                path, tuple(fault for known in chain for fault in known.faults) + error.faults
            ) from None
        except FileError as error:
            _add(source, f"{error.path}: {error.message}")
            break
        seen.append(real)
    else:
        return tuple(reversed(chain))
    raise FileFaults(path, tuple(fault for known in chain for fault in known.faults))


def _target(source: Source) -> str | None:
    """Return the path that ``based_on`` names; None (and a fault) where it names none."""
    value = source.data["based_on"]
    if value is REFUSED:
        return None
    if not isinstance(value, str):
        _add(source, f"expected the path of a limit file, got {described(value)}")
    elif not 0 < len(value) <= 500:
        _add(source, f"expected the path of a limit file, got {len(value)} characters")
    elif os.path.isabs(value) or "\\" in value or ":" in value:
        _add(
            source,
            "expected a path relative to this file, with '/', as in common/line-output.yaml, "
            f"got {shown(value)}",
        )
    else:
        return os.path.join(os.path.dirname(source.path), value)
    return None


def _add(source: Source, message: str) -> None:
    place = source.values.get(("based_on",), Place(source.path, 1, 1))
    source.faults.append(Fault(place.file, place.line, place.column, "based_on", message))
