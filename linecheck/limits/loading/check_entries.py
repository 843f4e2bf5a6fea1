"""The ``checks`` of a limit file: their kinds, setups, parameters and references."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from linecheck.checks.base import CheckKind, Parameters
from linecheck.files.faults import FaultList, checked_model, did_you_mean
from linecheck.files.yaml import REFUSED, KeyPath, described, shown
from linecheck.limits.loading.header import NAME, SETUP_VALUE_LENGTH, is_reserved
from linecheck.limits.loading.mask_entries import read_masks
from linecheck.limits.loading.measurable import refuse_incomparable, refuse_unmeasurable
from linecheck.limits.loading.regression_entries import Margins, read_margins, resolved_margins
from linecheck.limits.loading.setup_entries import LAID_OVER, RATE, Member, read_members, removed, setups_of
from linecheck.limits.loading.values import read_mapping
from linecheck.limits.model import Check

CHECK_KEYS: Final = ("kind", "setup", "setups", "stimulus", "analysis", "masks", "regression")


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
    classes: Margins,
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
    classes : mapping of str to float or None
        The file's own margins of regression, by metric or unit.
    """
    data = read_mapping(data, ("checks",), "checks by their names", faults, may_be_empty=True)
    if data is None:
        return ()
    found = [_read_entry(name, entry, kinds, faults) for name, entry in data.items()]
    entries = {entry.name: entry for entry in found if entry is not None}
    unread = frozenset(data.keys() - entries.keys())
    reader = _Reader(entries, unread, texts, channels, faults, classes)
    members = {name: reader.members(entry, setup) for name, entry in entries.items()}
    checks = [reader.check(entries[name], member) for name, found in members.items() for member in found]
    if len(entries) == len(data) and not any(_has_masks(entry.data) for entry in entries.values()):
        faults.add(("checks",), "no check has a mask, so the file judges nothing; expected one mask or more")
    read = tuple(check for check in checks if check is not None)
    return tuple(replace(check, reference=_nearest(check, read)) for check in read)


def _has_masks(data: Mapping[str, Any]) -> bool:
    """Return whether a check, or one of its setups, has a mask."""
    setups = data.get("setups")
    members = setups if isinstance(setups, list) else []
    return "masks" in data or any(isinstance(member, dict) and "masks" in member for member in members)


def _nearest(check: Check, checks: Sequence[Check]) -> str | None:
    """Return which variant of the check that one refers to agrees with its setup in most settings."""
    variants = [one for one in checks if one.entry == check.reference]

    def agreeing(other: Check) -> int:
        return len(check.setup.items() & other.setup.items())

    return max(variants, key=agreeing).name if variants else check.reference


def read_setup(
    data: object, path: KeyPath, texts: Mapping[KeyPath, str], faults: FaultList
) -> dict[str, str]:
    """Return a setup: names and texts.

    Numbers, true and false are kept as they are written: 1.10 stays 1.10.
    """
    form = "names and values, as in output: balanced"
    setup: dict[str, str] = {}
    for key, value in (read_mapping(data, path, form, faults, may_be_empty=True) or {}).items():
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
        faults.add_key(path, f"{name} cannot be a file name on Windows; give the check another name")
    data = read_mapping(data, path, ", ".join(CHECK_KEYS), faults, may_be_empty=True)
    if data is None:
        return None
    kind = data.get("kind")
    known = kinds.get(kind) if isinstance(kind, str) else None
    for key in data.keys() - set(CHECK_KEYS):
        faults.add_key((*path, key), _unknown_key(key, known))
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


def _unknown_key(key: str, kind: CheckKind | None) -> str:
    """Say of a key what it may have meant: one that belongs a level deeper, where the kind has such a name."""
    if kind is not None:
        places: dict[str, Iterable[str]] = {
            "masks": [spec.name for spec in kind.specs],
            "stimulus": kind.stimulus_parameters.model_fields,
            "analysis": kind.analysis_parameters.model_fields,
        }
        for place, names in places.items():
            if key in names:
                return f"unknown key here; it belongs under {place}, indented further"
    return f"unknown key; {did_you_mean(key, CHECK_KEYS, 'the keys here are')}"


@dataclass(frozen=True)
class _Reader:
    """Turns entries and their setups into checks."""

    entries: Mapping[str, _Entry]
    unread: frozenset[str]
    texts: Mapping[KeyPath, str]
    channels: int
    faults: FaultList
    classes: Margins

    def members(self, entry: _Entry, setup: Mapping[str, str]) -> tuple[Member, ...]:
        """Return the setups that a check is run under."""
        own = read_setup(entry.data.get("setup", {}), (*entry.path, "setup"), self.texts, self.faults)
        setup = {**setup, **own}
        if "setups" not in entry.data:
            return (Member(entry.name, setup),)
        path = (*entry.path, "setups")
        members = setups_of(entry.data["setups"], path, self.faults)
        settings = [self._settings(member, (*path, index)) for index, member in enumerate(members)]
        found = read_members(entry.name, members, settings, setup, path, self.faults)
        # A check without a usable setup is looked at all the same, so that every fault comes at once.
        return found or (Member(entry.name, setup),)

    def _settings(self, member: object, path: KeyPath) -> dict[str, str]:
        own = (
            {key: value for key, value in member.items() if key not in LAID_OVER}
            if isinstance(member, dict)
            else member
        )
        settings = read_setup(own, path, self.texts, self.faults)
        if own == {}:
            self.faults.add(path, "sets nothing; expected a setting, as in filter: slow")
        return settings

    def check(self, entry: _Entry, member: Member) -> Check | None:
        """Return a check under one of its setups; None, and faults, where something is wrong."""
        kind, data, path, faults = entry.kind, entry.data, entry.path, self.faults
        stimulus = self._stimulus(entry, member)
        analysis = checked_model(
            kind.analysis_parameters, data.get("analysis", {}), (*path, "analysis"), faults
        )
        masks, over = self._laid_over(entry, member, "masks", read_masks)
        margins, own = self._laid_over(entry, member, "regression", read_margins)
        if stimulus is None or analysis is None:
            return None
        reference = _reference(entry, analysis, self.entries, self.unread, faults)
        both = {**masks, **over}
        resolved = resolved_margins(kind, both, {**margins, **own}, self.classes)
        compared = {name: margin for name, margin in resolved.items() if margin is not None}
        declined = frozenset(resolved.keys() - compared.keys())
        check = Check(
            member.name, kind, stimulus, analysis, member.setup, both, reference, compared, declined
        )
        self._refuse(check, data, path, (masks, margins))
        if member.path is not None:
            self._refuse(check, member.data, member.path, (over, own))
        return check

    def _refuse(self, check: Check, data: Mapping[str, Any], path: KeyPath, own: tuple[Any, Any]) -> None:
        """Refuse masks and margins, where they stand, of what the check never measures."""
        masks, margins = own
        written = data.get("masks")
        if isinstance(written, dict):
            # What a setup replaces or removes is judged nowhere under it.
            written = {
                name: mask
                for name, mask in written.items()
                if mask is not None and (name in masks or name not in check.masks)
            }
        masked = replace(check, masks=masks)
        refuse_unmeasurable(masked, written, (*path, "masks"), self.channels, self.faults)
        refuse_incomparable(check, margins, (*path, "regression"), self.channels, self.faults)

    def _stimulus(self, entry: _Entry, member: Member) -> Parameters | None:
        """Return what is played, at the setup's rate where it names one."""
        model, path = entry.kind.stimulus_parameters, (*entry.path, "stimulus")
        data = entry.data.get("stimulus", {})
        if member.path is None or RATE not in member.data or not isinstance(data, dict):
            return checked_model(model, data, path, self.faults)
        place = (*member.path, RATE)
        if RATE not in model.model_fields:
            self.faults.add_key(place, f"the stimulus of kind {entry.kind.name} has no rate")
            return None
        faults = _Elsewhere(self.faults, {path: place, (*path, RATE): place})
        return checked_model(model, {**data, RATE: member.data[RATE]}, path, faults)

    def _laid_over(
        self, entry: _Entry, member: Member, key: str, read: Callable[..., dict[str, Any]]
    ) -> tuple[dict[str, Any], dict[str, Any]]:
        """Return what remains of the check's masks or margins, and those that the setup itself gives."""
        faults, own = self.faults, member.data.get(key)
        below = entry.data.get(key)
        found = read(below, entry.kind, (*entry.path, key), faults) if key in entry.data else {}
        if member.path is None or key not in member.data:
            return found, {}
        where = (*member.path, key)
        gone = set(removed(own, below, where, faults))
        kept = (
            {name: value for name, value in own.items() if value is not None}
            if isinstance(own, dict)
            else own
        )
        over = read(kept, entry.kind, where, faults) if kept or not gone else {}
        return {name: value for name, value in found.items() if name not in gone and name not in over}, over


class _Elsewhere(FaultList):
    """Reports faults of some values at other places, from which the values come."""

    def __init__(self, faults: FaultList, places: Mapping[KeyPath, KeyPath]) -> None:
        self._to = faults
        self._places = places

    def add(self, path: KeyPath, message: str) -> None:
        """Add a fault of the value at a path."""
        self._to.add(self._places.get(path, path), message)

    def add_key(self, path: KeyPath, message: str) -> None:
        """Add a fault of the key at a path."""
        self._to.add_key(self._places.get(path, path), message)

    def add_missing(self, path: KeyPath, message: str) -> None:
        """Add that a key is missing."""
        self._to.add_missing(path, message)


def _reference(
    entry: _Entry,
    analysis: Parameters,
    entries: Mapping[str, _Entry],
    unread: frozenset[str],
    faults: FaultList,
) -> str | None:
    """Return the name of the check that one refers to: the one it names, or the first of the right kind.

    A check that could not be read, which is a fault already, may be of the right kind.
    """
    wanted = entry.kind.reference_kind
    if wanted is None:
        return None
    fitting = [
        other.name for other in entries.values() if other.kind.name == wanted and other.name != entry.name
    ]
    named: str | None = getattr(analysis, "reference", None)
    if named is None:
        return next(iter((*fitting, *unread)), None)
    if named not in fitting and named not in unread:
        path = (*entry.path, "analysis", "reference")
        known = (
            did_you_mean(named, fitting, f"the checks of kind {wanted} are")
            if fitting
            else f"there is no check of kind {wanted}"
        )
        faults.add(path, f"no check of kind {wanted} is named {shown(named)}; {known}")
    return named
