"""What stands in a limit file, taken for what it should be; a fault where it is something else.

What the YAML reader has refused is a fault already, and gives none here.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from linecheck.files.faults import FaultList, did_you_mean, number_hint
from linecheck.files.yaml import REFUSED, KeyPath, described

#: Limits, margins and their places lie within ± this; what is larger is a slip, and would overflow a margin.
LARGEST: Final = 1e12


def read_mapping(
    data: object,
    path: KeyPath,
    expected: str,
    faults: FaultList,
    *,
    hint: str = "",
    may_be_empty: bool = False,
) -> dict[str, Any] | None:
    """Return a mapping; None where there is none. ``hint`` follows what the fault says was expected."""
    if data is REFUSED:
        return None
    if isinstance(data, dict) and (data or may_be_empty):
        return data
    got = "an empty mapping" if data == {} else described(data)
    faults.add(path, f"expected {expected}, got {got}{hint}")
    return None


def read_number(data: object, path: KeyPath, expected: str, faults: FaultList) -> float | None:
    """Return a number; None where there is none."""
    if data is REFUSED:
        return None
    if isinstance(data, bool) or not isinstance(data, int | float):
        hint = number_hint(data) if isinstance(data, str) else ""
        faults.add(path, f"expected {expected}, got {described(data)}{hint}")
        return None
    return data


def refuse_other_keys(data: dict[str, Any], known: Sequence[str], path: KeyPath, faults: FaultList) -> None:
    """Add a fault for every key that is none of those known."""
    for key in data.keys() - set(known):
        faults.add_key((*path, key), f"unknown key; {did_you_mean(key, known, 'the keys here are')}")
