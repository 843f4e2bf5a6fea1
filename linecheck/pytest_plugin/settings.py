"""What the project's configuration and the command line ask for; the command line goes first."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import pytest


@dataclass(frozen=True)
class Settings:
    """Limit files, baselines, and whether what is marginal fails."""

    limits: tuple[Path, ...]
    baselines: tuple[Path, ...]
    strict: bool

    @classmethod
    def of(cls, config: pytest.Config) -> Settings:
        """Return what applies; a path is relative to the configuration file, or to where the command was given."""
        return cls(
            limits=_paths(config, "linecheck_limits"),
            baselines=_paths(config, "linecheck_baseline"),
            strict=bool(config.getoption("linecheck_strict") or config.getini("linecheck_strict")),
        )


def add_options(parser: pytest.Parser) -> None:
    """Add linecheck's options to the command line and to the configuration file."""
    group = parser.getgroup("linecheck", "linecheck: capture sets (captures.toml) as tests")
    for name, files in (("limits", "limit file"), ("baseline", "baseline")):
        group.addoption(
            f"--linecheck-{name}",
            dest=f"linecheck_{name}",
            action="append",
            metavar="FILE",
            help=f"The {files} of a model; repeat it for several models. Overrides "
            f"linecheck_{name} of the configuration file.",
        )
    group.addoption(
        "--linecheck-strict",
        dest="linecheck_strict",
        action="store_true",
        default=False,
        help="Count marginal as a failure.",
    )
    parser.addini("linecheck_limits", "Limit files that judge capture sets.", "paths", [])
    parser.addini("linecheck_baseline", "Baselines to compare capture sets with.", "paths", [])
    parser.addini("linecheck_strict", "Whether marginal counts as a failure.", "bool", False)


def shown_path(path: Path) -> Path:
    """Return a path as it is best read: from the current folder, where it lies in that."""
    here = Path(os.getcwd())
    return path.relative_to(here) if path.is_relative_to(here) else path


def _paths(config: pytest.Config, name: str) -> tuple[Path, ...]:
    given = config.getoption(name)
    if given is None:
        given = config.getini(name)
    return tuple(Path(os.path.normpath(config.invocation_params.dir / path)) for path in given)
