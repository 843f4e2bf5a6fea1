"""What people say of a unit and of a run before it is tested."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

__all__ = ["Override", "UnitFacts"]


@dataclass(frozen=True)
class Override:
    """Somebody's leave to run a test against a rule."""

    code: str
    by: str
    note: str | None = None


@dataclass(frozen=True)
class UnitFacts:
    """What is said of a unit before it is tested: facts by their names, and who lets it be tested against a rule."""

    said: Mapping[str, str] = field(default_factory=dict)
    override: Override | None = None

    @property
    def firmware(self) -> str | None:
        """The firmware that is expected of it."""
        return self.said.get("firmware")

    @property
    def reason(self) -> str | None:
        """The retest reason."""
        return self.said.get("reason")

    def with_reason(self, reason: str | None) -> UnitFacts:
        """Return the same with another reason, or with none."""
        others = {name: text for name, text in self.said.items() if name != "reason"}
        return replace(self, said=others if reason is None else others | {"reason": reason})
