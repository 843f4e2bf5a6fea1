"""Sign-offs: who has accepted or rejected what a comparison showed, why, and who has confirmed it.

=======================  ==================================================================
:func:`signature`        a person, a decision and a reason, once they can be recorded
:class:`Signoff`         a sign-off in the log, with its countersignatures
=======================  ==================================================================

A sign-off is a statement beside the verdicts. It never changes one.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

from linecheck.errors import UsageError
from linecheck.files.text import visible

Decision = Literal["accept", "reject"]

MAX_NAME_LENGTH = 80
MAX_REASON_LENGTH = 2000

#: Letters and marks that show as nothing: with them, one name could be signed with twice.
_BLANK = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u2800\u3164\uffa0") | {
    chr(at) for at in range(0xFE00, 0xFE10)
}


@dataclass(frozen=True)
class Signature:
    """Who decided what, in which role and why."""

    decision: Decision
    by: str
    role: str
    reason: str


@dataclass(frozen=True)
class SignedCheck:
    """A check of a side: its whole name there, and the hashes of what was played and captured."""

    name: str
    stimulus_sha256: str | None
    capture_sha256: str | None


@dataclass(frozen=True)
class SignedSide:
    """A side of the comparison as it was when it was signed; ``checks`` are by the name that all sides share."""

    label: str
    reference: str
    run_id: str
    serial: str
    model: str
    firmware: str | None
    verdict: str
    checks: Mapping[str, SignedCheck]


@dataclass(frozen=True)
class SignedComparison:
    """What was signed: the comparison by its digest, what it was made of, and what it found."""

    digest: str
    created: str
    software: str
    limit_path: str
    limit_revision: int
    limit_sha256: str
    sides: tuple[SignedSide, ...]
    findings: tuple[str, ...]


@dataclass(frozen=True)
class Despite:
    """A side whose verdict spoke against what was accepted."""

    label: str
    serial: str
    verdict: str


@dataclass(frozen=True)
class Countersignature:
    """A second person's decision on a sign-off; ``sequence`` is its record in the log, ``recorded`` a UTC text."""

    sequence: int
    record_hash: str
    recorded: str
    software: str
    signature: Signature


@dataclass(frozen=True)
class Signoff:
    """A sign-off; ``sequence`` is its record in the log, ``recorded`` a UTC text, ``software`` what signed it."""

    sequence: int
    record_hash: str
    recorded: str
    software: str
    signature: Signature
    comparison: SignedComparison
    despite: tuple[Despite, ...] = ()
    countersignatures: tuple[Countersignature, ...] = ()


def signature(*, by: str, role: str, decision: str, reason: str) -> Signature:
    """Return a signature that can be recorded.

    Raises
    ------
    UsageError
        A text is empty, too long, or holds characters that cannot be seen; or there is no such decision.
    """
    for known in get_args(Decision):
        if decision == known:
            return Signature(
                known,
                checked_text("the name (by)", by, MAX_NAME_LENGTH),
                checked_text("the role", role, MAX_NAME_LENGTH),
                checked_text("the reason", reason, MAX_REASON_LENGTH),
            )
    raise UsageError(f"the decision: {visible(decision[:40])!r} is none; expected accept or reject")


def same_person(one: str, other: str) -> bool:
    """Return whether two names are one: the same letters and digits, whatever their case, spaces and points."""
    return _key(one) == _key(other)


def signed_from(content: Mapping[str, Any]) -> tuple[Signature, SignedComparison, tuple[Despite, ...]]:
    """Return what is recorded of a comparison that was signed.

    Raises
    ------
    ValueError, TypeError, KeyError, AttributeError
        It is not that.
    """
    compared = dict(content["comparison"])
    sides = tuple(
        SignedSide(
            **side | {"checks": {name: SignedCheck(**check) for name, check in side["checks"].items()}}
        )
        for side in compared.pop("sides")
    )
    findings = tuple(compared.pop("findings"))
    comparison = SignedComparison(**compared, sides=sides, findings=findings)
    return signature_from(content), comparison, tuple(Despite(**item) for item in content["despite"])


def signature_from(content: Mapping[str, Any]) -> Signature:
    """Return the signature in what is stored of a sign-off or a countersignature."""
    return Signature(*(content[name] for name in ("decision", "by", "role", "reason")))


def checked_text(what: str, text: str, longest: int) -> str:
    """Return a text that somebody states, without spaces around it and with single ones within.

    Raises
    ------
    UsageError
        It is empty, too long, or holds characters that cannot be seen; ``what`` names it in the message.
    """
    unseen = next((mark for mark in text if not mark.isprintable() or mark in _BLANK), None)
    if unseen is not None:
        raise UsageError(
            f"{what}: has the character U+{ord(unseen):04X} in it, which cannot be seen: leave it out"
        )
    found = " ".join(text.split())
    if not found:
        raise UsageError(f"{what}: is empty")
    if len(found) > longest:
        raise UsageError(f"{what}: has {len(found)} characters, expected at most {longest}")
    return found


def _key(name: str) -> str:
    spelled = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    # Marks belong to their letters: in many scripts they tell names apart.
    told = "".join(mark for mark in spelled if unicodedata.category(mark)[0] in "LMN")
    return told or "".join(spelled.split())
