"""What a person reads of many sets: the verdict of all, a line for each, worst first, then more of those that fail."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from linecheck.cli.display.banner import mark
from linecheck.cli.display.result import Screen, aligned, headline, plain, with_top_below
from linecheck.limits.verdict import Verdict
from linecheck.results.overview import Brief, counted, worst_first

__all__ = ["sets_text"]

#: Of so many sets the findings are listed, so many of each.
MAX_LISTED, MAX_FINDINGS = 10, 10
#: Characters of a column.
MAX_COLUMNS = 60

MEANINGS = {
    Verdict.INVALID: "What is invalid says nothing of its unit. Put right what is listed below, then judge it again.",
    Verdict.ABORTED: "Not all sets were judged. Judge those again that were not.",
}
UNKNOWN = "–"


def sets_text(briefs: Sequence[Brief], verdict: Verdict, screen: Screen) -> str:
    """Return how sets came out, as text.

    Parameters
    ----------
    briefs : sequence of Brief
    verdict : Verdict
        That of all together.
    screen : Screen
    """
    meaning = [f"  {MEANINGS[verdict]}"] if verdict in MEANINGS else []
    top = [headline(verdict, screen), "\n".join((*meaning, f"  {counted(briefs)}"))]
    ordered = worst_first(briefs)
    parts = [*top, "\n".join(_lines(ordered, screen)), *_details(ordered, screen)]
    return with_top_below("\n\n".join(parts), top, screen)


def _lines(briefs: Sequence[Brief], screen: Screen) -> Iterator[str]:
    """Yield a line for each set, its columns aligned; what is not a pass is coloured."""
    rows = [["", "verdict", "serial", "firmware", "set", "worst finding"]]
    for entry in briefs:
        whose = (entry.serial or UNKNOWN, entry.firmware or UNKNOWN, entry.path)
        shown = [_ending(plain(text, screen)) for text in whose]
        finding = plain(entry.findings[0], screen) if entry.findings else ""
        rows.append([mark(entry.verdict, ascii_only=screen.ascii_only), entry.verdict.value, *shown, finding])
    return aligned(rows, screen, (None, *(entry.verdict for entry in briefs)))


def _ending(text: str) -> str:
    """Return a text that no column grows too wide for; the end of a path tells more than its beginning."""
    return text if len(text) <= MAX_COLUMNS else "..." + text[3 - MAX_COLUMNS :]


def _details(briefs: Sequence[Brief], screen: Screen) -> Iterator[str]:
    """Yield more of the sets of which a line cannot say all."""
    telling = [entry for entry in briefs if entry.found > 1]
    for entry in telling[:MAX_LISTED]:
        facts = (entry.path, entry.serial, entry.model, entry.firmware and f"firmware {entry.firmware}")
        sign = mark(entry.verdict, ascii_only=screen.ascii_only)
        lines = [f"  {sign} " + ", ".join(plain(fact, screen) for fact in facts if fact)]
        lines += [f"    {plain(text, screen)}" for text in entry.findings[:MAX_FINDINGS]]
        if entry.found > MAX_FINDINGS:
            lines.append(f"    and {entry.found - MAX_FINDINGS} more")
        yield "\n".join(lines)
    if len(telling) > MAX_LISTED:
        yield f"  and {len(telling) - MAX_LISTED} more sets with several findings; --json FILE has them all"
