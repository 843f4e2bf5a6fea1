"""What every export format does."""

from __future__ import annotations

import importlib
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, ClassVar, Final, Protocol

from linecheck.errors import UsageError

if TYPE_CHECKING:
    from linecheck.log.export.rows import Row
    from linecheck.log.export.tables import Table

#: A text grows by so many bytes at a time.
_PIECE: Final = 1 << 18


class Sink(Protocol):
    """Where bytes go."""

    def write(self, content: bytes, /) -> object:
        """Add to it."""


class ExportFormat(ABC):
    """A format; subclasses live one per file and register by an instance named ``EXPORT_FORMAT`` in it.

    Attributes
    ----------
    name : str
        What it is asked for by, and what its files end with.
    text : str
        What people call it.
    is_text : bool
        Whether a terminal can show it.
    module, extra : str
        A module that it needs, and the extra of linecheck that brings it; empty where it needs none.
    """

    name: ClassVar[str]
    text: ClassVar[str]
    is_text: ClassVar[bool] = False
    module: ClassVar[str] = ""
    extra: ClassVar[str] = ""

    def check(self) -> None:
        """See that it can be written here.

        Raises
        ------
        UsageError
            Its library is not installed.
        """
        library = self.module.partition(".")[0]
        try:
            for name in (library, self.module) if self.module else ():
                importlib.import_module(name)
        except ImportError as error:
            raise UsageError(
                f"{self.text} needs {library}, which is not installed: pip install 'linecheck[{self.extra}]'"
            ) from error

    @abstractmethod
    def write(self, sink: Sink, table: Table, pages: Iterable[list[Row]]) -> None:
        """Write a whole file.

        Raises
        ------
        RecordError
            A record cannot be understood, or the sink cannot be written.
        """


class TextFormat(ExportFormat):
    """A format of lines."""

    is_text: ClassVar[bool] = True

    @abstractmethod
    def lines(self, table: Table, pages: Iterable[list[Row]]) -> Iterator[bytes]:
        """Yield whole lines of the file, UTF-8, one or a few at a time."""

    def write(self, sink: Sink, table: Table, pages: Iterable[list[Row]]) -> None:
        """Write a whole file, piece by piece."""
        piece = bytearray()
        for line in self.lines(table, pages):
            piece += line
            if len(piece) >= _PIECE:
                sink.write(bytes(piece))
                piece.clear()
        sink.write(bytes(piece))
