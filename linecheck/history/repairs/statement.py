"""What is stated of a repair: what was found at a unit, what was done, and by whom.

=========================  =================================================================
:func:`repair`             a repair, once it can be recorded
:func:`repair_content`     what is recorded of one, with the run that it refers to
:func:`repair_from`        a repair from what is recorded
=========================  =================================================================

A repair stands beside the verdicts. It never changes one.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, Final

from linecheck.errors import UsageError
from linecheck.log.signoff import MAX_NAME_LENGTH, checked_text
from linecheck.run.causes import NONE_OF_THESE
from linecheck.run.model import RunHeader

#: The statement's kind in the log.
REPAIR: Final = "repair"
#: What was found is none of the known causes, and said in words.
OTHER: Final = "other"

MAX_FOUND_LENGTH = 200
MAX_DONE_LENGTH = 500
#: So alike (0 to 1, by difflib) a text is a code that was misspelt.
_ALIKE = 0.8


@dataclass(frozen=True)
class Repair:
    """What was found (the code of a cause, or :data:`OTHER` with it in words), what was done, and who states it."""

    found: str
    text: str | None
    done: str
    by: str

    def __str__(self) -> str:
        """Return it in one line."""
        found = self.found if self.text is None else f"{self.found}: {self.text}"
        return f"found {found}; done: {self.done}; by {self.by}"


def repair(*, found: str, done: str, by: str, codes: Collection[str]) -> Repair:
    """Return a repair that can be recorded.

    Parameters
    ----------
    found : str
        One of ``codes``, whatever its case and with blanks or hyphens for its underscores; ``other:`` with what it
        was in words; or words alone that are near to no code.
    done, by : str
    codes : collection of str
        Those of the known causes, :data:`NONE_OF_THESE` among them or not.

    Raises
    ------
    UsageError
        A text is empty, too long, or holds characters that cannot be seen; or what was found is nearly a code.
    """
    code, text = _found(checked_text("--found", found, MAX_FOUND_LENGTH), codes)
    return Repair(
        code,
        text,
        checked_text("--done", done, MAX_DONE_LENGTH),
        checked_text("--by", by, MAX_NAME_LENGTH),
    )


def _found(said: str, codes: Collection[str]) -> tuple[str, str | None]:
    head, colon, words = said.partition(":")
    if colon and head.strip().lower() == OTHER:
        return OTHER, checked_text("--found other:", words, MAX_FOUND_LENGTH)
    code = said.lower().replace(" ", "_").replace("-", "_")
    if code in (OTHER, NONE_OF_THESE):
        raise UsageError(f"--found {said}: say in words what it was: --found 'other:TEXT'")
    if code in codes:
        return code, None
    near = difflib.get_close_matches(code, set(codes) - {NONE_OF_THESE}, n=1, cutoff=_ALIKE)
    if near:
        raise UsageError(
            f"--found {said}: did you mean the cause {near[0]}? If not, say that these are words of your own: "
            f"--found 'other:{said}'. Nothing was recorded"
        )
    return OTHER, said


def repair_content(run: RunHeader, stated: Repair) -> Mapping[str, Any]:
    """Return what is recorded of a repair: the run by its id, its number and its hash, and what was found."""
    whose = {"run": run.run_id, "record": run.logged.sequence, "record_hash": run.logged.record_hash}
    return {"serial": run.serial, "model": run.model, **whose, **vars(stated)}


def repair_from(content: Mapping[str, Any]) -> Repair:
    """Return the repair in what is recorded.

    Raises
    ------
    ValueError, KeyError
        It is none.
    """
    found, text, done, by = (content[name] for name in ("found", "text", "done", "by"))
    if not all(isinstance(said, str) for said in (found, done, by, text or "")):
        raise ValueError("what is stated of a repair is text")
    return Repair(found, text, done, by)
