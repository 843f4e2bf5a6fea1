"""Where the captures of one run are: in the folder that it was named by, or where a station keeps them."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from linecheck.captures.capture_set import INDEX_NAME, CaptureSet, load_capture_set
from linecheck.captures.setups import resolved_captures
from linecheck.errors import RecordError
from linecheck.files.text import visible
from linecheck.history.rejudge.remeasure import Finder
from linecheck.run.model import Run

_CAPTURES = "captures"


def kept_captures(run: Run, source: str, finders: Sequence[Finder]) -> CaptureSet:
    """Return the captures of a run, by the names of its checks.

    Parameters
    ----------
    run : Run
    source : str
        How the run was named: maybe the folder of its captures, or of its files.
    finders : sequence of callable
        Where else to look; the first that knows of any has them.

    Raises
    ------
    RecordError
        None were kept, or they are somewhere else; the text says what to do.
    FileError
        They are faulty.
    """
    for folder in _places(run, source, finders):
        if os.path.isfile(folder / INDEX_NAME):
            return resolved_captures(load_capture_set(folder), run.limits)
    why = f" ({visible(run.captures_why)})" if run.captures_why else ""
    raise RecordError(
        f"{visible(run.serial)}: no captures of the run {run.run_id[:8]} are here{why}. Name the folder that holds "
        "them, or the config of the station whose archive does (--station), or measure the unit again with "
        "linecheck run --keep-captures"
    )


def _places(run: Run, source: str, finders: Sequence[Finder]) -> Iterator[Path]:
    """Yield the folders in which the captures may be."""
    named = Path(source)
    if os.path.isdir(named):
        yield named
        yield named / _CAPTURES
    elif os.path.isfile(named):
        yield named.parent
        yield named.parent / _CAPTURES
    for find in finders:
        found = find(run)
        if found is not None:
            yield found
