"""Problems and notes of a run, each told once: for all channels of a check, and for all checks with the same one."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from linecheck.checks.base import Problem
from linecheck.report.figures.words import plain_name
from linecheck.report.model import TroubleGroup
from linecheck.run.settle import NOT_RUN

__all__ = ["commonest_cause", "merged_messages", "trouble_groups"]

Trouble = tuple[str | None, Problem]
_SENTENCE_ENDS = re.compile(r"(?<=[.!?]) +")


def trouble_groups(troubles: Sequence[Trouble]) -> Iterable[TroubleGroup]:
    """Yield what each code of problem says, check by check; sentences that most of them end with are said once."""
    for code in dict.fromkeys(problem.code for _, problem in troubles):
        group = [(check, problem) for check, problem in troubles if problem.code == code]
        shared = _shared([problem.message for _, problem in group])
        closing = " ".join(_closing(text, group) for text in shared)
        yield TroubleGroup(plain_name(code), tuple(_lines(group, shared)), closing)


def _lines(group: Sequence[Trouble], shared: Sequence[str] = ()) -> Iterable[str]:
    """Yield a line for each message: the checks and channels that have it, and what it says of its own."""
    told: dict[str, dict[str, list[str]]] = {}
    for check, problem in group:
        first, *more = _SENTENCE_ENDS.split(problem.message)
        message = " ".join([first, *(text for text in more if text not in shared)])
        channels = told.setdefault(message, {}).setdefault("" if problem.code == NOT_RUN else check or "", [])
        channels += [problem.channel] if problem.channel and problem.channel not in channels else []
    for message, checks in told.items():
        places = [" ".join(filter(None, (name, " and ".join(channels)))) for name, channels in checks.items()]
        where = ", ".join(filter(None, places))
        yield f"{where}: {message}" if where else message


def _shared(messages: Sequence[str]) -> list[str]:
    """Return the sentences, but for first ones, that more than half of several different messages have."""
    split = [_SENTENCE_ENDS.split(message)[1:] for message in dict.fromkeys(messages)]
    if len(split) < 2:
        return []
    found = dict.fromkeys(text for sentences in split for text in sentences)
    return [text for text in found if 2 * sum(text in sentences for sentences in split) > len(split)]


def _closing(text: str, group: Sequence[Trouble]) -> str:
    """Return a shared sentence, with the checks for which it is not said."""
    without = dict.fromkeys(
        check or "the run" for check, problem in group if text not in _SENTENCE_ENDS.split(problem.message)
    )
    return f"{text} (Not said of {' and '.join(without)}.)" if without else text


def merged_messages(problems: Iterable[Problem]) -> tuple[str, ...]:
    """Return the problems of one check, once for all channels that have them."""
    return tuple(_lines([(None, problem) for problem in problems]))


def commonest_cause(troubles: Sequence[Trouble], check_count: int) -> str:
    """Return in a sentence what is wrong most often: of the whole run if anything is, else in most checks."""
    causes = [
        (check, problem) for check, problem in troubles if not problem.is_note and problem.code != NOT_RUN
    ]
    whole = next((problem for check, problem in causes if check is None), None)
    if whole is not None:
        return f"Cause: {_first(whole.message)}."
    found: dict[str, list[tuple[str, Problem]]] = {}
    for check, problem in causes:
        if check is not None and check not in [name for name, _ in found.get(problem.code, [])]:
            found.setdefault(problem.code, []).append((check, problem))
    if not found:
        return ""
    code, places = max(found.items(), key=lambda entry: len(entry[1]))
    check, problem = places[0]
    count = f"in {len(places)} of {check_count} checks" if check_count > 1 else f"in {check}"
    example = f"{check}: {_first(problem.message)}" if check_count > 1 else _first(problem.message)
    return f"Commonest cause, {count}: {plain_name(code)} ({example})."


def _first(message: str) -> str:
    return _SENTENCE_ENDS.split(message)[0].rstrip(".")
