"""The switch of the nest: whether a unit is in it, before, during and after its test.

======================  =====================================================================
:class:`Nest`           what the switch says at a moment
:func:`nest_of`         asks it
:func:`require_unit`    refuses a unit where the nest is empty, or nobody knows
:class:`Watched`        watches it during a run, which counts only if the unit stayed
======================  =====================================================================

A switch that does not answer is never taken for a unit that is there.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Self

from linecheck.checks.base import Problem
from linecheck.errors import StationError
from linecheck.files.text import visible
from linecheck.run.voiding import UNIT_REMOVED, voided

if TYPE_CHECKING:
    from linecheck.run.model import Run
    from linecheck.station.config.screen import UnitPresentConfig

#: So often it is asked, and the exit status that says that the nest is empty.
ASKED_SECONDS: Final = 1.0
EMPTY: Final = 1

FETCH: Final = (
    "Fetch an engineer and show him this: the switch of the nest must answer before a unit is tested."
)


@dataclass(frozen=True)
class Nest:
    """What the switch says: the unit is there, the nest is empty, or neither, and then why."""

    is_there: bool
    is_empty: bool = False
    why: str = ""


def nest_of(config: UnitPresentConfig) -> Nest:
    """Ask the switch; once more where it did not answer, since a busy computer may have been slow."""
    ended = config.ended({})
    if ended.status not in (0, EMPTY):
        ended = config.ended({})
    if ended.status in (0, EMPTY):
        return Nest(ended.status == 0, ended.status == EMPTY)
    said = ended.answer or ended.why or f"exit status {ended.status}"
    return Nest(False, why=f"the switch of the nest does not answer ({config.program}: {visible(said)})")


def require_unit(config: UnitPresentConfig | None, serial: str) -> None:
    """Refuse a unit where the nest is empty, or nobody knows.

    Raises
    ------
    StationError
        It is, or nobody does: nothing was run.
    """
    if config is None:
        return
    nest = nest_of(config)
    if nest.is_empty:
        raise StationError(
            f"{serial} is not tested: the nest is empty. Nothing was run.",
            act="Put the unit into the nest, then scan its label again.",
        )
    if not nest.is_there:
        raise StationError(
            f"{serial} is not tested: {nest.why}, so nobody knows whether a unit is there. Nothing was run.",
            act=FETCH,
        )


class Watched:
    """Watches the nest as long as the context lasts; without a switch it watches nothing."""

    def __init__(self, config: UnitPresentConfig | None) -> None:
        self._config = config
        self._ended = threading.Event()
        self._found: Nest | None = None
        self._thread = threading.Thread(target=self._watch, name="nest", daemon=True)

    def __enter__(self) -> Self:
        """Begin."""
        if self._config is not None:
            self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """End."""
        self._ended.set()

    def _watch(self) -> None:
        while not self._ended.wait(ASKED_SECONDS) and self._found is None:
            self._ask()

    def _ask(self) -> None:
        assert self._config is not None
        nest = nest_of(self._config)
        if not nest.is_there:
            self._found = nest

    def judged(self, run: Run) -> Run:
        """Return a run as it counts: one that went to its end judges nothing where the unit did not stay."""
        if self._config is None or run.aborted:  # who stops a run and takes the unit out undoes no fail
            return run
        self._ended.set()
        self._thread.join()
        if self._found is None:
            self._ask()
        if self._found is None:
            return run
        why = "the unit was removed during the test"
        if not self._found.is_empty:
            why = f"nobody knows whether the unit stayed in the nest: {self._found.why}"
        problem = Problem(UNIT_REMOVED, why)
        return voided(replace(run, problems=(problem, *run.problems), causes={}, released=None))
