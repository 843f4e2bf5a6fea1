"""What holds of many sets whoever judges them; each kind of workers has a test file that goes through it."""

import json
from dataclasses import replace
from pathlib import Path

from linecheck.captures.judging import judge_folder
from linecheck.captures.many_sets import JudgedSet, SetBegunAgain, SetJudged, SetsStarted, judge_sets
from linecheck.limits.verdict import Verdict
from linecheck.results.result import set_result

OWN = ("run", "started", "finished", "duration_seconds")


def content(judged):
    """Return all of a set's result that depends on its files alone."""
    return {name: value for name, value in set_result(judged).items() if name not in OWN}


def without_own(line):
    """Return a line of results without what two judgements of the same set do not share."""
    return {name: value for name, value in json.loads(line).items() if name not in OWN}


def check_same_results_in_the_order_given(workers, paths, limits):
    """Hold each against the set's judgement on its own, in this thread."""
    found = list(judge_sets(paths, [limits], workers))
    assert [judged.path for judged in found] == paths
    assert [content(judged) for judged in found] == [
        content(JudgedSet(path, judge_folder(path, [limits]))) for path in paths
    ]
    assert {judged.verdict for judged in found} == {Verdict.PASS, Verdict.FAIL}


def check_what_cannot_be_read_costs_nothing_else(workers, paths, limits, tmp_path):
    """Judge good sets among a missing one, a broken one, and one of another model."""
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "captures.toml").write_text("format = 1\nmodel =\n", encoding="utf-8")
    mixed = [str(tmp_path / "nowhere"), paths[0], str(tmp_path / "broken"), paths[2]]
    other = replace(limits, model="pellow-r4")
    found = list(judge_sets(mixed, [limits], workers))
    assert [judged.verdict for judged in found] == [Verdict.INVALID, Verdict.PASS] * 2
    assert found[0].problem.code == found[2].problem.code == "set_refused"
    assert found[0].problem.message == f"{mixed[0]}: there is no such capture set"
    assert found[2].problem.message.startswith(f"{mixed[2]}/captures.toml:2:")
    (refused,) = judge_sets(paths[:1], [other], workers)
    assert refused.problem.message == f"{paths[0]}: is of model pellow-r3, the limit file of pellow-r4"


def check_the_limit_file_of_its_model_judges_each(workers, paths, limits):
    """Give limit files of two models, that of the sets last."""
    other = replace(limits, model="pellow-r4", sha256="00" * 32)
    (judged,) = judge_sets(paths[:1], [other, limits], workers)
    assert (judged.outcome.limits.model, judged.outcome.limits.sha256) == (limits.model, limits.sha256)


def check_a_death_costs_a_retry_of_its_set_alone(workers, paths, limits):
    """Have a worker die once at one of the sets; ``workers`` die where they are told to."""
    (Path(paths[1]) / "deadly").write_bytes(b"1")
    again = []

    def hear(event):
        match event:
            case SetsStarted(total):
                assert total == len(paths)
            case SetJudged(judged):
                assert judged.outcome is not None
            case SetBegunAgain(path, why):
                again.append((path, why))

    found = list(judge_sets(paths, [limits], workers, listener=hear))
    assert (Path(paths[1]) / "deadly").read_bytes() == b""
    assert [content(judged) for judged in found] == [
        content(JudgedSet(path, judge_folder(path, [limits]))) for path in paths
    ]
    return again


def check_what_is_left_when_asked_to_stop_is_named(workers, paths, limits):
    """Ask to stop once the first set is there."""
    seen = []
    for judged in judge_sets(paths * 20, [limits], workers, stopped=lambda: bool(seen)):
        seen.append(judged)
    assert [judged.path for judged in seen] == paths * 20
    assert seen[0].verdict is Verdict.PASS
    left = [judged for judged in seen if judged.outcome is None]
    assert len(left) >= len(seen) - 40
    assert {judged.verdict for judged in left} == {Verdict.ABORTED}
    assert {judged.problem.message for judged in left} == {"not judged: the command was stopped"}
