"""A ``captures.toml`` as a file of tests, its items, and how a failure is told.

What keeps linecheck from knowing a set's items is an error of collection: no limit file, a faulty one, none for the
set's model, a ``captures.toml`` that cannot be understood. What keeps it from judging them, as a capture that is not
there, is an error of each item. An item is measured when the first of its set's items is set up; what is invalid
ends there, so that pytest and JUnit count it as an error, what is outside its limits in the call, as a failure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from linecheck.errors import FileError, LinecheckError
from linecheck.files.text import visible
from linecheck.pytest_plugin.once import FOLDER, Once
from linecheck.pytest_plugin.settings import Settings, shown_path

if TYPE_CHECKING:
    from _pytest._code.code import TerminalRepr, TracebackStyle

    from linecheck.captures.capture_set import CaptureSetIndex
    from linecheck.history.baseline.file import Baseline
    from linecheck.limits.model import LimitFile
    from linecheck.pytest_plugin.judgement import SetErrand, SetFindings, Subject

#: So many of an item's notes are told beside a cause.
MAX_NOTES = 2


class Judgement(Exception):
    """An item did not pass, which is told without a traceback."""


class OutsideLimits(Judgement):
    """The unit is outside its limits."""


class NotJudged(Judgement):
    """The unit could not be judged."""


class CaptureSetFile(pytest.File):
    """A capture set; measured when the first of its items needs it."""

    errand: SetErrand
    #: What ``captures.toml`` says, and at which line (from 1) it names each check.
    index: CaptureSetIndex
    lines: dict[str, int]
    #: What is said of it; None as long as nobody asked.
    findings: SetFindings | None = None
    #: The first of its items that did not pass in this process, which tells the cause in full.
    telling: str = ""

    def collect(self) -> Iterator[JudgedItem]:
        """Yield the items, which the limit file knows; the audio is not looked at yet."""
        try:
            names = self._prepare()
        except LinecheckError as error:
            raise self.CollectError(str(error)) from None
        for subject in names:
            yield JudgedItem.from_parent(self, subject=subject)

    @property
    def bench(self) -> Bench:
        """What it shares with the other sets of the session."""
        return Bench.of(self.config)

    @property
    def unit(self) -> str:
        """What was recorded, in a few words."""
        serial = self.index.serial or "(no serial number)"
        return visible(f"{serial}, firmware {self.index.firmware}" if self.index.firmware else serial)

    def judge(self) -> SetFindings:
        """Return what is said of it."""
        from linecheck.pytest_plugin.judgement import SetFindings

        if self.findings is None:
            bench = self.bench
            if bench.errands is None:
                bench.errands = {errand.key: errand for errand in _errands(self.session)}
                bench.once.offer(bench.errands.values())
            errand = bench.errands.get(self.errand.key, self.errand)
            self.findings = SetFindings.of(bench.once.get(errand))
        return self.findings

    def _prepare(self) -> tuple[Subject, ...]:
        from linecheck.captures.capture_set import CaptureSetIndex
        from linecheck.files.toml import parse_model, read_toml
        from linecheck.pytest_plugin.judgement import SetErrand, subjects

        file = read_toml(shown_path(self.path))
        self.index = parse_model(file, CaptureSetIndex)
        self.lines = {
            entry.check: file.places.get(("capture", number), (1, 1))[0]
            for number, entry in enumerate(self.index.capture)
        }
        limits = self.bench.limits_of(self.index.model, self.path)
        baseline = self.bench.baseline_of(limits, self.index.serial)
        self.errand = SetErrand(self.path, limits, baseline, self.index.serial)
        return subjects(limits, compared=baseline is not None)


def _errands(session: pytest.Session) -> Iterator[SetErrand]:
    """Yield the sets of a session that have items which were not deselected, each once.

    Each knows how much is compared in all of them together: the more there is, the more one of them may look worse by
    chance.
    """
    from linecheck.pytest_plugin.judgement import comparisons_in_all

    files = dict.fromkeys(item.file for item in session.items if isinstance(item, JudgedItem))
    together = comparisons_in_all([file.errand for file in files])
    return (replace(file.errand, comparisons=together) for file in files)


class JudgedItem(pytest.Item):
    """One metric of one channel, or of the pair, or the run as a whole."""

    def __init__(self, *, subject: Subject, **given: Any) -> None:  # noqa: ANN401 - pytest's own
        super().__init__(name=subject.name, **given)
        self.subject = subject
        index = self.file.index
        about = {
            "check": subject.check,
            "metric": subject.metric,
            "channel": subject.channel,
            "model": index.model,
            "serial": index.serial,
            "firmware": index.firmware,
        }
        self.add_marker(pytest.mark.linecheck(**about))
        self.extra_keyword_matches.update(text for text in about.values() if text)

    @property
    def file(self) -> CaptureSetFile:
        """The set."""
        assert isinstance(self.parent, CaptureSetFile)
        return self.parent

    def setup(self) -> None:
        """Have the set measured; what is invalid ends here."""
        finding = self.file.judge().items[self.name]
        if finding.verdict not in ("pass", "marginal", "fail"):
            raise NotJudged(self._failure())

    def runtest(self) -> None:
        """Pass or fail by the verdict."""
        finding = self.file.judge().items[self.name]
        if finding.verdict == "fail" or (finding.verdict == "marginal" and self.file.bench.settings.strict):
            raise OutsideLimits(self._failure())
        if finding.verdict != "pass" or finding.notes:
            self.add_report_section("call", "linecheck", self._words())

    def repr_failure(
        self, excinfo: pytest.ExceptionInfo[BaseException], style: TracebackStyle | None = None
    ) -> str | TerminalRepr:
        """Tell a failure in the words of its verdict, at the place in ``captures.toml`` that names its check."""
        if not isinstance(excinfo.value, Judgement):
            return super().repr_failure(excinfo, style)
        representation = excinfo.getrepr(style="value")
        crash = representation.reprcrash
        if crash is not None:
            crash.path, crash.lineno = str(shown_path(self.path)), self._line
            crash.message = str(excinfo.value).partition("\n")[0]
        return representation

    def reportinfo(self) -> tuple[Path, int, str]:
        """Return where the item comes from (lines counted from 0), and what stands above its failure."""
        return self.path, self._line - 1, f"{shown_path(self.path.parent)}: {self.name}"

    @property
    def _line(self) -> int:
        return self.file.lines.get(self.subject.check or "", 1)

    def _failure(self) -> str:
        """Return why it does not pass: the cause, first and in full in the first of its set's items, then in a line."""
        findings = self.file.judge()
        cause, finding = findings.cause, findings.items[self.name]
        if cause is None:
            return self._words()
        self.file.telling = self.file.telling or self.name
        sentence, *more = cause.lines
        few = [f"  {note}" for note in finding.notes[:MAX_NOTES]]
        if self.name == self.file.telling:
            told = [sentence, *(f"  {line}" for line in more), finding.text, *few]
        else:
            told = [finding.text, f"  {sentence}"]
        return "\n".join([*told, f"  {self._whose}"])

    def _words(self) -> str:
        """Return the sentence of the verdict, what helps to understand it, and of what unit it is."""
        finding = self.file.judge().items[self.name]
        return "\n".join([finding.text, *(f"  {note}" for note in finding.notes), f"  {self._whose}"])

    @property
    def _whose(self) -> str:
        """The unit, and by what it was judged."""
        limits = self.file.errand.limits
        baseline = self.file.errand.baseline
        by = f"{limits.path}, revision {limits.revision}"
        if self.subject.is_comparison and baseline is not None:
            by = f"comparison with {baseline.path}"
        return f"{self.file.unit}, judged by {by}"


_NO_LIMITS = """\
no limit file is named for this set. Name your models' limit files in pytest's configuration:
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
