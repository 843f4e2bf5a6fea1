"""What every result format keeps to: those that there are, and one that is added by its file alone."""

import importlib
from dataclasses import replace
from pathlib import Path

import pytest
from added_members import added_modules
from made_runs import runs_of_every_verdict
from small_run import LIMITS, call, write_small_files

from linecheck.captures.many_sets import JudgedSet
from linecheck.checks.base import Problem
from linecheck.cli import judge, run
from linecheck.errors import ContractError, FileError, RecordError
from linecheck.limits.verdict import Verdict
from linecheck.results.cases import Case, run_suite
from linecheck.results.files import ResultFiles, SetFiles, contents, run_files
from linecheck.results.formats import result_formats
from linecheck.results.formats.base import OneRun
from linecheck.results.overview import brief

pytestmark = pytest.mark.every_python

SKELETON = (Path(__file__).parent / "skeleton_format.py").read_text(encoding="utf-8")
SETS = [
    *(
        JudgedSet(f"sets/{number}", replace(made, serial=f"PR3-{number:06}"))
        for number, made in enumerate(runs_of_every_verdict().values())
    ),
    JudgedSet("sets/broken", problem=Problem("set_refused", "sets/broken: is not a capture set")),
]


@pytest.fixture
def added(tmp_path):
    """The skeleton among the formats, and among the options of the commands."""
    folder = tmp_path / "formats"
    folder.mkdir()
    with added_modules(folder, "linecheck.results.formats", result_formats, skeleton=SKELETON):
        for module in (judge, run):
            importlib.reload(module)
        yield result_formats()["tap"]
    for module in (judge, run):
        importlib.reload(module)


@pytest.fixture(params=[*result_formats(), "tap"])
def form(request):
    """Every format, and one that is added."""
    return request.getfixturevalue("added") if request.param == "tap" else result_formats()[request.param]


@pytest.mark.parametrize("verdict", list(Verdict))
def test_a_run_of_every_verdict_is_written_the_same_each_time(form, verdict):
    one = OneRun(runs_of_every_verdict()[verdict])
    content = form.of_run(one)
    assert content == form.of_run(one)
    assert content.decode("utf-8").endswith("\n")


def test_sets_are_written_whole_at_the_end_or_not_at_all(form, tmp_path):
    path = tmp_path / f"of_all{form.suffix}"
    briefs = [brief(judged) for judged in SETS]
    for finished in (False, True):
        file = form.of_sets(path, strict=False)
        for judged in SETS:
            file.add(judged, {}, ())
        assert not path.exists()
        if finished:
            file.finish(briefs)
        file.abandon()
        assert path.exists() is finished
    content = path.read_text(encoding="utf-8")
    for judged in SETS:
        assert content.count(judged.outcome.serial if judged.outcome else "broken")
    assert [entry.name for entry in tmp_path.iterdir() if entry.is_file()] == [path.name]


def test_a_set_alone_says_what_a_run_says(form, tmp_path):
    file = form.of_sets(tmp_path / "one", strict=True)
    (judged,) = SETS[:1]
    file.add(judged, {}, [Case("tone", "sinad.left.regression", "worse by 1 dB", "failure", "fail")])
    file.finish([brief(judged)])
    assert judged.outcome.serial in (tmp_path / "one").read_text(encoding="utf-8")


def test_it_names_its_option_and_its_files(form):
    assert form.suffix == Path(f"x{form.suffix}").suffix
    assert form.what and form.form  # noqa: PT018 - both are words
    assert form.run_file == "" or form.run_file.endswith(form.suffix)
    for command in (judge.command, run.command):
        (option,) = [option for option in command.params if option.name == f"{form.name}_path"]
        assert option.opts == [f"--{form.name}"]
        verb = "Also write" if command is run.command else "Write"
        assert option.help.startswith(f"{verb} {form.what} to FILE, as {form.form}")


def test_what_was_not_measured_is_written_with_no_verdict(form):
    # A verdict on nothing is refused by whatever writes the run itself; a summary names its verdict alone.
    from made_runs import made_check, made_reading, made_run

    odd = made_run(made_check(made_reading(Verdict.PASS, float("nan"))))
    if form.name == "summary":
        return
    with pytest.raises(RecordError, match="nothing was measured"):
        form.of_run(OneRun(odd))


def test_one_that_cannot_be_written_keeps_none_of_the_others_from_being_written(added, tmp_path):
    made = runs_of_every_verdict()[Verdict.FAIL]
    for broken in result_formats():
        folder = tmp_path / broken
        files = ResultFiles({name: folder / name for name in result_formats()})
        (folder / broken).mkdir(parents=True)
        with pytest.raises(RecordError, match="it is a folder"):
            files.write(contents(OneRun(made)))
        written = {path.name for path in folder.iterdir() if path.is_file()}
        assert written == set(result_formats()) - {broken}

        of_sets = tmp_path / f"{broken}_of_sets"
        (of_sets / broken).mkdir(parents=True)
        files = SetFiles(ResultFiles({name: of_sets / name for name in result_formats()}), strict=False)
        for judged in SETS:
            files.add(judged)
        files.finish([brief(judged) for judged in SETS])
        files.abandon()
        assert len(files.troubles) == 1
        assert {path.name for path in of_sets.iterdir() if path.is_file()} == set(result_formats()) - {broken}


def test_bytes_are_made_once_however_many_files_there_are(monkeypatch):
    form, made = result_formats()["json"], []
    monkeypatch.setattr(type(form), "of_run", lambda self, one: made.append(one) or b"x")
    content_of = contents(OneRun(runs_of_every_verdict()[Verdict.PASS]))
    assert [content_of("json") for _ in range(3)] == [b"x"] * 3
    assert len(made) == 1


def test_two_results_in_one_file_and_a_file_that_is_read_are_refused(added, tmp_path):
    one = tmp_path / "one"
    with pytest.raises(FileError, match="is named for two results"):
        ResultFiles({"json": one, "tap": one}).check()
    one.write_text("", encoding="utf-8")
    for name in result_formats():
        with pytest.raises(FileError, match="is an input of this command"):
            ResultFiles({name: one}).check([one])
        with pytest.raises(FileError, match="is an input of this command"):
            ResultFiles({name: tmp_path / "set" / "a.wav"}).check([tmp_path / "set"])


def test_every_run_has_the_files_that_formats_say(tmp_path):
    assert {path.name for path in run_files(tmp_path).paths} == {"result.json", "junit.xml"}


def test_an_added_format_is_written_by_run_and_judge(added, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    arguments = write_small_files(tmp_path, limits=LIMITS)
    asked = ["--serial", "PR3-000001", "--tap", "r.tap", "--keep-captures"]
    status, out, err = call(monkeypatch, capsys, "run", *arguments, *asked)
    assert status == 0, out + err
    first, *lines, plan = (tmp_path / "r.tap").read_text(encoding="utf-8").splitlines()
    assert (first, plan) == ("TAP version 14", f"1..{len(lines)}")
    assert all(line.startswith("ok ") for line in lines)

    (folder,) = (tmp_path / "results" / "PR3-000001").glob("*/captures")
    status, out, err = call(monkeypatch, capsys, "judge", folder, folder, *arguments[2:], "--tap", "many.tap")
    assert status == 0, out + err
    assert (tmp_path / "many.tap").read_text(encoding="utf-8").splitlines()[-1] == f"1..{2 * len(lines)}"

    status, _, err = call(monkeypatch, capsys, "run", *arguments, "--scan", "--tap", "r.tap")
    *others, last = (f"--{name}" for name in result_formats())
    assert (status, f"{', '.join(others)} and {last} name one file each" in err) == (2, True)
    assert "--tap" in (*others, last)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('= "tap"', '= "json"', "This is a fault in the result format 'json': .* both have this name"),
        ('= "tap"', '= "my tap"', "not of lower-case letters"),
        ("= TapFormat()", "= TapFormat", "is no ResultFormat"),
    ],
)
def test_a_format_that_says_what_cannot_be_is_refused(old, new, words, tmp_path):
    with (
        added_modules(
            tmp_path, "linecheck.results.formats", result_formats, broken=SKELETON.replace(old, new)
        ),
        pytest.raises(ContractError, match=words),
    ):
        result_formats()


def test_cases_are_known_again_whatever_they_are_written_as():
    suite = run_suite(runs_of_every_verdict()[Verdict.FAIL])
    places = [(case.classname, case.name) for case in suite.cases]
    assert len(set(places)) == len(places)
    assert "failure" in {case.outcome for case in suite.cases}
