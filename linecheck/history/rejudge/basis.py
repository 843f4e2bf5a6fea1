"""What of a limit file can be judged from what a run has measured.

A mask may change freely: stored readings can be held against any. But a check that now has another stimulus, setup or
analysis than the one that was measured, or refers to one that has, would have given other readings. Nothing that is
stored can judge it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from linecheck.checks.base import Parameters
from linecheck.limits.model import Check, LimitFile
from linecheck.limits.recorded import limits_content
from linecheck.log.chain import canonical_json

Content = Mapping[str, Any]


@dataclass(frozen=True)
class Basis:
    """How a limit file relates to the one that runs were measured with.

    ``otherwise`` says of each check that masks judge and that was measured differently what differs, in words.
    ``dropped_curves`` are the curves (check, metric) that were judged and are no longer, ``same_masks`` what is judged
    by the very mask and rule that it was judged by.
    """

    otherwise: Mapping[str, str]
    dropped_curves: frozenset[tuple[str, str]]
    same_masks: frozenset[tuple[str, str]] = frozenset()


def basis_of(content: Content, limits: LimitFile) -> Basis:
    """Hold a limit file against what one said that is stored in a log.

    Parameters
    ----------
    content : mapping
        As :func:`~linecheck.log.rows.limits_content` stores it.
    limits : LimitFile
    """
    stored = {check["name"]: check for check in content["checks"]}
    current = {check.name: check for check in limits.checks}
    channels = ""
    if tuple(content["channels"]) != limits.channels:
        channels = f"channels {', '.join(content['channels'])}, now {', '.join(limits.channels)}"
    otherwise = {}
    for check in limits.checks:
        if check.masks:
            words = channels or _difference(check, stored, current)
            if words:
                otherwise[check.name] = words
    return Basis(otherwise, frozenset(_dropped(stored, current)), frozenset(_same(content, limits)))


def _same(content: Content, limits: LimitFile) -> Iterator[tuple[str, str]]:
    now = json.loads(canonical_json(limits_content(limits)))
    if content.get("decision") != now["decision"]:
        return
    stored = {check["name"]: check["masks"] for check in content["checks"]}
    for check in now["checks"]:
        for metric, mask in check["masks"].items():
            if stored.get(check["name"], {}).get(metric) == mask:
                yield check["name"], metric


def _dropped(stored: Mapping[str, Content], current: Mapping[str, Check]) -> Iterator[tuple[str, str]]:
    for name, check in stored.items():
        now = current.get(name)
        for metric in check["masks"]:
            if now is None or metric not in now.masks:
                yield name, metric


def _difference(check: Check, stored: Mapping[str, Content], current: Mapping[str, Check]) -> str:
    """Return in what a check was measured differently, in words; empty where it was not."""
    before = stored.get(check.name)
    if before is None:
        # Where a run has it all the same, nobody knows how it was measured; else it was not measured.
        return "not in the limit file of that time"
    own = _own_difference(check, before)
    if own or check.reference is None or not check.masks.keys() & set(check.kind.referring):
        return own
    if before.get("reference") != check.reference:
        return f"refers to {before.get('reference') or 'no check'}, now {check.reference}"
    if check.reference not in stored or check.reference not in current:
        return ""
    other = _own_difference(current[check.reference], stored[check.reference])
    return f"refers to {check.reference}, of which {other}" if other else ""


def _own_difference(check: Check, before: Content) -> str:
    if before["kind"] != check.kind.name:
        return f"kind {before['kind']}, now {check.kind.name}"
    found = [
        *_differing("setup", before["setup"], dict(check.setup), {}),
        *_parameters("stimulus", before["stimulus"], check.stimulus),
        *_parameters("analysis", before["analysis"], check.analysis),
    ]
    return "; ".join(found)


def _parameters(where: str, before: Content, now: Parameters) -> Iterator[str]:
    """Yield what differs; a parameter that came later had its default's effect before."""
    return _differing(where, before, now.model_dump(mode="json"), type(now)().model_dump(mode="json"))


def _differing(where: str, before: Content, now: Content, defaults: Content) -> Iterator[str]:
    for name in sorted(before.keys() | now.keys()):
        one, other = before.get(name, defaults.get(name)), now.get(name)
        if one != other:
            yield f"{where} {name} {_shown(one)}, now {_shown(other)}"


def _shown(value: object) -> str:
    return "none" if value is None else str(value)[:60]
