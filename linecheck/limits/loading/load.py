"""Loading a limit file: everything is checked before anything is played.

:func:`load_limits` reads a file and all that it builds on, checks its header (:mod:`~linecheck.limits.loading.header`)
and its checks (:mod:`~linecheck.limits.loading.check_entries`), and either returns the whole or raises every fault at
once. :func:`load_with_warnings` also returns warnings, and the superseded names in the file.

With ``based_on`` the file that is built on is read first, and the one that names it is laid over it:

- mappings are merged key by key, to any depth;
- everything else (numbers, text, lists of points, lists of channels) replaces what was there, as a whole;
- nothing (``null``, or a key without a value) removes what was there.

``format``, ``based_on``, ``model``, ``revision`` and ``approved`` belong to the one file that they stand in and are not
taken over: nobody approves a file by approving another that it builds on.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

from linecheck.checks import kinds as all_kinds
from linecheck.checks.base import CheckKind
from linecheck.checks.parts.superseded import superseded
from linecheck.errors import Fault, FileError, FileFaults
from linecheck.files.faults import FaultList, checked_model
from linecheck.files.yaml import REFUSED, KeyPath, Place, Source, described, read_source, shown
from linecheck.limits.loading.check_entries import read_checks, read_setup
from linecheck.limits.loading.header import FORMAT, Header
from linecheck.limits.loading.regression_entries import read_classes
from linecheck.limits.mask_warnings import mask_warnings
from linecheck.limits.model import LimitFile

MAX_FILES: Final = 8
#: What a limit file has as its header says it.
_AS_IT_IS: Final = ("model", "revision", "channels", "serial_pattern", "decision", "retest", "study")
NOT_TAKEN_OVER: Final = frozenset({"format", "based_on", "model", "revision", "approved"})


class LoadedLimits(NamedTuple):
    """A limit file, its warnings, and its superseded names with their successors."""

    limits: LimitFile
    warnings: tuple[Fault, ...]
    superseded: tuple[Fault, ...]


def load_limits(path: str | os.PathLike[str], *, kinds: Mapping[str, CheckKind] | None = None) -> LimitFile:
    """Read a limit file and the files it builds on; refuse it if anything is wrong.

    Parameters
    ----------
    path : str or path
    kinds : mapping of str to CheckKind, optional
        The check kinds that the file may name; all that there are, if left out.

    Raises
    ------
    FileError
        The file cannot be read.
    FileFaults
        Every fault of the file and of the files that it builds on, each with its place.
    """
    return _load(path, read_chain(path), kinds)


def load_with_warnings(
    path: str | os.PathLike[str], *, kinds: Mapping[str, CheckKind] | None = None
) -> LoadedLimits:
    """Read a limit file as :func:`load_limits` does; return its warnings too, each with its place.

    A superseded name is no warning: it means what it meant, for good.

    Raises
    ------
    FileError, FileFaults
        As :func:`load_limits`.
    """
    chain = read_chain(path)
    limits = _load(path, chain, kinds)
    places = FaultList(chain)
    has_margins = places.stands(("regression",)) or any(
        check.regression or check.declined for check in limits.checks
    )
    former = FaultList(chain)
    seen: dict[str, int] = {}
    for check in limits.checks:
        index = seen.setdefault(check.entry, 0)
        seen[check.entry] += 1
        above: KeyPath = ("checks", check.entry)
        for warning in mask_warnings(check, has_margins=has_margins):
            own: KeyPath = (*above, "setups", index, "masks", *warning.place)
            places.add(own if places.stands(own) else (*above, "masks", *warning.place), warning.text)
        for name, text in superseded(check.kind):
            for place in ((*above, "setups", index, "masks"), (*above, "masks"), (*above, "regression")):
                if former.stands((*place, name)):
                    former.add_key((*place, name), text)
    used = {check.kind.name: check.kind for check in limits.checks}
    standing = {spec.name for kind in used.values() for spec in kind.specs if spec.superseded_by is None}
    for kind in used.values():
        for name, text in superseded(kind):
            if name not in standing and former.stands(("regression", name)):
                former.add_key(("regression", name), text)
    return LoadedLimits(limits, places.sorted, former.sorted)


def _load(
    path: str | os.PathLike[str], chain: Sequence[Source], kinds: Mapping[str, CheckKind] | None
) -> LimitFile:
    faults = FaultList(chain)
    data: dict[str, Any] = {}
    for source in chain:
        data = merge({key: value for key, value in data.items() if key not in NOT_TAKEN_OVER}, source.data)
    _check_formats(chain, faults)
    header = checked_model(Header, data, (), faults)
    _check_unique(data.get("channels"), faults)
    texts = {place: text for source in chain for place, text in source.texts.items()}
    setup = read_setup(data.get("setup", {}), ("setup",), texts, faults)
    known = all_kinds() if kinds is None else kinds
    declared = data.get("channels")
    channels = (
        len(declared) if isinstance(declared, list) and declared else 2
    )  # wrong ones are a fault already
    classes = read_classes(data["regression"], known, faults) if "regression" in data else {}
    checks = read_checks(data.get("checks", {}), known, setup, texts, channels, faults, classes)
    faults.raise_any()
    assert header is not None
    return LimitFile(
        path=os.fspath(path),
        sha256=combined_sha256([source.sha256 for source in chain]),
        **{name: getattr(header, name) for name in _AS_IT_IS},
        setup=setup,
        checks=checks,
        approved_by=header.approved.by if header.approved is not None else None,
        approved_on=header.approved.on if header.approved is not None else None,
    )


def _check_formats(chain: Sequence[Source], faults: FaultList) -> None:
    """Check the format of the files that are built on; the limit file's own is part of its header."""
    for source in chain[:-1]:
        found = source.data.get("format")
        if type(found) is not int or found != FORMAT:
            got = f", got {described(found)}" if "format" in source.data else ""
            faults.add_in(source, ("format",), f"every file states its format, expected {FORMAT}{got}")


def _check_unique(channels: object, faults: FaultList) -> None:
    """Add a fault for every channel whose name is taken; what is no list of names is a fault already."""
    seen: set[str] = set()
    for index, name in enumerate(channels if isinstance(channels, list) else ()):
        if isinstance(name, str):
            if name in seen:
                path: KeyPath = ("channels", index)
                faults.add(path, f"the channel {name} is named twice; names are unique")
            seen.add(name)


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
