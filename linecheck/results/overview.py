"""Many sets at a glance: one line each, and how many came to which verdict."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from linecheck.captures.many_sets import JudgedSet
from linecheck.limits.verdict import WORST_FIRST, Verdict
from linecheck.results.wording import findings
from linecheck.run.causes import causes_of
from linecheck.run.model import HOLD

#: So many findings of a set are kept, in at most so many characters each: there may be thousands of sets.
MAX_FINDINGS = 30
MAX_CHARACTERS = 1000

_VERBS = {
    Verdict.FAIL: ("fails", "fail"),
    Verdict.INVALID: ("is invalid", "are invalid"),
    Verdict.ABORTED: ("was not judged", "were not judged"),
    Verdict.MARGINAL: ("is marginal", "are marginal"),
    HOLD: ("is held", "are held"),
    Verdict.PASS: ("passes", "pass"),
}


@dataclass(frozen=True)
class Brief:
    """A set in brief; ``found`` counts its findings, ``findings`` are the first of them in words.

    ``held`` says that it passed and does not release its unit, ``notes`` are worth knowing beside the findings,
    ``cause`` is what may be broken in a sentence, where that is known. What is not known of a set that was not judged
    is empty.
    """

    path: str
    verdict: Verdict
    serial: str = ""
    model: str = ""
    firmware: str = ""
    findings: tuple[str, ...] = ()
    found: int = 0
    held: bool = False
    notes: tuple[str, ...] = ()
    cause: str = ""

    @property
    def worst(self) -> str:
        """What it is told by in a line: the cause, where one is known, and the worst finding."""
        return " ".join(filter(None, (self.cause, *self.findings[:1])))

    @property
    def state(self) -> str:
        """What people read of it."""
        return HOLD if self.held else self.verdict.value


def brief(judged: JudgedSet) -> Brief:
    """Return a set in brief; a pass has no findings."""
    run = judged.outcome
    if run is None:
        return Brief(judged.path, judged.verdict, findings=(judged.why[:MAX_CHARACTERS],), found=1)
    found = () if run.state == Verdict.PASS else findings(run.checks, run.missing, run.problems)
    told = tuple(text[:MAX_CHARACTERS] for text in found[:MAX_FINDINGS])
    causes = causes_of(run)
    return Brief(
        judged.path,
        run.verdict,
        run.serial,
        run.model,
        run.firmware or "",
        told,
        len(found),
        run.held,
        cause="" if causes is None else causes.headline,
    )


def worst_first(briefs: Iterable[Brief]) -> list[Brief]:
    """Return sets by their verdicts and the number of findings, worst first; those alike in the order given."""
    return sorted(briefs, key=lambda entry: (WORST_FIRST.index(entry.verdict), -entry.found))


def counted(briefs: Iterable[Brief]) -> str:
    """Return how many sets came to which verdict: ``12 sets: 1 fails, 2 are invalid, 9 pass``."""
    counts = Counter(entry.state for entry in briefs)
    total = sum(counts.values())
    parts = [
        f"{counts[state]} {verbs[counts[state] > 1]}" for state, verbs in _VERBS.items() if counts[state]
    ]
    return f"{total} set{'' if total == 1 else 's'}: {', '.join(parts) or 'nothing was judged'}"
