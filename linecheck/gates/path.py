"""Which masks the station's path can decide, by the newest self-check, and what that means for units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from linecheck.checks.base import Problem
from linecheck.files.text import listed
from linecheck.limits.model import LimitFile
from linecheck.log.stored import Statement
from linecheck.measure.path_part import PathParts
from linecheck.station.budget.assessment import Assessment, StationPath, assess, path_parts
from linecheck.station.budget.figures import Figures, read_figures
from linecheck.station.config.station import StationConfig

#: Code of the note of a run whose masks the station's own path leaves hardly decidable, or not at all.
CODE: Final = "path_undecided"
MAX_NAMED: Final = 6

_LOOK: Final = "`linecheck station check --station CONFIG --limits FILE` says why"


@dataclass(frozen=True)
class PathStanding:
    """The notes that the path puts into a run, or why no unit is tested.

    Attributes
    ----------
    refusal : str or None
        Why no unit is tested; None where units may be.
    problems : tuple of Problem
    parts : mapping of str to PathParts
        By check: what widens decisions.
    """

    refusal: str | None = None
    problems: tuple[Problem, ...] = ()
    parts: Mapping[str, PathParts] = field(default_factory=dict)


def station_path(config: StationConfig, figures: Figures, rate_hz: int) -> StationPath:
    """Return a station's path from a self-check's figures and the config's volts."""
    return StationPath(
        figures, rate_hz, config.capture.full_scale_volts, config.calibration.volts_uncertainty
    )


def path_standing(config: StationConfig, limits: LimitFile, newest: Statement | None) -> PathStanding:
    """Return what the newest self-check's view of the path means for units.

    Parameters
    ----------
    config : StationConfig
    limits : LimitFile
    newest : Statement or None
        The newest self-check; None where there is none.
    """
    if config.loop is None or config.loop.kind == "digital":
        return PathStanding()
    path = None if newest is None else _recorded_path(config, newest.content)
    asked = config.loop.undecided
    if path is None or newest is None:
        if asked == "tell":
            return PathStanding()
        why = (
            "there is no self-check yet"
            if newest is None
            else f"record {newest.sequence} is from an earlier linecheck"
        )
        return PathStanding(
            f'loop.undecided = "{asked}" needs a self-check that shows what the station\'s path can decide ({why}): '
            "run `linecheck station check`"
        )
    held = assess(limits, path)
    told = undecided_words(held, newest.sequence)
    if asked == "refuse" and told:
        return PathStanding(f'{told}; loop.undecided = "refuse" tests no unit by them')
    parts = path_parts(held) if asked == "widen" else {}
    widened = (
        "; the path's share is added to the uncertainty of its readings, and the guarded rule judges them"
    )
    message = told + (widened if told and parts else "")
    return PathStanding(None, (Problem(CODE, message, blocks=False),) if message else (), parts)


def undecided_words(held: Assessment, sequence: int) -> str:
    """Return the masks that a path can barely decide, in one sentence; empty if it can decide all."""
    named = [f"{mask.check} {mask.metric}" for mask in held.undecided]
    named += [name.replace(".", " ") for name in held.unmeasured]
    if not named:
        return ""
    return (
        f"the station's own path (self-check, record {sequence}) can barely decide, or cannot decide, "
        f"{listed(named, MAX_NAMED)}: {_LOOK}"
    )


def _recorded_path(config: StationConfig, content: Mapping[str, Any]) -> StationPath | None:
    figures, rate = read_figures(content.get("path")), content.get("rate_hz")
    if figures is None or not isinstance(rate, int) or rate <= 0:
        return None
    return station_path(config, figures, rate)
