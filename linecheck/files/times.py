"""Times as every record writes them: UTC, ISO 8601, to the microsecond; their texts sort as they do."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from linecheck.errors import UsageError
from linecheck.files.text import visible

_TIME = re.compile(
    r"(?P<date>\d{4}-\d{2}-\d{2})(?P<time>[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?(Z|[+-]\d{2}:\d{2})?)?",
    re.ASCII,
)


def utc_text(time: datetime) -> str:
    """Return ``2026-11-20T08:15:00.000000Z``; a time without a zone is UTC already."""
    utc = time.astimezone(UTC) if time.tzinfo is not None else time
    return utc.replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def parsed_time(text: str, name: str, *, end: bool = False) -> str:
    """Return the UTC text of a date or a time that somebody has typed.

    Parameters
    ----------
    text : str
        ``2026-11-20``, ``2026-11-20T08:15`` or ``2026-11-20 08:15:30``, UTC unless ``Z``, ``+01:00`` or the like says
        otherwise.
    name : str
        The option, for the message.
    end : bool
        A date means the end of its day, not its beginning.

    Raises
    ------
    UsageError
        It is neither.
    """
    found = _TIME.fullmatch(text.strip())
    try:
        if found is None:
            raise ValueError
        time = datetime.fromisoformat(found[0])
        if end and found["time"] is None:
            time += timedelta(days=1)
        return utc_text(time)
    except (ValueError, OverflowError):
        raise UsageError(
            f"{name}: {visible(text[:60])!r} is no date and no time: expected 2026-11-20, or 2026-11-20T08:15 "
            "(UTC; a zone may follow, as in 2026-11-20T08:15+01:00)"
        ) from None
