"""From a run that does not pass to its ranked causes."""

from __future__ import annotations

from linecheck.run.causes import NONE_OF_THESE, Causes, RankedCause
from linecheck.run.model import Run

__all__ = ["name_causes"]

#: The version of the shipped priors.
PRIORS = 1


def name_causes(run: Run) -> Causes:
    """Return why a run may not pass."""
    none = RankedCause(
        (NONE_OF_THESE,),
        None,
        1.0,
        "none of the known causes",
        ("unit",),
        "set the unit aside for an engineer",
        "look at the report of the run",
        0,
    )
    return Causes(PRIORS, 0, (none,))
