"""What a limit file says, once it has been read and found free of faults."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from linecheck.checks.base import CheckKind, Parameters

__all__ = ["Bounds", "Check", "Decision", "Limit", "LimitFile", "Mask"]

#: A flat limit, or the corners (x, limit) of a curve's limit, x ascending.
Limit = float | tuple[tuple[float, float], ...]
Decision = Literal["simple", "guarded"]


@dataclass(frozen=True)
class Bounds:
    """A lower and an upper limit, either of which may be absent."""

    min: Limit | None = None
    max: Limit | None = None


@dataclass(frozen=True)
class Mask:
    """Inside ``pass_`` a reading passes, outside ``fail`` it fails, between them it is marginal.

    ``fail`` None means that what lies outside the pass mask fails.
    """

    pass_: Bounds
    fail: Bounds | None = None


@dataclass(frozen=True)
class Check:
    """One check of a limit file; ``setup`` is complete (the file's, with what differs for the check).

    ``reference`` is the name of the check that this one refers to, resolved; None where it refers to none.
    ``regression`` holds by how much a metric or curve may differ from a baseline, in its unit; what is not named there
    is not compared.
    """

    name: str
    kind: CheckKind
    stimulus: Parameters
    analysis: Parameters
    setup: Mapping[str, str]
    masks: Mapping[str, Mask]
    reference: str | None = None
    regression: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class LimitFile:
    """A whole limit file.

    ``sha256`` is over the bytes of the file and of every file that it builds on.
    """

    path: str
    sha256: str
    model: str
    revision: int
    channels: tuple[str, ...]
    serial_pattern: str
    decision: Decision
    setup: Mapping[str, str]
    checks: tuple[Check, ...]
    approved_by: str | None = None
    approved_on: str | None = None
