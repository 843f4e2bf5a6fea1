"""What every result format does, and what it is given."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Protocol

if TYPE_CHECKING:
    from linecheck.captures.many_sets import JudgedSet
    from linecheck.results.cases import Case
    from linecheck.results.overview import Brief
    from linecheck.run.model import Run


@dataclass(frozen=True)
class OneRun:
    """A run whose result is written.

    Attributes
    ----------
    run : Run
    strict : bool
        Marginal is a failure.
    set_path : str
        The capture set, where the run is one that was recorded.
    keys : mapping of str to object
        What is laid over the keys of its result.
    cases : tuple of Case
        Cases besides those of its readings and curves.
    in_brief : Brief or None
        The run at a glance, where that is not what the run itself says.
    record : str
        Its record in the log, ``SEQUENCE:HASH``: noted in a file, it is a head to verify the log against. Empty where
        it is in none.
    """

    run: Run
    strict: bool = False
    set_path: str = ""
    keys: Mapping[str, Any] = field(default_factory=dict)
    cases: tuple[Case, ...] = ()
    in_brief: Brief | None = None
    record: str = ""

    @property
    def brief(self) -> Brief:
        """The run at a glance."""
        from linecheck.captures.many_sets import JudgedSet
        from linecheck.results.overview import brief

        return self.in_brief or brief(JudgedSet(self.set_path, self.run))


class SetsFile(Protocol):
    """A file of many sets, written while they are judged; it takes its name at the end, whole, or not at all.

    Each method raises :class:`~linecheck.errors.RecordError` where it cannot be written.
    """

    def add(self, judged: JudgedSet, keys: Mapping[str, Any], cases: Sequence[Case]) -> None:
        """Write what became of a set; ``keys`` are laid over its result, ``cases`` added to its own."""
        ...

    def finish(self, briefs: Sequence[Brief]) -> None:
        """Keep the file; ``briefs`` are all sets at a glance, in the order given."""
        ...

    def abandon(self) -> None:
        """Leave everything as it was before, but for what is finished."""
        ...


class ResultFormat(ABC):
    """A format; subclasses live one per file and register by an instance named ``FORMAT`` in it.

    Attributes
    ----------
    name : str
        The option that asks for it, without its dashes.
    what, form, of_many : str
        What is written ("the result"), as what ("JSON"), and how it differs for several sets; empty where it does not.
    suffix : str
        What its files end with, with the dot.
    run_file : str
        The file of it that every run has in its own folder; empty where that has none.
    """

    name: ClassVar[str]
    what: ClassVar[str]
    form: ClassVar[str]
    of_many: ClassVar[str] = ""
    suffix: ClassVar[str]
    run_file: ClassVar[str] = ""

    @abstractmethod
    def of_run(self, one: OneRun) -> bytes:
        """Return the file of one run.

        Raises
        ------
        RecordError
            A verdict was given on what was not measured.
        """

    @abstractmethod
    def of_sets(self, path: Path, *, strict: bool) -> SetsFile:
        """Begin the file of many sets.

        Raises
        ------
        RecordError
            It cannot be written.
        """

    def written(self, path: Path) -> None:  # noqa: B027 - most formats have one file
        """Remove what an earlier result left beside a file that has just been written.

        Raises
        ------
        RecordError
            It cannot be put away.
        """
