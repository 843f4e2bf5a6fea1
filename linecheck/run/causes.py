"""What is said of why a run does not pass: ranked causes with their odds, as plain data of the run.

=======================  =========================================================================
:class:`RankedCause`     one cause, or two at once, with its probability
:class:`ExplainedMargin` what a ratio that does not pass is made of
:class:`Causes`          all that is said of a run
:func:`causes_of`        what a run says, from its fact or its record
=======================  =========================================================================

The room ``linecheck.causes`` finds them; results, log and pages say them in these words. They change no verdict.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from linecheck.run.facts import Facts

__all__ = ["NONE_OF_THESE", "Causes", "ExplainedMargin", "MarginPart", "RankedCause", "causes_of"]

#: Code where no known cause fits.
NONE_OF_THESE: Final = "none_of_these"
#: Below this a cause "may be"; from it on it is told alone.
LIKELY: Final = 0.5
#: From this on a cause is told without a "probably".
NEARLY_CERTAIN: Final = 0.95


@dataclass(frozen=True)
class RankedCause:
    """One cause, or two at once, and what to do about it.

    Attributes
    ----------
    codes : tuple of str
        Of the cause; two where two at once explain more than either.
    channel : str or None
        The channel that it is in; None where it is in all, or has none.
    probability : float
        From 0 to 1, by the stated priors.
    text : str
        What is broken, in plain words: a clause without a capital or a full stop.
    blames : tuple of str
        Who can be to blame: unit, fixture, station, recording, firmware, limit file.
    act : str
        What the operator does next.
    measure : str
        What an engineer measures next to be sure.
    explains : int
        How many of the run's findings it explains.
    """

    codes: tuple[str, ...]
    channel: str | None
    probability: float
    text: str
    blames: tuple[str, ...]
    act: str
    measure: str
    explains: int

    @property
    def percent(self) -> str:
        """Its probability; nothing is certain, and nothing impossible."""
        return f"{min(max(round(100.0 * self.probability), 1), 99)} %"


@dataclass(frozen=True)
class MarginPart:
    """A part of a residue: what it is, the metric that reads it, its level in dB re what the ratio is re, its share."""

    name: str
    metric: str | None
    level_db: float
    share: float


@dataclass(frozen=True)
class ExplainedMargin:
    """A marginal or failed ratio taken apart: the powers of ``parts`` add up to its residue.

    ``short_by`` is by how many dB it misses its pass mask; ``parts`` come largest first. ``station`` is the share that
    the station's own path may have in it, at most; None where that is not known. ``beside`` says how the largest part
    stands beside that of other units, where a log has some.
    """

    check: str
    metric: str
    channel: str | None
    short_by: float
    parts: tuple[MarginPart, ...]
    station: float | None = None
    beside: str = ""

    @property
    def sentence(self) -> str:
        """What it is made of, in a line."""
        where = " ".join(part for part in (self.check, self.metric, self.channel) if part)
        made = ", ".join(f"{part.name} {100.0 * part.share:.0f} %" for part in self.parts[:4])
        text = f"{where} is short by {self.short_by:.2g} dB: its residue is {made}"
        if self.station is not None and self.station >= 0.01:
            text += f", of which the station's own path may be {100.0 * self.station:.0f} %"
        return f"{text}; {self.beside}" if self.beside else text


@dataclass(frozen=True)
class Causes:
    """What is said of why a run does not pass.

    ``priors`` is the version of the shipped odds, ``findings`` how many findings there were to explain; ``ranked`` is
    the most likely first, :data:`NONE_OF_THESE` among them by its own probability.
    """

    priors: int
    findings: int
    ranked: tuple[RankedCause, ...]
    margins: tuple[ExplainedMargin, ...] = ()

    @property
    def first(self) -> RankedCause:
        """The most likely."""
        return self.ranked[0]

    @property
    def sentence(self) -> str:
        """The one sentence: what is broken, and how sure that is."""
        first = self.first
        if first.codes == (NONE_OF_THESE,):
            others = [entry for entry in self.ranked[1:2] if entry.probability >= 0.1]
            also = f"; nearest is: {others[0].text} ({others[0].percent})" if others else ""
            return f"None of the known causes fits ({first.percent}){also}."
        if first.probability >= NEARLY_CERTAIN:
            return f"{_capital(first.text)} ({first.percent})."
        if first.probability >= LIKELY:
            return f"Probably {first.text} ({first.percent})."
        or_else = [
            f"or {entry.text} ({entry.percent})"
            for entry in self.ranked[1:2]
            if entry.codes != (NONE_OF_THESE,) and entry.probability >= 0.1
        ]
        return f"May be {first.text} ({first.percent}){''.join(', ' + text for text in or_else)}."

    @property
    def explained(self) -> str:
        """How much the first one explains: ``explains 28 of 31 findings``."""
        return f"explains {self.first.explains} of {self.findings} finding{'s' if self.findings != 1 else ''}"

    def as_fact(self) -> dict[str, Any]:
        """Return it as plain data, as the run and its record carry it."""
        plain: dict[str, Any] = json.loads(json.dumps(asdict(self)))
        return plain


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def causes_of(facts: Facts) -> Causes | None:
    """Return what a run says of causes; None where it says nothing, or nothing that can be read."""
    said: Mapping[str, Any] = facts.causes
    if not said:
        return None
    from pydantic import TypeAdapter, ValidationError

    try:
        found = TypeAdapter(Causes).validate_python(dict(said))
    except ValidationError:
        return None
    return found if found.ranked else None
