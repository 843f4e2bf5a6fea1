"""What a symptom and a cause are: rows of the room's two tables.

====================  ==========================================================================
:class:`Symptom`      something that can be seen in a run, and how surely it is there
:class:`Cause`        something that can be broken, and which symptoms it has
====================  ==========================================================================
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from linecheck.causes.evidence import Evidence

#: How often a cause shows a symptom, in five steps: nobody knows it finer, and ten units do not tell 0.6 from 0.7.
ALWAYS: Final = 0.97
MOSTLY: Final = 0.8
OFTEN: Final = 0.5
SELDOM: Final = 0.15

#: How often a cause shows a symptom that it is not known to have: one that follows from much, one that has few causes,
#: and one that hardly anything else makes.
LEAK: Final = 0.004
SPECIFIC: Final = 0.0006
RARE: Final = 0.0002
#: Of what the program has found itself: hardly anything but its own cause makes it.
DECISIVE: Final = 1e-6

Blame = Literal["unit", "fixture", "station", "recording", "firmware", "limit file"]
#: Where a cause can be: in the unit as a whole, in one channel, or in either way.
Scope = Literal["unit", "channel", "either"]


@dataclass(frozen=True)
class Symptom:
    """Something that can be seen in a run.

    ``look`` returns how surely it is there, 0 to 1, in a channel, or in the pair (channel None) where ``of_pair``; None
    where the run does not say. ``leak`` is how often a cause shows it that is not known to.
    """

    name: str
    text: str
    look: Callable[[Evidence, str | None], float | None]
    of_pair: bool = False
    leak: float = LEAK


@dataclass(frozen=True)
class Cause:
    """Something that can be broken.

    Attributes
    ----------
    name : str
        Its code, which records keep: it never changes.
    text : str
        What is broken, in plain words: a clause that goes on from "probably". ``{where}`` stands for the channel.
    scope : str
    weight : float
        Its share of the faults of units that do not pass, in parts of all causes' weights: the prior.
    shows : mapping of str to float
        Symptoms by name, and how often the cause shows them. All others it shows as seldom as a sound unit does.
    touches : tuple of str
        Groups of metrics that it can move (:mod:`linecheck.causes.findings`).
    blames : tuple of str
        Who can be to blame, the most likely first.
    act : str
        What an operator does next.
    measure : str
        What an engineer measures next to be sure.
    """

    name: str
    text: str
    shows: Mapping[str, float]
    touches: tuple[str, ...]
    blames: tuple[Blame, ...]
    act: str
    measure: str
    scope: Scope = "unit"
    weight: float = 1.0
    #: Whether it explains nearly anything, so that a second cause beside it explains nothing.
    stands_alone: bool = False
