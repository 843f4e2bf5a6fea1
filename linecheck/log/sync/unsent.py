"""Whether a server has been behind a log for long, as far as the log itself knows."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from linecheck.files.text import visible
from linecheck.log.sync.local import LocalLog
from linecheck.log.sync.target import Target

__all__ = ["LONG", "unsent_for_long"]

#: A record that has waited for less is on its way.
LONG = timedelta(hours=1)


def unsent_for_long(location: str | Path, url: str, now: datetime) -> str | None:
    """Return a warning where records wait for longer than they should; None where none does. Asks no server."""
    target = Target.parsed(url, "[sync] to")
    with LocalLog(location, only_read=True) as log:
        there, last = log.acknowledged(target), log.head()
        oldest = log.record(there.sequence + 1)
    if oldest is None:
        return None
    recorded = str(oldest.row["recorded"])
    try:
        since = datetime.fromisoformat(recorded)
    except ValueError:
        return None
    if now.astimezone(UTC) - since.astimezone(UTC) < LONG:
        return None
    count = last.sequence - there.sequence
    records = "record waits" if count == 1 else "records wait"
    return (
        f"warning: {count} {records} to be sent to {target}, since {visible(recorded[:16])}Z: `linecheck sync` says "
        "why; nothing is lost, the log keeps them"
    )
