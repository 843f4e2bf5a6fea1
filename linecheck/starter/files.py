"""The files of a new model, and those of the demonstration, as texts by their paths."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path, PurePosixPath
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from linecheck.errors import FileError
from linecheck.files.durable import make_folder
from linecheck.files.text import visible
from linecheck.files.write import write_atomically
from linecheck.starter.answers import CLASSES, Answers, CiService, serial_pattern

#: Where the job of each build service lies, and its template.
_JOBS: Final[Mapping[CiService, Mapping[str, str]]] = {
    "gitlab": {".gitlab-ci.yml": "gitlab.yml"},
    "github": {".github/workflows/judge.yml": "github.yml"},
    "jenkins": {"Jenkinsfile": "jenkins"},
    "none": {},
}
_DEMO: Final = ("limits", "station_configs")


def model_files(answers: Answers) -> dict[str, str]:
    """Return the limit file, the station config and the job of a new model, by their paths."""
    environment = Environment(
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        loader=PackageLoader("linecheck.starter"),
    )
    environment.filters["quoted"] = lambda text: json.dumps(text, ensure_ascii=False)
    common = f"rate_hz: {answers.rates_hz[0]}, bits: {answers.bits}"
    said = {
        "a": answers,
        "c": CLASSES[answers.device_class],
        "m": answers.masks,
        "v": answers.volts,
        "quiet": answers.masks["snr_a" if answers.bits >= 20 else "dynamic_range_a"],
        "pattern": serial_pattern(answers.serial),
        "stimulus": f"{{{common}}}",
        # The jitter test signal is defined for words of 16 and of 24 bits.
        "jitter_stimulus": f"{{rate_hz: {answers.rates_hz[0]}, bits: {16 if answers.bits < 20 else 24}}}",
        "stimulus_with": lambda more: f"{{{more}, {common}}}",
        "regression_volts": float(f"{0.005 * answers.output_volts:.2g}"),
        "regression_ps": answers.masks["paired_jitter"][0] / 2,
        "channels": list(range(1, len(answers.channels) + 1)),
    }
    templates = {
        f"limits/{answers.model}.yaml": "limits.yaml",
        f"station_configs/{answers.station}.toml": "station.toml",
        **_JOBS[answers.ci],
    }
    return {path: environment.get_template(name).render(said) for path, name in templates.items()}


def demo_files() -> dict[str, str]:
    """Return the limit files and station configs of the demonstration, by their paths."""
    package = files("linecheck")
    # A package that was built holds them; a checkout has them beside the package.
    room = package.joinpath("demo")
    if not room.is_dir():
        room = Path(str(package)).parent
    return {
        str(PurePosixPath(folder, path)): text
        for folder in _DEMO
        for path, text in _texts(room.joinpath(folder))
    }


def _texts(folder: Traversable) -> list[tuple[str, str]]:
    found = []
    for entry in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if entry.is_dir():
            found += [(f"{entry.name}/{path}", text) for path, text in _texts(entry)]
        elif entry.name.endswith((".yaml", ".toml")):
            found.append((entry.name, entry.read_text(encoding="utf-8")))
    return found


def write_new(folder: Path, texts: Mapping[str, str]) -> list[Path]:
    """Write files, none of which may be there; return their paths.

    Raises
    ------
    FileError
        One is there. Nothing was written.
    RecordError
        One cannot be written.
    """
    targets = {folder / path: text for path, text in texts.items()}
    # Path.exists raises where a name is too long, or nobody may look; making the folder then says why.
    there = [visible(str(path)) for path in targets if os.path.lexists(path)]
    if there:
        raise FileError(
            there[0], "is there already, and nothing is written over: move it, or give another --out"
        )
    for path, text in targets.items():
        make_folder(path.parent)
        write_atomically(path, text.encode())
    return list(targets)
