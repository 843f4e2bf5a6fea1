"""What a comparison comes to, as it is shown, stored and signed.

========================  ==================================================================
:class:`Comparison`       two or more sides, the first of which the others are held against
:class:`Side`             one run or capture set, or what it measured under one setup
:class:`ComparedValue`    a metric of all sides, with each difference from the first
:class:`ComparedCurve`    a curve of all sides, likewise
:class:`Finding`          one difference that is real, in plain words with its number
========================  ==================================================================
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from pydantic import ConfigDict, with_config

from linecheck.checks.base import Curve, Note, Problem, Reading
from linecheck.checks.parts.declared import Better
from linecheck.limits.model import Mask
from linecheck.limits.verdict import Verdict
from linecheck.run.causes import Difference as SoundsLike
from linecheck.run.model import HOLD


@dataclass(frozen=True)
class SideCheck:
    """Where a side's part of a compared check comes from: its whole name there, its setup and its hashes."""

    name: str
    setup: Mapping[str, str]
    verdict: Verdict | None
    stimulus_sha256: str | None
    capture_sha256: str | None


@dataclass(frozen=True)
class Side:
    """One side.

    ``label`` is its letter, ``reference`` what was named on the command line, ``name`` a short name for words and
    legends; ``checks`` are by the name that all sides share.
    """

    label: str
    reference: str
    name: str
    source: str
    run_id: str
    serial: str
    model: str
    verdict: Verdict
    firmware: str | None
    station: str | None
    software: str
    started: str
    recorded: str | None
    limit_path: str
    limit_revision: int
    limit_sha256: str
    calibration: Mapping[str, str]
    interface: Mapping[str, str]
    checks: Mapping[str, SideCheck]
    problems: tuple[tuple[str | None, Problem | Note], ...] = ()
    held: bool = False

    @property
    def state(self) -> str:
        """What people read of its run: the verdict, or that it is a pass that releases nothing."""
        return HOLD if self.held else self.verdict.value


@dataclass(frozen=True)
class Difference:
    """A value less the first side's, with its standard uncertainty (k = 1).

    ``significant`` where noise does not explain it and it is more than the accuracy of the check; ``worse_by`` is the
    difference towards worse, None where neither way is worse. ``why`` says why there is none, where there is none.
    """

    difference: float | None
    uncertainty: float | None
    significant: bool
    worse_by: float | None
    why: str = ""


@dataclass(frozen=True)
class CurveDifference(Difference):
    """A curve held against the first side's, at the place where they differ most."""

    x: float | None = None
    value: float | None = None
    base_value: float | None = None


@dataclass(frozen=True, kw_only=True)
class _Compared:
    """A metric or curve of all sides, with the first side's mask."""

    check: str
    kind: str
    metric: str
    text: str
    channel: str | None
    unit: str
    better: Better
    mask: Mask | None = None


@dataclass(frozen=True, kw_only=True)
class ComparedValue(_Compared):
    """A metric of all sides.

    ``readings`` has one entry a side (None where it has none), ``differences`` one for each side but the first.
    """

    readings: tuple[Reading | None, ...]
    verdicts: tuple[Verdict | None, ...]
    differences: tuple[Difference, ...]


@dataclass(frozen=True, kw_only=True)
class ComparedCurve(_Compared):
    """A curve of all sides, as :class:`ComparedValue`."""

    x_unit: str
    log_x: bool
    curves: tuple[Curve | None, ...]
    differences: tuple[CurveDifference, ...]


Compared = ComparedValue | ComparedCurve


@dataclass(frozen=True)
class Finding:
    """One real difference between a side (its letter) and the first, in a sentence with its number.

    ``channels`` are those in which it was found. ``worse`` is None where neither way is worse. ``severity`` orders
    findings, the worst first.
    """

    side: str
    text: str
    check: str
    metric: str
    channels: tuple[str, ...]
    difference: float | None
    uncertainty: float | None
    unit: str
    worse: bool | None
    severity: float
    x: float | None = None


@with_config(ConfigDict(strict=True, extra="forbid", allow_inf_nan=False))
@dataclass(frozen=True)
class Comparison:
    """A whole comparison; where one is read, pydantic checks it to its last number.

    ``sigmas`` is what a difference must exceed in standard uncertainties to be no noise. ``findings`` are worst first,
    ``notes`` what limits the comparison (another stimulus, another capture rate, checks that only some sides have).
    ``causes`` says by a side's letter what its differences from the first sound like, where that is known.
    """

    created: str
    software: str
    limit_path: str
    limit_revision: int
    limit_sha256: str
    channels: tuple[str, ...]
    sides: tuple[Side, ...]
    sigmas: float
    comparisons: int
    values: tuple[ComparedValue, ...]
    curves: tuple[ComparedCurve, ...]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...] = field(default_factory=tuple)
    digest: str = ""
    causes: Mapping[str, SoundsLike] = field(default_factory=dict)

    @property
    def sounds(self) -> tuple[tuple[str, str], ...]:
        """What the differences sound like, a sentence for each side that says it, and how much that explains."""
        return tuple(
            self.sound_of(side.label) for side in self.sides if self.causes.get(side.label) is not None
        )

    def sound_of(self, label: str) -> tuple[str, str]:
        """Return what a side's differences sound like, and how much that explains; empty where nobody says it."""
        said = self.causes.get(label)
        if said is None:
            return "", ""
        return f"{label} {said.sentence[:1].lower()}{said.sentence[1:]}", said.explained
