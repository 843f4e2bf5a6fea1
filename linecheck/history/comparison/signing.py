"""Signing a comparison: what is recorded of it in the log, and what spoke against it."""

from __future__ import annotations

import re
from typing import Any

from linecheck.errors import UsageError
from linecheck.history.comparison.model import Comparison, Side
from linecheck.log import Head, Log
from linecheck.log.signoff import Despite, Signature
from linecheck.log.statements import SIGNOFF
from linecheck.run.model import HOLD

__all__ = ["despite", "sign"]

_DIGEST = re.compile(r"[0-9a-f]{64}")
_AGAINST = ("fail", "invalid", "aborted", HOLD)


def sign(log: Log, comparison: Comparison, signed: Signature) -> Head:
    """Record who has decided what on a comparison; return the statement's number and hash.

    Raises
    ------
    UsageError
        The comparison has no digest, by which it would be known again.
    RecordError
        It could not be recorded, and nothing of it was.
    """
    if not _DIGEST.fullmatch(comparison.digest):
        raise UsageError("the comparison has no digest: sign one that `linecheck compare` has written")
    against = despite(comparison) if signed.decision == "accept" else ()
    content = {
        **vars(signed),
        "despite": [vars(item) for item in against],
        "comparison": {
            **_named(
                comparison, "digest", "created", "software", "limit_path", "limit_revision", "limit_sha256"
            ),
            "sides": [_side_content(side) for side in comparison.sides],
            "findings": [finding.text for finding in comparison.findings],
        },
    }
    return log.state(SIGNOFF, comparison.digest, content)


def despite(comparison: Comparison) -> tuple[Despite, ...]:
    """Return the sides whose verdicts speak against accepting what was compared."""
    return tuple(
        Despite(side.label, side.serial, side.state) for side in comparison.sides if side.state in _AGAINST
    )


def _side_content(side: Side) -> dict[str, Any]:
    checks = {
        shared: _named(check, "name", "stimulus_sha256", "capture_sha256")
        for shared, check in side.checks.items()
    }
    known = _named(side, "label", "reference", "run_id", "serial", "model", "firmware")
    return {**known, "verdict": side.verdict.value, "checks": checks}


def _named(item: object, *names: str) -> dict[str, Any]:
    return {name: getattr(item, name) for name in names}
