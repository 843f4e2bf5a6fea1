"""From a run that does not pass to its ranked causes, in words."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from linecheck.causes.evidence import Earlier, Evidence
from linecheck.causes.findings import is_explained
from linecheck.causes.parts import explained_margins
from linecheck.causes.registry import causes, symptoms
from linecheck.causes.symptom import Cause
from linecheck.causes.weigh import NONE, Hypothesis, look, weigh
from linecheck.measure.path_part import PathParts
from linecheck.run.causes import NONE_OF_THESE, Causes, RankedCause
from linecheck.run.model import Run

#: The version of the shipped priors: it counts up with any change of the tables that moves odds.
PRIORS: Final = 2
#: So many are told, and none below this.
MAX_RANKED, MIN_PROBABILITY = 5, 0.005
_NO_PATH: Final[Mapping[str, PathParts]] = MappingProxyType({})


def name_causes(run: Run, path: Mapping[str, PathParts] = _NO_PATH) -> Causes:
    """Return why a run may not pass: ranked causes with their odds. Its verdicts are what they are.

    Parameters
    ----------
    run : Run
    path : mapping of str to PathParts
        By check: what the station's own path may add to its readings.
    """
    return _named(Evidence(run), path)


def name_difference(run: Run, earlier: Earlier) -> Causes | None:
    """Return what may have made a run differ from an earlier one; None where nothing is worse than it was.

    Parameters
    ----------
    run : Run
    earlier : mapping
        The earlier values, by check, metric and channel.
    """
    evidence = Evidence(run, dict(earlier))
    return _named(evidence) if evidence.findings else None


def cause_codes() -> dict[str, str]:
    """Return every cause by its code, in plain words."""
    found = {name: _text(cause, None) for name, cause in causes().items()}
    return found | {NONE_OF_THESE: "none of the known causes"}


def prior_odds() -> dict[str, float]:
    """Return the shipped odds of each cause of a unit that does not pass, before anything is seen; they sum to 1."""
    from linecheck.causes.weigh import PRIOR_UNKNOWN

    total = sum(cause.weight for cause in causes().values())
    odds = {name: (1.0 - PRIOR_UNKNOWN) * cause.weight / total for name, cause in causes().items()}
    return odds | {NONE_OF_THESE: PRIOR_UNKNOWN}


def _named(evidence: Evidence, path: Mapping[str, PathParts] = _NO_PATH) -> Causes:
    known = causes()
    found = weigh(look(evidence, symptoms()), known, evidence.channels)
    told = [entry for entry in found[:MAX_RANKED] if entry.probability >= MIN_PROBABILITY]
    ranked = tuple(_ranked(entry, known, evidence) for entry in told)
    return Causes(PRIORS, len(evidence.findings), ranked, explained_margins(evidence, path))


def _ranked(entry: Hypothesis, known: Mapping[str, Cause], evidence: Evidence) -> RankedCause:
    probability = round(entry.probability, 4)
    if entry.causes == NONE:
        return RankedCause(
            (NONE_OF_THESE,),
            None,
            probability,
            "none of the known causes",
            ("unit", "fixture", "station"),
            "test again; if it stays, set the unit aside for an engineer",
            "look at the pages of this run, and at what its captures sound and look like",
            0,
        )
    parts = [(known[name], channel) for name, channel in entry.causes]
    channels = {channel for _, channel in parts}
    explains = sum(
        any(is_explained(kind, item, cause.touches, channel) for cause, channel in parts)
        for kind, item in evidence.findings
    )
    return RankedCause(
        entry.names,
        channels.pop() if len(channels) == 1 else None,
        probability,
        ", and ".join(_text(cause, channel) for cause, channel in parts),
        tuple(dict.fromkeys(blame for cause, _ in parts for blame in cause.blames)),
        # Of two at once the first is put right first: one thing to do at a time.
        _filled(parts[0][0].act, parts[0][1]),
        "; ".join(_filled(cause.measure, channel) for cause, channel in parts),
        explains,
    )


def _text(cause: Cause, channel: str | None) -> str:
    return _filled(cause.text, channel)


def _filled(text: str, channel: str | None) -> str:
    return text.replace("{where}", "" if channel is None else f" ({channel})")
