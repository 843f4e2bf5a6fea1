"""What the capture sets of a session share: the settings, limit files, baselines, and what was measured."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from linecheck.errors import FileError, LinecheckError
from linecheck.pytest_plugin.once import FOLDER, Once
from linecheck.pytest_plugin.settings import Settings, shown_path

if TYPE_CHECKING:
    from linecheck.history.baseline.file import Baseline
    from linecheck.limits.model import LimitFile
    from linecheck.pytest_plugin.judgement import SetErrand

__all__ = ["BaselineShelf", "Bench", "LimitShelf"]

_NO_LIMITS = """\
no limit file is named that would judge this set. Name those of your models in the configuration of pytest:
    linecheck_limits = limits/MODEL.yaml
or on the command line, --linecheck-limits limits/MODEL.yaml"""


class LimitShelf:
    """The limit files of a session, by model.

    Raises
    ------
    LinecheckError
        None is named, one is faulty, or two are of the same model.
    """

    def __init__(self, paths: tuple[Path, ...]) -> None:
        from linecheck.limits.loading.load import load_limits

        if not paths:
            raise LinecheckError(_NO_LIMITS)
        self._files: dict[str, LimitFile] = {}
        for path in paths:
            file = load_limits(shown_path(path))
            if file.model in self._files:
                other = self._files[file.model].path
                raise FileError(
                    file.path, f"is of model {file.model}, as is {other}; name one for each model"
                )
            self._files[file.model] = file

    def of_model(self, model: str, path: Path) -> LimitFile:
        """Return the limit file that judges a set.

        Raises
        ------
        FileError
            There is none of its model.
        """
        if model not in self._files:
            known = ", ".join(sorted(self._files))
            raise FileError(shown_path(path), f"is of model {model}, and there are limit files for {known}")
        return self._files[model]


class BaselineShelf:
    """The baselines of a session; a unit stands in one of them.

    Raises
    ------
    LinecheckError
        One is faulty, or two have the same unit.
    """

    def __init__(self, paths: tuple[Path, ...]) -> None:
        from linecheck.history.baseline.file import load_baseline

        self._files = [load_baseline(shown_path(path)) for path in paths]
        units: dict[tuple[str, str], str] = {}
        for file in self._files:
            for serial in file.units:
                other = units.setdefault((file.file.model, serial), file.path)
                if other != file.path:
                    raise FileError(
                        file.path, f"has the unit {ascii(serial)[1:-1]}, as has {other}; name one of them"
                    )

    def of_unit(self, limits: LimitFile, serial: str | None) -> Baseline:
        """Return the baseline that a unit is compared with; where none has it, one that can say which it has.

        Raises
        ------
        FileError
            There is none of its model, or the limit file does not say by how much anything may change.
        """
        from linecheck.history.baseline.unit_entry import require_margins

        require_margins(limits)
        files = [file for file in self._files if file.file.model == limits.model]
        if not files:
            known = ", ".join(sorted({file.file.model for file in self._files}))
            raise FileError(limits.path, f"is of model {limits.model}, and there are baselines for {known}")
        return next((file for file in files if serial in file.units), files[0])


class Bench:
    """What the sets of a session share; files are read when the first set is collected, and once.

    ``errands`` are the sets that are to be judged, by key, known when the first of them is.
    """

    errands: dict[str, SetErrand] | None = None

    def __init__(self, config: pytest.Config) -> None:
        self.settings = Settings.of(config)
        self.once = Once(config.stash[FOLDER])

    @classmethod
    def of(cls, config: pytest.Config) -> Bench:
        """Return a session's."""
        if _BENCH not in config.stash:
            config.stash[_BENCH] = cls(config)
        return config.stash[_BENCH]

    @property
    def limits(self) -> LimitShelf:
        """The limit files; a fault in them is told of every set."""
        if isinstance(self._limits, LinecheckError):
            raise self._limits
        return self._limits

    @property
    def baselines(self) -> BaselineShelf | None:
        """The baselines, None where none is named; a fault in them is told of every set."""
        if isinstance(self._baselines, LinecheckError):
            raise self._baselines
        return self._baselines

    @cached_property
    def _limits(self) -> LimitShelf | LinecheckError:
        try:
            return LimitShelf(self.settings.limits)
        except LinecheckError as error:
            return error

    @cached_property
    def _baselines(self) -> BaselineShelf | LinecheckError | None:
        if not self.settings.baselines:
            return None
        try:
            return BaselineShelf(self.settings.baselines)
        except LinecheckError as error:
            return error


_BENCH = pytest.StashKey[Bench]()
