"""Capture sets on a line, heard by a plain list."""

from contextlib import contextmanager
from pathlib import Path

import pytest
from made_runs import made_run
from small_run import LIMITS

from linecheck.captures.many_sets import SetJudged, SetsStarted
from linecheck.captures.workers import set_workers
from linecheck.errors import ExitStatus, RecordError
from linecheck.limits.loading.load import load_limits
from linecheck.limits.verdict import Verdict
from linecheck.line import sets
from linecheck.line.events import FilesNotWritten, SetsEnded, SetsSummed, VerdictKnown
from linecheck.line.sets import judge_and_record
from linecheck.log import Log, LogReader
from linecheck.results.files import ResultFiles


@pytest.fixture
def limits(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "limits.yaml").write_text(LIMITS, encoding="utf-8")
    return [load_limits("limits.yaml")]


@pytest.fixture
def made(monkeypatch):
    """Have every folder judged as a run that is made up; one that has no run cannot be read."""
    runs = {"good": made_run(), "other": made_run(run_id="1", serial="PR3-000002")}

    def judge(folder, *arguments, **options):
        name = folder.rpartition("/")[2]
        if name not in runs:
            raise RecordError(f"{folder}: a verdict was given on nothing")
        return runs[name]

    monkeypatch.setattr("linecheck.captures.many_sets.judge_folder", judge)
    monkeypatch.setattr(sets, "processors", lambda: 0)
    return runs


def test_sets_are_judged_recorded_and_summed_up(limits, made):
    heard = []
    with Log("log.sqlite") as log:
        status = judge_and_record(["good", "odd", "other"], limits, ResultFiles(), log, heard.append)
    assert status is ExitStatus.INVALID
    assert [type(event) for event in heard] == [SetsStarted, *[SetJudged] * 3, SetsSummed, SetsEnded]
    assert [brief.verdict for brief in heard[-2].briefs] == [Verdict.PASS, Verdict.INVALID, Verdict.PASS]
    with LogReader("log.sqlite") as log:
        assert {run.serial for run in log.runs()} == {run.serial for run in made.values()}


def test_a_file_that_cannot_be_written_is_told_below_the_sum(limits, made, monkeypatch):
    def failing(self, judged, keys, cases):
        raise RecordError("r.jsonl: the disk is full")

    monkeypatch.setattr("linecheck.results.formats.json.ResultLines.add", failing)
    heard = []
    status = judge_and_record(
        ["good", "other"], limits, ResultFiles({"json": Path("r.jsonl")}), None, heard.append
    )
    assert status is ExitStatus.INVALID
    assert [type(event) for event in heard][-3:] == [SetsSummed, FilesNotWritten, SetsEnded]


def run_of(alone, limits, heard, monkeypatch):
    """Judge the only set, by a cluster or here, and return what it ends with."""
    if not alone:
        return judge_and_record(["good"], limits, ResultFiles(), None, heard.append, scheduler="tcp://x:1")
    monkeypatch.setattr(sets, "load_capture_set", lambda path: None)
    monkeypatch.setattr(sets, "judge_alone", lambda *arguments, **options: made_run())
    return judge_and_record(["good"], limits, ResultFiles(), None, heard.append)


@pytest.mark.parametrize("alone", [True, False])
def test_the_only_set_is_told_as_a_run_wherever_it_was_judged(limits, made, monkeypatch, alone):
    monkeypatch.setattr("linecheck.captures.cluster.cluster_workers", lambda address: here())
    heard = []
    assert run_of(alone, limits, heard, monkeypatch) is ExitStatus.PASS
    (verdict,) = (event for event in heard if isinstance(event, VerdictKnown))
    assert (verdict.serial, verdict.attempt) == (made["good"].serial, None)
    assert SetsSummed not in {type(event) for event in heard}


@contextmanager
def here():
    """Stand in for a cluster."""
    with set_workers(0) as workers:
        workers.notes = ()
        yield workers
