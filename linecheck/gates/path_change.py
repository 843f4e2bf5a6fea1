"""A self-check beside the last one that was met: what has moved although nothing was declared changed.

A level control that was touched, a device that runs at another rate or a cable that was exchanged leaves a path that
may still be within the limits of its config, and every unit after it is off by as much. A changed station config begins
anew: it says what is meant.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any, Final

from linecheck.gates.statements import SELF_CHECK, recorded_mappings
from linecheck.log import LogReader
from linecheck.station.self_check.result import MET, Measured, SelfCheck, Step, step

#: The step's name.
AS_BEFORE: Final = "as before"
#: What may not move, by step and number, and by how much. Converters warm by some 0.02 dB; common practice, no source.
#: An edge is a share of the rate: that of a rate converter moves by far more.
_WITHIN: Final[Mapping[tuple[str, str], float]] = {
    ("gain", "gain"): 0.1,
    ("edge", "-3 dB"): 0.01,
    ("delay", "delay"): 0.1,
    ("images", "residue"): 10.0,
}
#: Checks that are looked through for the last one that was met.
_LOOKED_THROUGH: Final = 50
_CURE: Final = (
    "Something in the path has changed: a level control, a device's rate, a cable, a driver. Put it "
    "back; if the change is meant, state it in the station config, and the comparison starts afresh."
)


def compared_with_last(found: SelfCheck, log: LogReader) -> SelfCheck:
    """Return a self-check with a step that compares it with the last one met under the same station config.

    Without such a one it is returned as it is.
    """
    statements = log.statements(SELF_CHECK, subject=found.station, limit=_LOOKED_THROUGH)
    for statement in statements:
        content = statement.content
        if (
            content.get("verdict") == MET
            and content.get("station_config_sha256") == found.station_config_sha256
        ):
            added = _held_against(found, content, statement.sequence)
            return found if added is None else replace(found, steps=(*found.steps, added))
    return found


def _held_against(found: SelfCheck, earlier: Mapping[str, Any], sequence: int) -> Step | None:
    before = dict(_numbers(earlier))
    measured = []
    for each in found.steps:
        for number in each.measured:
            key = each.name, number.what, number.channel
            within = _WITHIN.get((each.name, number.what))
            if within is None or key not in before or number.value is None:
                continue
            room = within + 3.0 * (number.uncertainty or 0.0)
            what = f"change of {number.what if number.what != each.name else each.name}"
            # Images may fall as far as they like.
            low = None if each.name == "images" else -room
            moved = number.value - before[key]
            measured.append(Measured(what, number.channel, moved, number.unit, low, room, number.uncertainty))
    if not measured:
        return None
    moved_far = [
        f"{entry.what} {entry.channel or ''} by {entry.value:+.3g} {entry.unit}".replace("  ", " ")
        for entry in measured
        if entry.excess > 0.0
    ]
    return step(
        AS_BEFORE,
        measured,
        f"gain, edge, images and delay match record {sequence}",
        f"not as in record {sequence}: {', '.join(moved_far)}",
        cure=_CURE,
    )


def _numbers(content: Mapping[str, Any]) -> Iterator[tuple[tuple[str, str, str | None], float]]:
    """Yield the numbers of a recorded self-check, by step, name and channel."""
    for each in recorded_mappings(content.get("steps")):
        for entry in recorded_mappings(each.get("measured")):
            value = entry.get("value")
            if isinstance(value, int | float):
                yield (str(each.get("name")), str(entry.get("what")), entry.get("channel")), float(value)
