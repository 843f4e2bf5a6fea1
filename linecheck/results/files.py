"""The files of a result, in whatever formats there are.

========================  ====================================================================
:class:`ResultFiles`      where they go; checked before anything is run
:func:`contents`          the bytes of one run's files
:class:`SetFiles`         the files of many sets, written while these are judged
:func:`run_files`         the files that every run has in its own folder
:func:`run_folder`        which that is
========================  ====================================================================

One that cannot be written keeps none of the others from being written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from linecheck.errors import FileError, RecordError
from linecheck.files.write import check_can_write, write_atomically
from linecheck.results.formats import result_formats
from linecheck.results.formats.base import OneRun, SetsFile

if TYPE_CHECKING:
    from linecheck.captures.many_sets import JudgedSet
    from linecheck.results.cases import Case
    from linecheck.results.overview import Brief

#: What a capture set's own files end with.
READ_SUFFIXES = (".toml", ".wav", ".flac")


def contents(one: OneRun) -> Callable[[str], bytes]:
    """Return what gives the bytes of a format's file of a run, made once however many files there are.

    It raises :class:`~linecheck.errors.RecordError` where a verdict was given on what was not measured.
    """
    return cache(lambda name: result_formats()[name].of_run(one))


@dataclass(frozen=True)
class ResultFiles:
    """Where the files of a result go, by format; those are left out that are not wanted."""

    by_format: Mapping[str, Path] = field(default_factory=dict)

    @property
    def paths(self) -> tuple[Path, ...]:
        """Where those go that are wanted."""
        return tuple(path for _, path in self.items())

    def items(self) -> Iterator[tuple[str, Path]]:
        """Yield format and place, in the order in which they are written."""
        for name in result_formats():
            if name in self.by_format:
                yield name, self.by_format[name]

    def check(self, inputs: Iterable[str | Path] = ()) -> None:
        """Check before anything runs that they can be written, and overwrite no input.

        Raises
        ------
        FileError
            One cannot, or is an input or a capture set's own file, or two are the same.
        """
        from linecheck.captures.capture_set import INDEX_NAME

        read = [Path(path).resolve() for path in inputs]
        read += [path.parent for path in read if path.name == INDEX_NAME]
        taken: set[Path] = set()
        for path in self.paths:
            check_can_write(path)
            place = path.resolve()
            if place in read or (place.parent in read and place.suffix in READ_SUFFIXES):
                raise FileError(path, "is an input of this command: write the result somewhere else")
            if place in taken:
                raise FileError(path, "is named for two results: give each its own file")
            taken.add(place)

    def write(self, content: Callable[[str], bytes]) -> None:
        """Write them.

        Parameters
        ----------
        content : callable
            Gives the bytes of a format's file; asked for those alone that are wanted.

        Raises
        ------
        RecordError
            One or more cannot be written.
        """
        refused = []
        for name, path in self.items():
            try:
                write_atomically(path, content(name))
                result_formats()[name].written(path)
            except RecordError as error:
                refused.append(str(error))
        if refused:
            raise RecordError("\n".join(refused))


def run_files(folder: Path) -> ResultFiles:
    """Return the files that every run has in its own folder."""
    own = {name: form.run_file for name, form in result_formats().items() if form.run_file}
    return ResultFiles({name: folder / file for name, file in own.items()})


def run_folder(serial: str, started: datetime, run_id: str) -> PurePath:
    """Return the folder of a run's files, below that of all runs."""
    from linecheck.captures.capture_set import plain_file_name

    return PurePath(plain_file_name(serial), f"{started:%Y%m%dT%H%M%SZ}-{run_id[:8]}")


class SetFiles:
    """The files of many sets.

    Parameters
    ----------
    wanted : ResultFiles
        Where they go.
    strict : bool
        Marginal is a failure.
    """

    def __init__(self, wanted: ResultFiles, *, strict: bool) -> None:
        self._open: list[SetsFile] = []
        #: What could not be written, in words.
        self.troubles: list[str] = []
        for name, path in wanted.items():
            with self._noted():
                self._open.append(result_formats()[name].of_sets(path, strict=strict))

    def add(
        self, judged: JudgedSet, keys: Mapping[str, Any] | None = None, cases: Sequence[Case] = ()
    ) -> None:
        """Write what became of a set; ``keys`` are laid over its result, ``cases`` added to its own."""
        self._each(lambda file: file.add(judged, keys or {}, cases))

    def finish(self, briefs: Sequence[Brief]) -> None:
        """Keep the files; ``briefs`` are all sets at a glance."""
        self._each(lambda file: file.finish(briefs))

    def abandon(self) -> None:
        """Leave everything as it was before, but for what is finished."""
        for file in self._open:
            file.abandon()

    def _each(self, action: Callable[[SetsFile], None]) -> None:
        for file in list(self._open):
            failed = len(self.troubles)
            with self._noted():
                action(file)
            if len(self.troubles) > failed:
                file.abandon()
                self._open.remove(file)

    @contextmanager
    def _noted(self) -> Iterator[None]:
        try:
            yield
        except RecordError as error:
            self.troubles.append(str(error))
