"""What a difference between two runs sounds like: the cause that may have come between them."""

from __future__ import annotations

import logging
from collections.abc import Mapping

from linecheck.run.causes import Difference
from linecheck.run.model import Run

#: What the other side had, by check (its whole name in the run), metric and channel.
Earlier = Mapping[tuple[str, str, str | None], float]

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())


def difference_of(run: Run, earlier: Earlier) -> Difference | None:
    """Return what may have come between what a run measured and what was measured earlier; None where nothing fits.

    A fault in that costs only what it would say.
    """
    try:
        from linecheck.causes import name_difference

        causes = name_difference(run, earlier)
    except Exception:
        _log.exception("the cause of a difference could not be named")
        return None
    return Difference.of(causes) if causes is not None and causes.headline else None
