"""Loading a limit file: everything is checked before anything is played.

:func:`load_limits` reads a file and all that it builds on (:mod:`~linecheck.limits.loading.merge`), looks at its
header (:mod:`~linecheck.limits.loading.header`) and its checks (:mod:`~linecheck.limits.loading.check_entries`), and
either returns the whole or raises every fault at once. :func:`load_with_doubts` says besides what is hardly meant, and
which names have been superseded.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from linecheck.checks import kinds as all_kinds
from linecheck.checks.base import CheckKind
from linecheck.checks.parts.superseded import superseded
from linecheck.errors import Fault
from linecheck.files.faults import FaultList, checked_model
from linecheck.files.yaml import KeyPath, Source, described
from linecheck.limits.doubts import doubts
from linecheck.limits.loading.check_entries import read_checks, read_setup
from linecheck.limits.loading.header import FORMAT, Header
from linecheck.limits.loading.merge import NOT_TAKEN_OVER, combined_sha256, merge, read_chain
from linecheck.limits.loading.regression_entries import read_classes
from linecheck.limits.model import LimitFile

__all__ = ["Doubted", "load_limits", "load_with_doubts"]


class Doubted(NamedTuple):
    """A limit file, what in it is hardly meant, and the superseded names in it with what took their place."""

    limits: LimitFile
    doubts: tuple[Fault, ...]
    superseded: tuple[Fault, ...]


def load_limits(path: str | os.PathLike[str], *, kinds: Mapping[str, CheckKind] | None = None) -> LimitFile:
    """Read a limit file, with what it builds on, and refuse it if anything in it is wrong.

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


def load_with_doubts(
    path: str | os.PathLike[str], *, kinds: Mapping[str, CheckKind] | None = None
) -> Doubted:
    """Read a limit file as :func:`load_limits` does; return what it says that is hardly meant too, each with its place.

    A superseded name is no doubt: it means what it meant, for good.

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
        for doubt in doubts(check, has_margins=has_margins):
            own: KeyPath = (*above, "setups", index, "masks", *doubt.place)
            places.add(own if places.stands(own) else (*above, "masks", *doubt.place), doubt.text)
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
    return Doubted(limits, places.sorted, former.sorted)


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
        model=header.model,
        revision=header.revision,
        channels=header.channels,
        serial_pattern=header.serial_pattern,
        decision=header.decision,
        setup=setup,
        checks=checks,
        retest=header.retest,
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
