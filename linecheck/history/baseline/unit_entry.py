"""From a run's outcome to what a baseline keeps of it, and what a baseline compares.

==========================  ================================================================
:func:`unit_entry`          everything of a run that has a margin, in full
:func:`items_of`            what a baseline keeps of a check, by the names that a limit file compares
:func:`require_margins`     refuse a limit file that compares nothing
:func:`uncompared_texts`    what has a mask and is not compared, and why
:func:`why_missing`         why a run has no value that could be compared
==========================  ================================================================
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from linecheck.checks.base import Curve, CurveSpec, MetricSpec, Reading
from linecheck.checks.parts.superseded import former_names
from linecheck.checks.parts.volts import is_uncalibrated
from linecheck.errors import FileError
from linecheck.history.baseline.file import (
    LARGEST,
    CheckEntry,
    CurveEntry,
    ReadingEntry,
    UnitEntry,
    curve_entry,
)
from linecheck.limits.curve_profile import Lattice, lattice_for, profile_of
from linecheck.limits.model import Check, LimitFile
from linecheck.run.model import CheckOutcome, Run
from linecheck.run.settle import reasons

NO_MARGINS = """\
declares no margin, so that nothing can be compared with a baseline. Say by how much something may change, at the top
for every masked metric of a unit or name, or in a check for one metric or curve:
  regression: {dB: 0.5, V: 0.02}
  checks:
    tone:
      regression: {sinad: 0.3, spectrum: 6}"""


def require_margins(limits: LimitFile) -> None:
    """Refuse a limit file that compares nothing.

    Raises
    ------
    FileError
        No check has a margin.
    """
    if not any(check.regression for check in limits.checks):
        raise FileError(limits.path, NO_MARGINS)


def uncompared_texts(limits: LimitFile) -> tuple[str, ...]:
    """Return what a limit file judges by masks and does not compare with a baseline, a sentence for each reason."""
    named: dict[str, list[str]] = {}
    for check in limits.checks:
        for metric, reason in check.uncompared.items():
            named.setdefault(reason, []).append(f"{check.name} {metric}")
    return tuple(
        f"not compared with the baseline, since {reason}: {', '.join(names)}"
        for reason, names in named.items()
    )


def compared(check: Check, channels: tuple[str, ...]) -> Iterator[tuple[MetricSpec | CurveSpec, str | None]]:
    """Yield what of a check has a margin, in the kind's order, in each channel; in None alone for the pair."""
    for spec in check.kind.specs:
        if spec.name in check.regression:
            for channel in channels if spec.per_channel else (None,):
                yield spec, channel


def items_of(
    entry: CheckEntry | None, check: Check
) -> dict[tuple[str, str | None], ReadingEntry | CurveEntry]:
    """Return what a baseline keeps of a check, by metric and channel: of two names of a reading by the compared one."""
    items = {} if entry is None else {(item.metric, item.channel): item for item in entry.items}
    for former, today in former_names(check.kind).items():
        for kept, wanted in ((former, today), (today, former)):
            if wanted in check.regression and kept not in check.regression:
                for metric, channel in list(items):
                    if metric == kept and (wanted, channel) not in items:
                        items[wanted, channel] = items.pop((kept, channel))
    return items


def why_missing(done: CheckOutcome | None, metric: str, channel: str | None) -> str:
    """Return why a run has no value of a metric that could be compared, given the check as it was run."""
    if done is None:
        return "the check was not run"
    why = "; ".join(problem.message for problem in reasons(done.judged.problems, metric, channel))
    return why or "it could not be measured, or has no uncertainty"


def unit_entry(outcome: Run, lattices: dict[tuple[str, str, str | None], Lattice]) -> UnitEntry:
    """Return everything of a run that has a margin and could be measured, in full.

    Parameters
    ----------
    outcome : Run
    lattices : dict
        The lattices to reduce curves on, by check, metric and channel; those that are not named are chosen and added.
    """
    done = {check.check: check for check in outcome.checks}
    checks = tuple(
        _check_entry(check, done[check.name], outcome.limits.channels, lattices)
        for check in outcome.limits.checks
        if check.regression and check.name in done
    )
    percent = outcome.calibration.get("uncertainty_percent")
    return UnitEntry.model_construct(
        serial=outcome.serial,
        firmware=outcome.firmware,
        stations=() if outcome.station is None else (outcome.station,),
        certificate=outcome.calibration.get("certificate"),
        volts_uncertainty_percent=None if percent is None else float(percent),
        check=checks,
    )


def _check_entry(
    check: Check,
    done: CheckOutcome,
    channels: tuple[str, ...],
    lattices: dict[tuple[str, str, str | None], Lattice],
) -> CheckEntry:
    items = {(item.measured.metric, item.measured.channel): item.measured for item in done.judged.items}
    taken: list[ReadingEntry] = []
    profiles: list[CurveEntry] = []
    for spec, channel in compared(check, channels):
        measured = items.get((spec.name, channel))
        if isinstance(spec, CurveSpec):
            if isinstance(measured, Curve) and (curve := _curve(check, measured, spec, lattices)):
                profiles.append(curve)
        elif isinstance(measured, Reading) and (reading := _reading(measured)):
            taken.append(reading)
    return CheckEntry.model_construct(
        name=check.name,
        kind=check.kind.name,
        setup=dict(check.setup),
        stimulus=check.stimulus.model_dump(mode="json"),
        analysis=check.analysis.model_dump(mode="json"),
        captures=() if done.capture_sha256 is None else (done.capture_sha256,),
        readings=tuple(taken),
        curve=tuple(profiles),
    )


def _reading(reading: Reading) -> ReadingEntry | None:
    uncertainty = _repeats_within(reading)
    if reading.value is None or uncertainty is None:
        return None
    if abs(reading.value) > LARGEST or not 0.0 <= uncertainty <= LARGEST:
        return None
    return ReadingEntry(
        metric=reading.metric,
        channel=reading.channel,
        value=float(reading.value),
        unit=reading.unit,
        uncertainty=float(uncertainty),
        bound=bool(reading.is_bound),
    )


def _repeats_within(reading: Reading) -> float | None:
    """Return the standard uncertainty that a comparison takes a reading with; None where there is none.

    What volts of an unstated calibration are in truth does not matter to whether they have changed: how well they
    repeat does. A record does not keep that, and their margin alone then decides.
    """
    if is_uncalibrated(reading):
        return 0.0 if reading.repeatability is None else reading.repeatability
    return reading.uncertainty


def _curve(
    check: Check, curve: Curve, spec: CurveSpec, lattices: dict[tuple[str, str, str | None], Lattice]
) -> CurveEntry | None:
    if not len(curve.x):
        return None
    key = (check.name, curve.metric, curve.channel)
    if key not in lattices:
        lattices[key] = lattice_for(curve, log_x=spec.log_x, better=spec.better)
    profile = profile_of(curve, lattices[key], spec.better)
    if profile is None or max(np.abs(curve.y).max(), np.abs(curve.x).max()) > LARGEST:
        return None
    return curve_entry(profile, curve.metric, curve.channel, curve.unit, curve.x_unit)
