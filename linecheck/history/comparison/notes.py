"""What limits a comparison, and what differs between its sides besides the unit: said before any number."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Final

from linecheck.errors import listed
from linecheck.history.comparison.alike import reaches_alike, unlike
from linecheck.history.comparison.sides import LABELS, Picked
from linecheck.limits.verdict import Verdict

__all__ = ["notes"]

#: So many names are listed, the rest counted.
_MAX_NAMES: Final = 12


def notes(picked: Sequence[Picked]) -> Iterator[str]:
    """Yield what limits a comparison, in sentences."""
    for label, side in zip(LABELS, picked, strict=False):
        if side.view.verdict in (Verdict.INVALID, Verdict.ABORTED):
            yield (
                f"{label} was not judged: its run is {side.view.verdict.value}, and what of it is compared may not be "
                "trusted"
            )
        if side.view.held:
            yield f"{label} is a hold: its run passed, and does not release its unit, which has failed before"
    for label, side in zip(LABELS, picked, strict=False):
        empty = [name for name in side.checks if not _measured(side, name)]
        if empty:
            yield f"{label} has no measured value in {_listed(empty)}, which is not compared there"
    for label, side in zip(LABELS[1:], picked[1:], strict=False):
        yield from _of_side(picked[0], side, label)


def _measured(side: Picked, name: str) -> bool:
    judged = side.checks[name].judged
    return any(item.reading.value is not None for item in judged.readings) or any(
        len(item.curve.x) for item in judged.curves
    )


def _of_side(first: Picked, side: Picked, label: str) -> Iterator[str]:
    missing = [name for name in first.checks if name not in side.checks]
    more = [name for name in side.checks if name not in first.checks]
    if missing:
        yield f"{label} has no {_listed(missing)}"
    if more:
        yield f"only {label} has {_listed(more)}"
    for name in first.checks:
        why = unlike(first, side, name)
        if why is not None:
            yield f"{name} is not compared: {label} {why}"
    for what, differs in _FACTS:
        found = [name for name in first.checks if name in side.checks and differs(first, side, name)]
        if found:
            yield f"{label} {what} in {_listed(found)}"
    yield from _about(first, side, label)


def _about(first: Picked, side: Picked, label: str) -> Iterator[str]:
    one, two = first.view, side.view
    if two.limits.sha256 != one.limits.sha256:
        yield f"{label} was judged by another limit file, or another revision of it, than A"
    if two.station != one.station:
        yield f"{label} was measured on {_or_none(two.station)}, A on {_or_none(one.station)}"
    elif two.calibration != one.calibration:
        yield f"{label} was measured with another calibration than A"
    changed = _settings(first, side)
    if changed:
        yield f"{label} was set differently from A: {changed}"


def _settings(first: Picked, side: Picked) -> str:
    """Return which settings differ in every check that both sides have and that say them."""
    pairs: dict[str, set[tuple[str, str]]] = {}
    for name in first.checks.keys() & side.checks.keys():
        one, two = first.checks[name].setup, side.checks[name].setup
        for key in one.keys() | two.keys():
            pairs.setdefault(key, set()).add((two.get(key, "not said"), one.get(key, "not said")))
    told = []
    for key, found in sorted(pairs.items()):
        differing = sorted((new, old) for new, old in found if new != old)
        told += [f"{key} {new}, not {old}" for new, old in differing]
    return "; ".join(told)


def _other_stimulus(first: Picked, side: Picked, name: str) -> bool:
    digests = {first.checks[name].stimulus_sha256, side.checks[name].stimulus_sha256}
    return unlike(first, side, name) is None and None not in digests and len(digests) > 1


def _same_capture(first: Picked, side: Picked, name: str) -> bool:
    digest = first.checks[name].capture_sha256
    return digest is not None and digest == side.checks[name].capture_sha256


def _other_reach(first: Picked, side: Picked, name: str) -> bool:
    return not reaches_alike(first.checks[name], side.checks[name])


_Differs = Callable[[Picked, Picked, str], bool]
_FACTS: Final[tuple[tuple[str, _Differs], ...]] = (
    ("was played other samples than A, of the same kind,", _other_stimulus),
    ("is the very capture of A, so that no difference is no proof,", _same_capture),
    ("was captured at another rate, so that what lies at the edge is not compared,", _other_reach),
)


def _or_none(station: str | None) -> str:
    return f"station {station}" if station else "an unnamed station"


def _listed(names: Sequence[str]) -> str:
    return ", ".join(listed(names, _MAX_NAMES))
