"""The ``checks`` of a limit file: their kinds, setups, parameters and references."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from linecheck.checks.base import CheckKind, Parameters
from linecheck.limits.faults import FaultList, checked_model, did_you_mean
from linecheck.limits.header import NAME, SETUP_VALUE_LENGTH, is_reserved
from linecheck.limits.mask_entries import read_masks
from linecheck.limits.measurable import refuse_incomparable, refuse_unmeasurable
from linecheck.limits.model import Check, Mask
from linecheck.limits.regression_entries import Margins, read_margins, resolved_margins
from linecheck.limits.source import REFUSED, KeyPath, described, shown

__all__ = ["CHECK_KEYS", "read_checks", "read_setup"]

CHECK_KEYS: Final = ("kind", "setup", "stimulus", "analysis", "masks", "regression")


@dataclass(frozen=True)
class _Entry:
    """A check whose kind is known."""

    name: str
    kind: CheckKind
    data: Mapping[str, Any]

    @property
    def path(self) -> KeyPath:
        return ("checks", self.name)


def read_checks(
    data: object,
    kinds: Mapping[str, CheckKind],
    setup: Mapping[str, str],
    texts: Mapping[KeyPath, str],
    channels: int,
    faults: FaultList,
    classes: Margins | None = None,
) -> tuple[Check, ...]:
    """Return the checks in the file's order; what is wrong goes to ``faults`` and is left out.

    Parameters
    ----------
    data : object
        What stands under ``checks``.
    kinds : mapping of str to CheckKind
    setup : mapping of str to str
        The file's own, which that of each check is laid over.
    texts : mapping of KeyPath to str
        Scalars as they are written.
    channels : int
        How many the file declares.
    faults : FaultList
    classes : mapping of str to float or None, optional
        The file's own margins of regression, by metric or unit.
    """
    if data is REFUSED:
        return ()
    if not isinstance(data, dict):
        faults.add(("checks",), f"expected checks by their names, got {described(data)}")
        return ()
    found = [_read_entry(name, entry, kinds, faults) for name, entry in data.items()]
    entries = {entry.name: entry for entry in found if entry is not None}
    checks = [
        _read_check(entry, entries, setup, texts, channels, faults, classes or {})
        for entry in entries.values()
    ]
    if len(entries) == len(data) and not any("masks" in entry.data for entry in entries.values()):
        faults.add(
            ("checks",), "no check has a mask, so that the file judges nothing; expected one mask or more"
        )
    return tuple(check for check in checks if check is not None)


def read_setup(
    data: object, path: KeyPath, texts: Mapping[KeyPath, str], faults: FaultList
) -> dict[str, str]:
    """Return a setup: names and texts.

    Numbers, true and false are kept as they are written: 1.10 stays 1.10.
    """
    if data is REFUSED:
        return {}
    if not isinstance(data, dict):
        faults.add(path, f"expected names and values, as in output: balanced, got {described(data)}")
        return {}
    setup: dict[str, str] = {}
    for key, value in data.items():
        where = (*path, key)
        if re.fullmatch(NAME, key) is None:
            faults.add_key(where, f"a name is lower-case letters, digits and '_', got {shown(key)}")
        elif value is REFUSED:
            continue
        elif value is None or isinstance(value, dict | list):
            faults.add(where, f"expected text, a number, true or false, got {described(value)}")
        else:
            text = value if isinstance(value, str) else texts[where]
            if 0 < len(text) <= SETUP_VALUE_LENGTH:
                setup[key] = text
            else:
                faults.add(where, f"expected 1 to {SETUP_VALUE_LENGTH} characters, got {len(text)}")
    return setup


def _read_entry(name: str, data: object, kinds: Mapping[str, CheckKind], faults: FaultList) -> _Entry | None:
    """Return a check whose name, keys and kind are as they should be."""
    path: KeyPath = ("checks", name)
    if re.fullmatch(NAME, name) is None:
        faults.add_key(
            path, f"a check's name is lower-case letters, digits and '_', at most 63, got {shown(name)}"
        )
    elif is_reserved(name):
        faults.add_key(path, f"{name} cannot be a file's name on Windows; name the check otherwise")
    if data is REFUSED:
        return None
    if not isinstance(data, dict):
        faults.add(path, f"expected {', '.join(CHECK_KEYS)}, got {described(data)}")
        return None
    for key in data.keys() - set(CHECK_KEYS):
        faults.add_key((*path, key), f"unknown key; {did_you_mean(key, CHECK_KEYS, 'the keys here are')}")
    kind = data.get("kind")
    if kind is REFUSED:
        return None
    if "kind" not in data:
        faults.add_missing((*path, "kind"), f"is missing; the kinds are: {', '.join(kinds)}")
    elif not isinstance(kind, str):
        faults.add((*path, "kind"), f"expected a kind of check, got {described(kind)}")
    elif kind not in kinds:
        faults.add(
            (*path, "kind"), f"unknown kind {shown(kind)}; {did_you_mean(kind, kinds, 'the kinds are')}"
        )
    else:
        return _Entry(name, kinds[kind], data)
    return None


def _read_check(
    entry: _Entry,
    entries: Mapping[str, _Entry],
    setup: Mapping[str, str],
    texts: Mapping[KeyPath, str],
    channels: int,
    faults: FaultList,
    classes: Margins,
) -> Check | None:
    kind, data, path = entry.kind, entry.data, entry.path
    stimulus = checked_model(kind.stimulus_parameters, data.get("stimulus", {}), (*path, "stimulus"), faults)
    analysis = checked_model(kind.analysis_parameters, data.get("analysis", {}), (*path, "analysis"), faults)
    own_setup = read_setup(data.get("setup", {}), (*path, "setup"), texts, faults)
    masks: Mapping[str, Mask] = {}
    if "masks" in data:
        masks = read_masks(data["masks"], kind, (*path, "masks"), faults)
    own = (
        read_margins(data["regression"], kind, (*path, "regression"), faults) if "regression" in data else {}
    )
    if stimulus is None or analysis is None:
        return None
    reference = _reference(entry, analysis, entries, faults)
    margins = resolved_margins(kind, masks, own, classes)
    check = Check(entry.name, kind, stimulus, analysis, {**setup, **own_setup}, masks, reference, margins)
    refuse_unmeasurable(check, data.get("masks"), (*path, "masks"), channels, faults)
    refuse_incomparable(check, own, (*path, "regression"), channels, faults)
    return check


def _reference(
    entry: _Entry, analysis: Parameters, entries: Mapping[str, _Entry], faults: FaultList
) -> str | None:
    """Return the name of the check that one refers to: the one it names, or the first of the right kind."""
    wanted = entry.kind.reference_kind
    if wanted is None:
        return None
    fitting = [
        other.name for other in entries.values() if other.kind.name == wanted and other.name != entry.name
    ]
    named: str | None = getattr(analysis, "reference", None)
    if named is None:
        return fitting[0] if fitting else None
    if named not in fitting:
        path = (*entry.path, "analysis", "reference")
        known = (
            did_you_mean(named, fitting, f"the checks of kind {wanted} are")
            if fitting
            else f"there is no check of kind {wanted}"
        )
        faults.add(path, f"no check of kind {wanted} is named {shown(named)}; {known}")
    return named
