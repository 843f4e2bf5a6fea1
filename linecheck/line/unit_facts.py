"""What people say of a unit and of a run before it is tested."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Override", "UnitFacts"]


@dataclass(frozen=True)
class Override:
    """Somebody's leave to run a test against a rule."""

    code: str
    by: str
    note: str | None = None


@dataclass(frozen=True)
class UnitFacts:
    """What is said of a unit before it is tested; None where nothing is."""

    firmware: str | None = None
    operator: str | None = None
    variant: str | None = None
    lot: str | None = None
    work_order: str | None = None
    shift: str | None = None
    reason: str | None = None
    override: Override | None = None
