"""The files of a result."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Literal

from linecheck.captures.capture_set import INDEX_NAME
from linecheck.errors import FileError, RecordError
from linecheck.files.write import check_can_write, write_atomically
from linecheck.run.model import Run

__all__ = ["Contents", "ResultFiles", "ResultName"]

ResultName = Literal["json", "junit", "summary"]

#: What a capture set's own files end with.
READ_SUFFIXES = (".toml", ".wav", ".flac")


@dataclass(frozen=True)
class Contents:
    """The files' bytes, made once however many of them there are."""

    outcome: Run
    strict: bool
    set_path: str = ""

    def of(self, name: ResultName) -> bytes:
        """Return a file's bytes."""
        if name == "summary":
            return self._summary
        return self._json if name == "json" else self._junit

    @cached_property
    def _json(self) -> bytes:
        from linecheck.results.result import result, to_json_bytes

        return to_json_bytes(result(self.outcome))

    @cached_property
    def _junit(self) -> bytes:
        from linecheck.results.junit import junit_bytes

        return junit_bytes([self.outcome], self.strict)

    @cached_property
    def _summary(self) -> bytes:
        from linecheck.captures.many_sets import JudgedSet
        from linecheck.results.overview import brief
        from linecheck.results.summary import summary_bytes

        return summary_bytes([brief(JudgedSet(self.set_path, self.outcome))])


@dataclass(frozen=True)
class ResultFiles:
    """The files of a result: where they go, None where they are not wanted."""

    json: Path | None = None
    junit: Path | None = None
    summary: Path | None = None

    @property
    def paths(self) -> tuple[Path, ...]:
        """Where those go that are wanted."""
        return tuple(path for path in (self.json, self.junit, self.summary) if path is not None)

    def check(self, inputs: Iterable[str | Path] = ()) -> None:
        """Find out before anything is run whether they can be written, and over nothing that is read.

        Raises
        ------
        FileError
            One cannot, or is an input or a capture set's own file, or two are the same.
        """
        read = [Path(path).resolve() for path in inputs]
        read += [path.parent for path in read if path.name == INDEX_NAME]
        taken: set[Path] = set()
        for path in self.paths:
            check_can_write(path)
            place = path.resolve()
            if place in read or (place.parent in read and place.suffix in READ_SUFFIXES):
                raise FileError(path, "is what this command reads: write the result somewhere else")
            if place in taken:
                raise FileError(path, "is named for two results: give each a file of its own")
            taken.add(place)

    def write(self, content: Callable[[ResultName], bytes]) -> None:
        """Write them; one that cannot be written keeps none of the others from being written.

        Parameters
        ----------
        content : callable
            Gives a file's bytes; asked for those alone that are wanted.

        Raises
        ------
        RecordError
            One or more cannot be written.
        """
        refused = []
        files: tuple[tuple[Path | None, ResultName], ...] = (
            (self.json, "json"),
            (self.junit, "junit"),
            (self.summary, "summary"),
        )
        for path, name in files:
            try:
                if path is not None:
                    write_atomically(path, content(name))
                    if name == "junit":
                        from linecheck.results.set_files import remove_parts

                        remove_parts(path)
            except RecordError as error:
                refused.append(str(error))
        if refused:
            raise RecordError("\n".join(refused))
