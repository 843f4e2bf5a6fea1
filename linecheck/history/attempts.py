"""What changed between two attempts of one unit: verdicts, readings, and what else was not the same.

A reading has moved where a comparison of the two runs (:mod:`linecheck.history.comparison`) finds a difference that
noise does not explain and that is more than the accuracy of the check.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from linecheck.errors import LinecheckError
from linecheck.history.comparison.compare import compare_sides
from linecheck.history.comparison.model import Comparison
from linecheck.history.comparison.sides import pick
from linecheck.limits.verdict import Verdict
from linecheck.log.stored import RunRecord
from linecheck.log.view import RunView, view_of_record
from linecheck.results.wording import subject

__all__ = ["AttemptChanges", "Changed", "Flip", "Moved", "attempt_changes"]

_RUN_FACTS: Final = {
    "firmware": "firmware",
    "station": "station",
    "nest": "nest",
    "operator": "operator",
    "shift": "shift",
    "lot": "lot",
    "work_order": "work order",
    "variant": "variant",
    "software": "software",
    "limit_path": "limit file",
    "limit_revision": "limit revision",
    "limit_sha256": "limit file's bytes",
}
#: A hash says as much by its first characters.
_HASHES: Final = frozenset({"limit_sha256", "station_config_sha256", "plan_sha256", "source_commit"})
_HASH_LENGTH: Final = 12


@dataclass(frozen=True)
class Flip:
    """What was judged otherwise; None where it was not judged."""

    subject: str
    before: Verdict | None
    after: Verdict | None


@dataclass(frozen=True)
class Moved:
    """A reading that has moved, or a curve, at the place (``x``) where it moved most.

    ``towards`` is None where neither way is worse; ``judged`` says whether a mask judges it.
    """

    subject: str
    before: float
    after: float
    uncertainty: float | None
    unit: str
    towards: Literal["better", "worse"] | None
    judged: bool
    x: float | None = None
    x_unit: str = ""

    @property
    def sigmas(self) -> float:
        """By how many standard uncertainties it has moved."""
        moved = abs(self.after - self.before)
        return moved / self.uncertainty if self.uncertainty else math.inf


@dataclass(frozen=True)
class Changed:
    """A fact of the run that is another one; None where it was not recorded."""

    name: str
    before: str | None
    after: str | None


@dataclass(frozen=True)
class AttemptChanges:
    """What changed; ``compared`` counts the values that could be compared, ``why`` says why none could."""

    flips: tuple[Flip, ...]
    moved: tuple[Moved, ...]
    facts: tuple[Changed, ...]
    compared: int
    why: str = ""


def attempt_changes(earlier: RunRecord, later: RunRecord) -> AttemptChanges:
    """Return what changed from an attempt of a unit to a later one."""
    before, after = (view_of_record(record, "the log") for record in (earlier, later))
    comparison, why = _compared(before, after)
    moved = () if comparison is None else tuple(_moved(comparison))
    return AttemptChanges(
        flips=tuple(_flips(earlier, later)),
        moved=moved,
        facts=tuple(_facts(earlier, later)),
        compared=0 if comparison is None else comparison.comparisons,
        why=why,
    )


def _compared(before: RunView, after: RunView) -> tuple[Comparison | None, str]:
    try:
        return compare_sides([pick("A", before, {}), pick("B", after, {})]), ""
    except LinecheckError as error:
        return None, str(error)


def _verdicts(record: RunRecord) -> dict[str, Verdict | None]:
    """Return what was judged, and the checks that were not run."""
    found: dict[str, Verdict | None] = {}
    for check in record.checks:
        for item in check.judged.readings:
            found[subject(check.check, item.reading.metric, item.reading.channel)] = item.verdict
        for judged in check.judged.curves:
            name = subject(check.check, f"{judged.curve.metric} curve", judged.curve.channel)
            found[name] = judged.verdict
    return found


def _flips(earlier: RunRecord, later: RunRecord) -> Iterator[Flip]:
    before, after = _verdicts(earlier), _verdicts(later)
    for name in {**before, **after}:
        flip = Flip(name, before.get(name), after.get(name))
        if flip.before != flip.after:
            yield flip


def _moved(comparison: Comparison) -> Iterator[Moved]:
    """Yield what has moved: what a mask judges first, and of that what moved by the most uncertainties."""
    found = [*_moved_values(comparison), *_moved_curves(comparison)]
    yield from sorted(found, key=lambda moved: (not moved.judged, -moved.sigmas))


def _moved_values(comparison: Comparison) -> Iterator[Moved]:
    for value in comparison.values:
        (difference,), (base, new) = value.differences, value.readings
        if not difference.significant or base is None or new is None:
            continue
        if base.value is not None and new.value is not None:
            yield Moved(
                subject(value.check, value.metric, value.channel),
                base.value,
                new.value,
                difference.uncertainty,
                value.unit,
                _towards(difference.worse_by),
                value.mask is not None,
            )


def _moved_curves(comparison: Comparison) -> Iterator[Moved]:
    for curve in comparison.curves:
        (difference,) = curve.differences
        if not difference.significant or difference.value is None or difference.base_value is None:
            continue
        yield Moved(
            subject(curve.check, f"{curve.metric} curve", curve.channel),
            difference.base_value,
            difference.value,
            difference.uncertainty,
            curve.unit,
            _towards(difference.worse_by),
            curve.mask is not None,
            difference.x,
            curve.x_unit,
        )


def _towards(worse_by: float | None) -> Literal["better", "worse"] | None:
    if worse_by is None:
        return None
    return "worse" if worse_by > 0 else "better"


def _facts(earlier: RunRecord, later: RunRecord) -> Iterator[Changed]:
    for name, text in _RUN_FACTS.items():
        yield from _changed(text, getattr(earlier.run, name), getattr(later.run, name), name in _HASHES)
    for name, text, one, two in (
        (
            "station_config_sha256",
            "station config's bytes",
            earlier.station_config_sha256,
            later.station_config_sha256,
        ),
        ("plan_sha256", "plan", earlier.trace.plan_sha256, later.trace.plan_sha256),
        ("source_commit", "commit of linecheck", earlier.trace.source_commit, later.trace.source_commit),
    ):
        yield from _changed(text, one, two, name in _HASHES)
    yield from _mappings("calibration", earlier.calibration, later.calibration)
    yield from _mappings("interface", earlier.interface, later.interface)
    yield from _mappings("unit's own", earlier.trace.identity, later.trace.identity)
    yield from _mappings("computer", earlier.trace.host, later.trace.host)
    yield from _mappings("package", earlier.trace.packages, later.trace.packages)
    yield from _mappings("asset", _assets(earlier), _assets(later))
    yield from _mappings("setup of", _setups(earlier), _setups(later))
    yield from _changed("checks that were not run", _listed(earlier.missing), _listed(later.missing))


def _assets(record: RunRecord) -> dict[str, str]:
    return {
        asset.role: ", ".join([asset.id, *(f"{name} {value}" for name, value in sorted(asset.facts.items()))])
        for asset in record.trace.assets
    }


def _setups(record: RunRecord) -> dict[str, str]:
    """Return how the unit was set in each check."""
    return {
        check.check: _listed([f"{k} {v}" for k, v in sorted(check.setup.items())]) for check in record.checks
    }


def _mappings(name: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Changed]:
    for key in {**before, **after}:
        yield from _changed(f"{name} {key}", before.get(key), after.get(key))


def _changed(name: str, before: Any, after: Any, is_hash: bool = False) -> Iterator[Changed]:  # noqa: ANN401 - plain data
    if before == after:
        return
    one, two = (None if value in (None, "") else str(value) for value in (before, after))
    if is_hash:
        one, two = (None if text is None else text[:_HASH_LENGTH] for text in (one, two))
    yield Changed(name, one, two)


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names)
