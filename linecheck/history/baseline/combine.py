"""Several runs of one unit made into one: what a baseline keeps of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import reduce
from statistics import fmean, stdev
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.parts.volts import VOLT_UNITS
from linecheck.errors import UsageError
from linecheck.history.baseline.file import (
    CheckEntry,
    CurveEntry,
    ReadingEntry,
    UnitEntry,
    curve_entry,
    rounded_reading,
)
from linecheck.history.baseline.unit_entry import unit_entry
from linecheck.limits.curve_profile import Lattice, Profile, is_another
from linecheck.limits.model import Check
from linecheck.limits.regression import Better
from linecheck.results.wording import number, subject
from linecheck.run.model import Run

__all__ = ["combined_unit"]

#: A value contradicts a bound beyond so many standard uncertainties of both.
_CONTRADICTION = 4.0


def combined_unit(runs: Sequence[Run], lattices: dict[tuple[str, str, str | None], Lattice]) -> UnitEntry:
    """Return what a baseline keeps of the runs of one unit: means, rounded.

    The uncertainty is the larger of the stated ones' and of that of the spread between the runs.

    Raises
    ------
    UsageError
        They are of different firmware, were recorded with different stimuli, or contradict each other: a value that is
        worse than the bound of another run, curves that end at different places.
    """
    entries = [unit_entry(run, lattices) for run in runs]
    serial = entries[0].serial
    firmware = list(dict.fromkeys(entry.firmware for entry in entries))
    if len(firmware) > 1:
        named = " and ".join(name or "unknown" for name in firmware)
        raise UsageError(
            f"the sets of {serial} are of firmware {named}: what is combined must be of one; accept one of them"
        )
    checks: dict[str, list[CheckEntry]] = {}
    for entry in entries:
        for check in entry.check:
            checks.setdefault(check.name, []).append(check)
    for together in checks.values():
        _require_alike(serial, together)
    certificates = {entry.certificate for entry in entries}
    one = len(certificates) == 1
    volts = entries[0].volts_uncertainty_percent if one else None
    checks_by_name = {check.name: check for check in runs[0].limits.checks}
    return UnitEntry(
        serial=serial,
        firmware=firmware[0],
        stations=tuple(dict.fromkeys(station for entry in entries for station in entry.stations)),
        certificate=certificates.pop() if one else None,
        volts_uncertainty_percent=volts,
        check=tuple(
            _combined_check(serial, together, 0.01 * (volts or 0.0), checks_by_name[name])
            for name, together in checks.items()
        ),
    )


def _require_alike(serial: str, entries: Sequence[CheckEntry]) -> None:
    """Refuse what cannot be combined: other stimuli, or the same capture again, which says no more than once."""
    name, stimulus = entries[0].name, entries[0].stimulus
    captures = [entry.captures for entry in entries if entry.captures]
    if len(set(captures)) < len(captures):
        raise UsageError(f"the sets of {serial} have the same capture of {name}: give each set once")
    if any(entry.stimulus != stimulus for entry in entries):
        raise UsageError(
            f"the sets of {serial} were recorded with different stimuli of {name}: accept one of them"
        )


def _combined_check(
    serial: str, entries: Sequence[CheckEntry], same_volts: float, check: Check
) -> CheckEntry:
    first, margins = entries[0], check.regression
    readings = _side_by_side([entry.readings for entry in entries])
    curves = _side_by_side([entry.curve for entry in entries])
    better = {spec.name: spec.better for spec in check.kind.metrics}
    for items in readings:
        _require_agreement(serial, check.name, items, better[items[0].metric], margins[items[0].metric])
    for together in curves:
        _require_same_ends(serial, check.name, together)
    combined = [_combined_reading(items, same_volts) for items in readings]
    return CheckEntry(
        name=first.name,
        kind=first.kind,
        setup=first.setup,
        stimulus=_without_none(first.stimulus),
        analysis=_without_none(first.analysis),
        captures=tuple(digest for entry in entries for digest in entry.captures),
        readings=tuple(rounded_reading(reading, margins[reading.metric]) for reading in combined),
        curve=tuple(_combined_curve(items, margins[items[0].metric]) for items in curves),
    )


_Entry = TypeVar("_Entry", ReadingEntry, CurveEntry)


def _side_by_side(entries: Iterable[Iterable[_Entry]]) -> list[list[_Entry]]:
    """Return what is alike in metric and channel together, in the order of the first."""
    found: dict[tuple[str, str | None], list[_Entry]] = {}
    for items in entries:
        for item in items:
            found.setdefault((item.metric, item.channel), []).append(item)
    return list(found.values())


def _without_none(values: Mapping[str, object]) -> dict[str, object]:
    return {name: value for name, value in values.items() if value is not None}


def _require_agreement(
    serial: str, check: str, entries: Sequence[ReadingEntry], better: Better, margin: float
) -> None:
    """Refuse a value that is worse than what another run says is the worst that it can be."""
    bounds = [entry for entry in entries if entry.bound]
    values = [entry for entry in entries if not entry.bound]
    sign = {"less": 1.0, "more": -1.0}.get(better)
    if sign is None or not bounds or not values:
        return
    bound = min(bounds, key=lambda entry: sign * entry.value)
    value = max(values, key=lambda entry: sign * entry.value)
    noise = _CONTRADICTION * math.hypot(bound.uncertainty, value.uncertainty)
    if sign * (value.value - bound.value) > max(margin, noise):
        name = subject(check, value.metric, value.channel)
        raise UsageError(
            f"the sets of {serial} contradict each other in {name}: {number(value.value, value.unit)} in one, "
            f"{number(bound.value, bound.unit)} or better in another; find out why, or accept those that agree"
        )


def _require_same_ends(serial: str, check: str, entries: Sequence[CurveEntry]) -> None:
    """Refuse curves of which one lacks many of another's bands: what only some have would leave the baseline."""
    profiles = [entry.profile() for entry in entries]
    everywhere = _shared_keys(profiles)
    if any(is_another(len(profile.keys) - len(everywhere), profile) for profile in profiles):
        name = subject(check, entries[0].metric, entries[0].channel)
        raise UsageError(
            f"the sets of {serial} have {name} over different ranges, recorded at different rates perhaps: "
            "accept those that agree"
        )


def _shared_keys(profiles: Sequence[Profile]) -> NDArray[np.int64]:
    """Return the bands that all have."""
    return reduce(np.intersect1d, (profile.keys for profile in profiles))


def _combined_reading(entries: Sequence[ReadingEntry], same_volts: float) -> ReadingEntry:
    """Return the mean of a reading: of the values where there are any, else of the bounds.

    The part of the uncertainty that the calibration gives to all alike does not shrink with their number.
    """
    known = [entry for entry in entries if not entry.bound] or entries
    if len(known) == 1:
        return known[0]
    values = [entry.value for entry in known]
    count, mean = len(values), fmean(values)
    common = same_volts * abs(mean) if known[0].unit in VOLT_UNITS else 0.0
    own = sum(max(entry.uncertainty**2 - common**2, 0.0) for entry in known)
    spread = max(math.sqrt(own) / count, stdev(values) / math.sqrt(count))
    return known[0].model_copy(update={"value": mean, "uncertainty": math.hypot(spread, common)})


def _combined_curve(entries: Sequence[CurveEntry], margin: float) -> CurveEntry:
    """Return the mean of a curve's extremes, in the bands that all have."""
    profiles = [entry.profile() for entry in entries]
    keys = _shared_keys(profiles)
    at = [np.searchsorted(profile.keys, keys) for profile in profiles]
    count = len(profiles)

    def stacked(values: Callable[[Profile], np.ndarray]) -> np.ndarray:
        return np.stack([values(profile)[:, here] for profile, here in zip(profiles, at, strict=True)])

    inner = stacked(lambda profile: profile.inner)
    stated = np.sqrt(np.sum(stacked(lambda profile: profile.uncertainty) ** 2, axis=0)) / count
    spread = np.std(inner, axis=0, ddof=1) / math.sqrt(count) if count > 1 else np.zeros_like(stated)
    combined = Profile(
        profiles[0].lattice,
        keys,
        inner.mean(axis=0),
        stacked(lambda profile: profile.outer).mean(axis=0),
        np.maximum(stated, spread),
        stacked(lambda profile: profile.x)[0],
    )
    like = entries[0]
    return curve_entry(combined, like.metric, like.channel, like.unit, like.x_unit, margin)
