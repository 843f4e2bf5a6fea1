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

__all__ = ["Bench"]

_NO_LIMITS = """\
no limit file is named that would judge this set. Name those of your models in the configuration of pytest:
    linecheck_limits = limits/MODEL.yaml
or on the command line, --linecheck-limits limits/MODEL.yaml"""


class Bench:
    """What the sets of a session share; files are read when the first set is collected, and once if they are right.

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

    @cached_property
    def _limits(self) -> dict[str, LimitFile]:
        """The limit files, by model."""
        from linecheck.limits.loading.load import load_limits

        if not self.settings.limits:
            raise LinecheckError(_NO_LIMITS)
        files: dict[str, LimitFile] = {}
        for file in map(load_limits, map(shown_path, self.settings.limits)):
            other = files.setdefault(file.model, file)
            if other is not file:
                raise FileError(
                    file.path, f"is of model {file.model}, as is {other.path}; name one for each model"
                )
        return files

    @cached_property
    def _baselines(self) -> list[Baseline]:
        """The baselines; a unit stands in one of them."""
        from linecheck.history.baseline.file import load_baseline

        files = [load_baseline(shown_path(path)) for path in self.settings.baselines]
        units: dict[tuple[str, str], str] = {}
        for file in files:
            for serial in file.units:
                other = units.setdefault((file.file.model, serial), file.path)
                if other != file.path:
                    raise FileError(
                        file.path, f"has the unit {ascii(serial)[1:-1]}, as has {other}; name one of them"
                    )
        return files

    def limits_of(self, model: str, path: Path) -> LimitFile:
        """Return the limit file that judges a set.

        Raises
        ------
        LinecheckError
            None is named, one is faulty, two are of the same model, or there is none of this one.
        """
        if model not in self._limits:
            known = ", ".join(sorted(self._limits))
            raise FileError(shown_path(path), f"is of model {model}, and there are limit files for {known}")
        return self._limits[model]

    def baseline_of(self, limits: LimitFile, serial: str | None) -> Baseline | None:
        """Return the baseline that a unit is compared with; where none has it, one that can say which it has.

        None where no baseline is named.

        Raises
        ------
        LinecheckError
            One is faulty, two have the same unit, there is none of its model, or the limit file does not say by how
            much anything may change.
        """
        from linecheck.history.baseline.unit_entry import require_margins

        if not self._baselines:
            return None
        require_margins(limits)
        files = [file for file in self._baselines if file.file.model == limits.model]
        if not files:
            known = ", ".join(sorted({file.file.model for file in self._baselines}))
            raise FileError(limits.path, f"is of model {limits.model}, and there are baselines for {known}")
        return next((file for file in files if serial in file.units), files[0])


_BENCH = pytest.StashKey[Bench]()
