"""A limit file in memory, free of faults."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from linecheck.checks.base import CheckKind, CurveSpec, MetricSpec, Parameters
from linecheck.checks.parts.declared import Better
from linecheck.limits.retest import RetestPolicy
from linecheck.limits.study import StudyPolicy

#: Between the name of a check in the limit file and the setup that it is run under, where it has several.
SETUP_MARK: Final = "@"

#: A flat limit, or the corners (x, limit) of a curve's limit, x ascending.
Limit = float | tuple[tuple[float, float], ...]
Side = Literal["min", "max"]
Decision = Literal["simple", "guarded"]


def entry_name(name: str) -> str:
    """Return a check's name in the limit file, without the setup that it is run under."""
    return name.partition(SETUP_MARK)[0]


@dataclass(frozen=True)
class Bounds:
    """A lower and an upper limit, either of which may be absent."""

    min: Limit | None = None
    max: Limit | None = None

    @property
    def sides(self) -> dict[Side, Limit]:
        """The limits that are there."""
        sides: dict[Side, Limit | None] = {"min": self.min, "max": self.max}
        return {side: limit for side, limit in sides.items() if limit is not None}


@dataclass(frozen=True)
class Mask:
    """Inside ``pass_`` a reading passes, outside ``fail`` it fails, between them it is marginal.

    ``fail`` None means that what lies outside the pass mask fails.
    """

    pass_: Bounds
    fail: Bounds | None = None

    @property
    def limits(self) -> dict[tuple[str, Side], Limit]:
        """Every limit by its place under the mask, such as ``("pass", "min")``."""
        both = {"pass": self.pass_, "fail": self.fail or Bounds()}
        return {(name, side): limit for name, bounds in both.items() for side, limit in bounds.sides.items()}


@dataclass(frozen=True)
class Check:
    """One check of a limit file; ``setup`` is complete (the file's, with what differs for the check).

    A check with several setups stands here once for each. ``name`` is then the one in the file with the setup after it,
    as in ``reconstruction@filter=slow``: it is unique, plain enough for a file's name, and what results, logs and
    baselines know the check by.

    ``reference`` is the name of the check that this one refers to, resolved; None where it refers to none.
    ``regression`` holds by how much a metric or curve may differ from a baseline, in its unit; what is not named there
    is not compared. ``declined`` names those of which the file says so itself (``false``).
    """

    name: str
    kind: CheckKind
    stimulus: Parameters
    analysis: Parameters
    setup: Mapping[str, str]
    masks: Mapping[str, Mask]
    reference: str | None = None
    regression: Mapping[str, float] = field(default_factory=dict)
    declined: frozenset[str] = frozenset()

    @property
    def entry(self) -> str:
        """Its name in the file, which checks under several setups share."""
        return entry_name(self.name)

    def better(self, metric: str) -> Better:
        """Return which way a metric or curve is better; nominal of what the kind does not have."""
        return next((spec.better for spec in self.kind.specs if spec.name == metric), "nominal")

    def is_logarithmic(self, curve: str) -> bool:
        """Return whether a curve's axis is logarithmic; it is of what the kind does not have."""
        return next((spec.log_x for spec in self.kind.curves if spec.name == curve), True)

    @property
    def masked(self) -> tuple[MetricSpec | CurveSpec, ...]:
        """The metrics and curves with a mask, in the kind's order."""
        return tuple(spec for spec in self.kind.specs if spec.name in self.masks)

    def judged(self, channels: tuple[str, ...]) -> Iterator[tuple[MetricSpec | CurveSpec, str | None]]:
        """Yield each masked metric or curve with each channel that it is read in (None for the pair)."""
        for spec in self.masked:
            for channel in channels if spec.per_channel else (None,):
                yield spec, channel

    @property
    def uncompared(self) -> dict[str, str]:
        """Why a metric or curve that has a mask is not compared with a baseline, by name."""
        curves = {spec.name for spec in self.kind.curves}
        units = {spec.name: spec.unit for spec in self.kind.metrics}

        def reason(name: str) -> str:
            if name in self.declined:
                return "the limit file says false"
            if name in curves:
                return "the limit file gives it no margin, which a curve has by its own name only"
            unit = f" or for {units[name]}" if units[name] else ""
            return f"the limit file has no margin for {name}{unit}"

        return {name: reason(name) for name in self.masks if name not in self.regression}

    @property
    def stimulus_values(self) -> dict[str, Any]:
        """The stimulus's parameters as plain data."""
        return self.stimulus.model_dump(mode="json")

    @property
    def analysis_values(self) -> dict[str, Any]:
        """The analysis's parameters as plain data."""
        return self.analysis.model_dump(mode="json")


@dataclass(frozen=True)
class LimitReference:
    """Which limit file is meant; ``sha256`` is over the bytes of the file and of every file that it builds on."""

    path: str
    sha256: str
    revision: int


@dataclass(frozen=True, kw_only=True)
class LimitFile(LimitReference):
    """A whole limit file."""

    model: str
    channels: tuple[str, ...]
    serial_pattern: str
    decision: Decision
    setup: Mapping[str, str]
    checks: tuple[Check, ...]
    retest: RetestPolicy | None = None
    study: StudyPolicy | None = None
    approved_by: str | None = None
    approved_on: str | None = None
