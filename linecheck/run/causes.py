"""What is said of why a run does not pass: ranked causes with their odds, as plain data of the run.

=======================  =====================================================================================
:class:`RankedCause`     one cause, or two at once, with its probability
:class:`ExplainedMargin` what a ratio that does not pass is made of
:class:`Causes`          all that is said of a run, and the words in which it is told
:class:`Difference`      the same of what has changed between two runs
:func:`causes_of`        what a run says, from its fact or its record
:func:`read_causes`      the same from plain data
=======================  =====================================================================================

The room ``linecheck.causes`` finds them; results, log and pages say them in these words. They change no verdict. What a
record or a file says of them is as hostile as any input: texts are cut and made visible, numbers held within bounds.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from functools import partial
from typing import TYPE_CHECKING, Annotated, Any, Final

from pydantic import AfterValidator, Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass

from linecheck.files.text import visible

if TYPE_CHECKING:
    from linecheck.run.facts import Facts

#: Code where no known cause fits.
NONE_OF_THESE: Final = "none_of_these"
#: Below this a cause "may be"; from it on it is told alone.
LIKELY: Final = 0.5
#: Below this too little was measured, or too little differs, to name one.
STANDS_OUT: Final = 0.25
#: From this on a cause is told as almost certain: it stays a conjecture.
NEARLY_CERTAIN: Final = 0.95
#: From this on a cause is told beside the first one; so many are.
WORTH_TELLING: Final = 0.1
MAX_OTHERS: Final = 2
#: More than any engine says: characters of a text, of a name, entries, findings.
MAX_TEXT, MAX_NAME, MAX_ENTRIES, MAX_COUNT = 600, 60, 100, 1_000_000
#: So many ratios are told taken apart.
MAX_MARGINS: Final = 2


def _cut(text: str, most: int) -> str:
    """Return a text on one visible line that is not too long; what can be seen is longer than what is hidden."""
    line = " ".join(visible(text[:most]).split())
    return line if len(text) <= most and len(line) <= most else f"{line[: most - 1]}…"


def _bounded(value: float) -> float:
    """Return a number that can be shown: none that is not finite, none beyond any level."""
    return min(max(float(value), -1e6), 1e6) if value == value else 0.0


def _share(value: float) -> float:
    return min(max(_bounded(value), 0.0), 1.0)


def _probability(value: float) -> float:
    if math.isnan(value):
        raise ValueError("is no number")
    return _share(value)


#: Texts are safe to show and numbers are within bounds, whoever made them.
_Text = Annotated[str, AfterValidator(partial(_cut, most=MAX_TEXT))]
_Name = Annotated[str, AfterValidator(partial(_cut, most=MAX_NAME))]
_Names = Annotated[tuple[_Name, ...], Field(max_length=MAX_ENTRIES)]
_Number = Annotated[float, AfterValidator(_bounded)]
_Share = Annotated[float, AfterValidator(_share)]
_Count = Annotated[int, AfterValidator(lambda count: min(max(count, 0), MAX_COUNT))]


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

    codes: Annotated[_Names, Field(min_length=1)]
    channel: _Name | None
    probability: Annotated[float, AfterValidator(_probability)]
    text: _Text
    blames: _Names
    act: _Text
    measure: _Text
    explains: _Count

    @property
    def is_none(self) -> bool:
        """Whether it says that no known cause fits."""
        return self.codes == (NONE_OF_THESE,)

    @property
    def code(self) -> str:
        """Its code for programs; of two at once both, joined by a plus."""
        return "+".join(self.codes)

    @property
    def told(self) -> str:
        """What is broken, with its odds."""
        return f"{self.text} ({self.percent})"

    @property
    def percent(self) -> str:
        """Its probability; nothing is certain, and nothing impossible."""
        return f"{min(max(round(100.0 * self.probability), 1), 99)} %"


@dataclass(frozen=True)
class MarginPart:
    """A part of a residue: what it is, the metric that reads it, its level in dB re what the ratio is re, its share."""

    name: _Name
    metric: str | None
    level_db: _Number
    share: _Share


@dataclass(frozen=True)
class ExplainedMargin:
    """A marginal or failed ratio taken apart: the powers of ``parts`` add up to its residue.

    ``short_by`` is by how many dB it misses its pass mask; ``parts`` come largest first. ``station`` is the share that
    the station's own path may have in it, at most; None where that is not known. ``beside`` says how the largest part
    stands beside that of other units, where a log has some.
    """

    check: _Text
    metric: _Text
    channel: _Text | None
    short_by: _Number
    parts: Annotated[tuple[MarginPart, ...], Field(min_length=1, max_length=MAX_ENTRIES)]
    station: _Share | None = None
    beside: _Text = ""

    @property
    def sentence(self) -> str:
        """What it is made of, in a line."""
        where = " ".join(part for part in (self.check, self.metric, self.channel) if part)
        made = ", ".join(f"{100.0 * part.share:.0f} % {part.name}" for part in self.parts[:4])
        text = f"{where} is short by {_decibels(self.short_by)} dB: its residue is {made}"
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
    findings: _Count
    ranked: Annotated[tuple[RankedCause, ...], Field(min_length=1, max_length=MAX_ENTRIES)]
    margins: Annotated[tuple[ExplainedMargin, ...], Field(max_length=MAX_ENTRIES)] = ()

    @property
    def first(self) -> RankedCause:
        """The most likely."""
        return self.ranked[0]

    @property
    def blames(self) -> tuple[str, ...]:
        """Who can be to blame, the most likely first."""
        return self.first.blames

    @property
    def act(self) -> str:
        """What an operator does next; empty where no cause stands out, and there is nothing to begin with."""
        return self.first.act if self.stands_out or self.first.is_none else ""

    @property
    def is_likely(self) -> bool:
        """Whether one cause is likelier than all others together: then it is told, and what it explains is not."""
        return not self.first.is_none and self.first.probability >= LIKELY

    @property
    def sentence(self) -> str:
        """The one sentence: what is broken, and how sure that is."""
        first = self.first
        if first.is_none:
            nearest = f"; nearest is: {self._second.told}" if self._second else ""
            return f"None of the known causes fits ({first.percent}){nearest}."
        if self.is_likely:
            return self._likely
        if not self.stands_out:
            return f"No cause stands out; the likeliest is: {first.told}."
        other = f", or {self._second.told}" if self._second else ""
        return f"May be: {first.told}{other}."

    @property
    def stands_out(self) -> bool:
        """Whether a cause is known that is likely enough to begin with."""
        return not self.first.is_none and self.first.probability >= STANDS_OUT

    @property
    def headline(self) -> str:
        """The sentence where a cause stands out, for lines that begin with it; empty where none does."""
        return self.sentence if self.stands_out else ""

    @property
    def brief(self) -> str:
        """The headline, and how much it explains: ``Probably … (87 %), explains 28 of 31 findings``."""
        return ", ".join(filter(None, (self.headline.rstrip("."), self.explained))) if self.headline else ""

    @property
    def explained(self) -> str:
        """How much the first one explains: ``explains 28 of 31 findings``; empty where that is nothing."""
        if self.first.is_none or not self.first.explains:
            return ""
        return f"explains {self.first.explains} of {self.findings} finding{'s' if self.findings != 1 else ''}"

    @property
    def others(self) -> tuple[str, ...]:
        """What else may be: those behind the first that are worth telling and that the sentence does not name."""
        named = () if self.is_likely else (self._second,)
        behind = (entry for entry in self.ranked[1 : 1 + MAX_OTHERS] if entry not in named)
        return tuple(
            entry.told for entry in behind if entry.probability >= WORTH_TELLING and not entry.is_none
        )

    @property
    def lines(self) -> tuple[str, ...]:
        """All that is told, a line each: the sentence, what to do and to measure, who is to blame, what else may be."""
        return tuple(self._lines())

    @property
    def _second(self) -> RankedCause | None:
        """What the sentence names beside the first."""
        return next((e for e in self.ranked[1:2] if not e.is_none and e.probability >= WORTH_TELLING), None)

    @property
    def _likely(self) -> str:
        if self.first.probability >= NEARLY_CERTAIN:
            return f"Almost certainly {self.first.told}."
        return f"Probably {self.first.told}."

    def _lines(self) -> Iterator[str]:
        first = self.first
        yield self.sentence
        if not self.stands_out and not first.is_none:
            return
        if self.act:
            yield f"Next: {self.act}"
        if first.measure:
            yield f"To be sure: {first.measure}"
        if self.blames and not first.is_none:
            yield f"May be to blame: {', '.join(self.blames)}"
        if self.explained:
            yield f"{self.explained.capitalize()}."
        yield from (f"Or: {text}" for text in self.others)
        yield from (f"{margin.sentence}." for margin in self.margins_told)

    @property
    def margins_told(self) -> tuple[ExplainedMargin, ...]:
        """The margins that are told first, unless they say nothing: of each ratio the worst channel, few of them."""
        telling = [margin for margin in self.margins if len(margin.parts) > 1 or margin.parts[0].metric]
        worst = {(margin.check, margin.metric): margin for margin in reversed(telling)}
        return tuple(margin for margin in telling if margin in worst.values())[:MAX_MARGINS]

    def as_fact(self) -> dict[str, Any]:
        """Return it as plain data, as the run and its record carry it."""
        # In the order in which a log gives it back, so that a result is the same bytes from either.
        plain: dict[str, Any] = json.loads(json.dumps(asdict(self), sort_keys=True))
        return plain


@dataclass(frozen=True)
class Difference(Causes):
    """What is said of why a run is not what it was before, or what another is."""

    @classmethod
    def of(cls, causes: Causes) -> Difference:
        """Return what is said of a difference as one."""
        return cls(causes.priors, causes.findings, causes.ranked, causes.margins)

    @property
    def blames(self) -> tuple[str, ...]:
        """Who can be to blame for a change: what is new first."""
        return tuple(dict.fromkeys(("firmware", *self.first.blames)))

    @property
    def _likely(self) -> str:
        return f"Sounds like: {self.first.told}."

    @property
    def act(self) -> str:
        """Nothing: what has changed is an engineer's to find."""
        return ""


def _decibels(size: float) -> str:
    return f"{size:.0f}" if abs(size) >= 10.0 else f"{size:.2g}"


_ADAPTER: Final = TypeAdapter(Causes)


def causes_of(facts: Facts) -> Causes | None:
    """Return what a run says of causes; None where it says nothing, or nothing that can be read."""
    return read_causes(facts.causes) if facts.causes else None


def read_causes(said: Mapping[str, Any]) -> Causes | None:
    """Return causes from plain data; None where it is none."""
    try:
        return _ADAPTER.validate_python(said)
    except (ValidationError, RecursionError):
        return None
