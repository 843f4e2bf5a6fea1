"""What is broken, ranked, in plain words: causes as data, weighed by what a run shows."""

from collections.abc import Mapping

from linecheck.causes.naming import name_causes
from linecheck.run.causes import Causes
from linecheck.run.model import Run

__all__ = ["name_causes", "name_difference"]


def name_difference(run: Run, earlier: Mapping[tuple[str, str, str | None], float]) -> Causes | None:
    """Return what may have come between earlier readings and a run's; None where that cannot be told yet."""
    return None
