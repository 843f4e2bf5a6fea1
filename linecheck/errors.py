"""Every error that linecheck shows a user, with the exit status that it ends a command with.

::

    LinecheckError                2  the command or a file is wrong, nothing was run
    ├── ContractError             2  a check kind, a format or an interface does not do what it says of itself
    ├── UsageError                2  a value on the command line
    ├── FileError                 2  a file that cannot be read, written or understood
    │   └── FileFaults            2  several faults in one file, each with its place
    ├── RecordError               3  a record could not be stored or does not verify
    ├── ServerError               3  the server where logs meet does not take, or give, what it is asked
    ├── BaselineError             3  there is nothing to compare with, or nothing that could be compared with later
    ├── StationError              3  hardware, driver or interface: the verdict is invalid
    └── Interrupted               3  stopped by the operator: the run is aborted

A unit that fails its masks is no error: it is a verdict (exit status 1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Final, Self

#: More faults than this say that it is the wrong file, or all of it is wrong: the rest is counted.
MAX_LISTED: Final = 50


class ExitStatus(IntEnum):
    """What a command's exit status says; of several units or sets the worst counts: fail, then invalid.

    Attributes
    ----------
    PASS : 0
        Everything passed, or the command did what it was asked for. Marginal is a pass, unless --strict says
        otherwise.
    FAIL : 1
        A unit failed, or something is worse than in the baseline.
    WRONG_INPUT : 2
        A wrong command, file or setting: nothing was judged. The message says what to put right.
    INVALID : 3
        Not judged, or passed and not released: a capture that cannot be trusted, a run that was stopped, a unit on
        hold, a gate that is not met, a log that cannot be written.
    """

    PASS = 0
    FAIL = 1
    WRONG_INPUT = 2
    INVALID = 3


class LinecheckError(Exception):
    """Something that the user can act on; its text says what is wrong, where, and what to do.

    ``act`` is what somebody does who stands at the line and has a scanner alone; empty where only an engineer can.
    """

    exit_status = ExitStatus.WRONG_INPUT

    def __init__(self, *args: object, act: str = "") -> None:
        super().__init__(*args)
        self.act = act


class ContractError(LinecheckError):
    """A member of a registry (a check kind, a format, an interface) is not what it says, or says what cannot be."""

    @classmethod
    def of(cls, noun: str, name: str, message: str) -> Self:
        """Return the error of a member (``check kind``, its name), and what is wrong with it."""
        return cls(f"This is a fault in the {noun} {name!r}: {message}")


class UsageError(LinecheckError):
    """A value given on the command line cannot be used."""


class FileError(LinecheckError):
    """A file cannot be read, written or understood."""

    def __init__(self, path: object, message: str) -> None:
        self.path = str(path)
        self.message = message
        super().__init__(f"{self.path}: {message}")


@dataclass(frozen=True)
class Fault:
    """One fault in a file: where it is and what is wrong.

    ``line`` and ``column`` count from 1; ``key`` is the dotted path of the value, empty for the whole file.
    """

    file: str
    line: int
    column: int
    key: str
    message: str

    def __str__(self) -> str:
        """Return place, key and message on one line."""
        place = f"{self.file}:{self.line}:{self.column}"
        return f"{place}: {self.key}: {self.message}" if self.key else f"{place}: {self.message}"


class FileFaults(FileError):
    """A file has one or more faults; the first are listed, the others counted.

    Parameters
    ----------
    path : object
    faults : sequence of Fault
    uncounted : int
        How many there are besides these.
    """

    def __init__(self, path: object, faults: Sequence[Fault], uncounted: int = 0) -> None:
        self.faults = tuple(faults[:MAX_LISTED])
        count = len(faults) + uncounted
        more = f"{path}: and {count - MAX_LISTED} faults more" if count > MAX_LISTED else None
        LinecheckError.__init__(self, "\n".join((*map(str, self.faults), *(() if more is None else (more,)))))
        self.path = str(path)
        self.message = f"{count} fault{'s' if count != 1 else ''}"


def listed(lines: Sequence[str], most: int = MAX_LISTED) -> list[str]:
    """Return the first of some lines, and how many more there are."""
    more = [f"and {len(lines) - most} more"] if len(lines) > most else []
    return [*lines[:most], *more]


class RecordError(LinecheckError):
    """A record could not be stored, or a stored record does not verify."""

    exit_status = ExitStatus.INVALID


class ServerError(LinecheckError):
    """The central server cannot be reached, or does not do what it is asked."""

    exit_status = ExitStatus.INVALID


class BaselineError(LinecheckError):
    """A baseline has nothing that a unit could be compared with, or could not be made of what was measured."""

    exit_status = ExitStatus.INVALID


class StationError(LinecheckError):
    """The station (hardware, driver, interface) failed; the unit cannot be judged."""

    exit_status = ExitStatus.INVALID


class Interrupted(LinecheckError):
    """The operator stopped the run."""

    exit_status = ExitStatus.INVALID
