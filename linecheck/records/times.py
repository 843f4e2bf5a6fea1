"""Times as every record writes them: UTC, ISO 8601, to the microsecond; their texts sort as they do."""

from __future__ import annotations

from datetime import UTC, datetime

__all__ = ["utc_text"]


def utc_text(time: datetime) -> str:
    """Return ``2026-11-20T08:15:00.000000Z``; a time without a zone is UTC already."""
    utc = time.astimezone(UTC) if time.tzinfo is not None else time
    return utc.replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"
