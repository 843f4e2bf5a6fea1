"""Capture sets as tests of pytest: what is collected, selected, judged and told. Nothing is measured here."""

import re
import warnings
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from made_runs import made_check, made_reading, made_run
from made_sets import INDEX, ITEMS, LIMIT_FILE, RUNS, a_check, add_sets, cases_of, text_of

from linecheck.captures import capture_set, many_sets
from linecheck.checks.base import Problem
from linecheck.errors import FileError
from linecheck.limits.verdict import Verdict
from linecheck.pytest_plugin import INDEX_NAME
from linecheck.results.formats.junit import junit_bytes

pytestmark = pytest.mark.every_python


def test_the_index_is_what_capture_sets_call_it():
    assert INDEX_NAME == capture_set.INDEX_NAME


def test_each_judged_metric_of_each_channel_is_an_item(project):
    add_sets(project, "pass")
    result = project.runpytest("--collect-only", "-q")
    assert result.ret == 0
    listed = [line for line in result.outlines if "::" in line]
    assert listed == [f"pass/{INDEX_NAME}::{name}" for name in ITEMS]
    assert project.judged == []


@pytest.mark.parametrize("name", ["pass", "fail", "invalid", "marginal"])
@pytest.mark.parametrize("strict", [False, True])
def test_names_outcomes_and_texts_are_those_of_junit(project, name, strict):
    add_sets(project, name)
    project.runpytest("--junitxml=own.xml", *(["--linecheck-strict"] if strict else []))
    _, own = cases_of(project.path / "own.xml")
    theirs = ET.fromstring(junit_bytes(RUNS[name], strict)).findall("testsuite/testcase")
    same_names = {f"{case.get('classname').partition('.')[2]}.{case.get('name')}": case for case in theirs}
    assert same_names.keys() == {case for _, case in own} - {"run"}
    for its_name, case in same_names.items():
        same = own[f"{name}.{INDEX_NAME}", its_name]
        assert [child.tag for child in same] == [child.tag for child in case]
        for mine, its in zip(same, case, strict=True):
            assert its.get("message") in mine.get("message")


def test_verdicts_are_outcomes_and_counts(project):
    add_sets(project, *RUNS)
    result = project.runpytest("--junitxml=j.xml")
    result.assert_outcomes(passed=5 + 5 + 4 + 4, failed=1, errors=1 + 5)
    assert result.ret == 1
    suite, cases = cases_of(project.path / "j.xml")
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("25", "1", "6")
    assert len(cases) == 25
    assert sorted(map(Path, project.judged)) == sorted(project.path / name for name in RUNS)


def test_a_failure_is_the_sentence_and_nothing_of_python(project):
    add_sets(project, "fail", "invalid", "missing")
    result = project.runpytest("-rA")
    text = text_of(result)
    assert re.search("^_+ fail: tone.sinad.right _+$", text, re.MULTILINE)
    assert "tone.sinad.right: fail: 105.3 dB, below the pass limit of 112 dB" in text
    assert "  PR3-004711, firmware 1.4.0, judged by limits.yaml, revision 1" in text
    assert "tone.sinad.left: invalid: not judged: the sound broke off at 0.31 s" in text
    assert "run: invalid: the capture set has no capture of the check tone" in text
    assert "tone.sinad.left: invalid: not judged: the check tone was not run" in text
    for word in ("Traceback", "OutsideLimits", "NotJudged", ".py:"):
        assert word not in text


@pytest.mark.parametrize("style", ["line", "short", "native", "no"])
def test_every_style_of_traceback_names_the_place_and_no_code(project, style):
    add_sets(project, "fail")
    text = text_of(project.runpytest(f"--tb={style}"))
    assert re.search(r"^FAILED fail/captures.toml::tone.sinad.right - tone.sinad.right: ", text, re.MULTILINE)
    assert "Traceback" not in text
    assert ".py" not in text
    if style == "line":
        assert f"fail/{INDEX_NAME}:6: tone.sinad.right: fail: 105.3 dB" in text


def test_what_is_marginal_passes_and_is_told(project):
    add_sets(project, "marginal")
    result = project.runpytest()
    result.assert_outcomes(passed=5)
    assert "MARGINAL marginal, PR3-004711, firmware 1.4.0: tone.sinad.left: marginal: 110 dB" in text_of(
        result
    )


def test_pyproject_configures_it_too(project):
    add_sets(project, "marginal")
    (project.path / "tox.ini").unlink()
    options = 'linecheck_limits = ["limits.yaml"]\nlinecheck_strict = true\n'
    (project.path / "pyproject.toml").write_text(f"[tool.pytest.ini_options]\n{options}", encoding="utf-8")
    project.runpytest().assert_outcomes(passed=4, failed=1)


@pytest.mark.parametrize("how", ["option", "file"])
def test_strict_fails_what_is_marginal(project, how):
    add_sets(project, "marginal")
    if how == "file":
        project.makeini("[pytest]\nlinecheck_limits = limits.yaml\nlinecheck_strict = true\n")
    result = project.runpytest(*(["--linecheck-strict"] if how == "option" else []))
    result.assert_outcomes(passed=4, failed=1)
    assert "linecheck: limits limits.yaml; strict" in text_of(result)


@pytest.mark.parametrize(
    ("arguments", "names"),
    [
        (["-k", "tone and left"], ["tone.sinad.left", "tone.spectrum.curve.left"]),
        (["-k", "sinad and not right"], ["tone.sinad.left"]),
        (["-k", "1.4.1"], []),
        (["-k", "PR3-004711 and curve"], ["tone.spectrum.curve.left", "tone.spectrum.curve.right"]),
        (["-m", "not linecheck"], []),
        (["-m", "linecheck", "-k", "run"], ["run"]),
        ([f"pass/{INDEX_NAME}::tone.sinad.right"], ["tone.sinad.right"]),
    ],
)
def test_items_are_selected_as_any_others(project, arguments, names):
    add_sets(project, "pass")
    result = project.runpytest("-v", *arguments)
    run = re.findall(r"::(\S+) PASSED", text_of(result))
    assert run == names
    assert result.ret == (0 if names else pytest.ExitCode.NO_TESTS_COLLECTED)
    assert len(project.judged) == bool(names)
    assert (f"({len(names)} of its 5 items run)" in text_of(result)) == (0 < len(names) < 5)


def test_the_marker_is_known_and_selects_exactly(project):
    if tuple(int(part) for part in pytest.__version__.split(".")[:2]) < (8, 3):
        pytest.skip("pytest selects by a marker's arguments from 8.3 on")
    add_sets(project, "pass", "fail")
    chosen = 'linecheck(channel="left", firmware="1.4.1")'
    result = project.runpytest("-v", "--strict-markers", "-m", chosen)
    assert re.findall(r"(\S+) PASSED", text_of(result)) == [
        f"fail/{INDEX_NAME}::tone.sinad.left",
        f"fail/{INDEX_NAME}::tone.spectrum.curve.left",
    ]


def test_without_a_limit_file_a_set_is_an_error_that_says_what_to_set(project):
    add_sets(project, "pass")
    project.makeini("[pytest]\n")
    result = project.runpytest()
    assert result.ret == pytest.ExitCode.INTERRUPTED
    text = text_of(result)
    assert "linecheck_limits = limits/MODEL.yaml" in text
    assert "--linecheck-limits" in text
    assert "Traceback" not in text


def test_the_command_line_goes_before_the_file_and_its_paths_begin_where_it_was_given(project, monkeypatch):
    add_sets(project, "pass")
    other = project.mkdir("other")
    (other / "own.yaml").write_text(LIMIT_FILE.replace("revision: 1", "revision: 7"), encoding="utf-8")
    monkeypatch.chdir(other)
    result = project.runpytest("--linecheck-limits", "own.yaml", str(project.path / "pass"))
    result.assert_outcomes(passed=5)
    assert "linecheck: limits own.yaml" in text_of(result)


@pytest.mark.parametrize(
    ("files", "index", "words"),
    [
        ({"limits.yaml": LIMIT_FILE.replace("sinad", "sinat")}, INDEX, ["limits.yaml:11:7:", "sinad"]),
        ({"limits.yaml": None}, INDEX, ["limits.yaml: there is no such file"]),
        ({}, INDEX.replace("format = 1", "format = 2"), [f"pass/{INDEX_NAME}:1:1: format:"]),
        ({}, INDEX + "[[", [f"pass/{INDEX_NAME}:9:3: is no TOML"]),
        ({}, INDEX.replace("pellow-r3", "pellow-r4"), ["is of model pellow-r4", "limit files for pellow-r3"]),
        ({"two.yaml": LIMIT_FILE}, INDEX, ["two.yaml: is of model pellow-r3, as is limits.yaml"]),
    ],
)
def test_a_faulty_file_is_an_error_at_its_place(project, files, index, words):
    add_sets(project, "pass", index=index)
    for name, text in files.items():
        if text is None:
            (project.path / name).unlink()
        else:
            (project.path / name).write_text(text, encoding="utf-8")
    names = " ".join(["limits.yaml", *(name for name in files if name != "limits.yaml")])
    project.makeini(f"[pytest]\nlinecheck_limits = {names}\n")
    result = project.runpytest()
    assert result.ret == pytest.ExitCode.INTERRUPTED
    text = text_of(result)
    for word in words:
        assert word in text
    assert "Traceback" not in text
    assert project.judged == []


def test_each_set_is_judged_by_the_limits_of_its_model(project):
    add_sets(project, "pass")
    fourth = project.mkdir("fourth")
    (fourth / INDEX_NAME).write_text(INDEX.replace("pellow-r3", "pellow-r4").replace("PR3", "PR4"))
    only_level = LIMIT_FILE.partition("    masks:")[0] + "    masks:\n      level: {pass: {min: 1}}\n"
    text = only_level.replace("pellow-r3", "pellow-r4").replace("PR3", "PR4")
    (project.path / "r4.yaml").write_text(text, encoding="utf-8")
    project.makeini("[pytest]\nlinecheck_limits =\n    limits.yaml\n    r4.yaml\n")
    result = project.runpytest("--collect-only", "-q")
    listed = [line.partition("::")[2] for line in result.outlines if line.startswith("fourth")]
    assert listed == ["run", "tone.level.left", "tone.level.right"]


def test_a_set_that_cannot_be_judged_is_an_error_of_every_item(project, monkeypatch):
    faults = "\n".join(
        f"lost/{INDEX_NAME}:{number}:1: capture: fetch it with `git lfs pull`" for number in range(30)
    )
    monkeypatch.setitem(RUNS, "lost", FileError("lost", faults))
    add_sets(project, "lost", "pass")
    result = project.runpytest("--junitxml=j.xml")
    result.assert_outcomes(passed=5, errors=5)
    assert result.ret == 1
    _, cases = cases_of(project.path / "j.xml")
    for name in ITEMS:
        (error,) = cases[f"lost.{INDEX_NAME}", name]
        assert error.tag == "error"
        assert "git lfs pull" in error.get("message")
        assert "and 19 more" in error.text
    assert "Traceback" not in text_of(result)
    assert len(project.judged) == 2


def test_a_fault_of_linecheck_itself_is_an_error_and_not_tried_again(project, monkeypatch):
    monkeypatch.setitem(RUNS, "odd", ZeroDivisionError("division by zero"))
    add_sets(project, "odd")
    result = project.runpytest()
    result.assert_outcomes(errors=5)
    assert "This is a fault of linecheck and says nothing about the unit" in text_of(result)
    assert len(project.judged) == 1


def test_a_verdict_that_no_item_was_made_for_is_told_by_the_run(project, monkeypatch):
    strange = made_reading(Verdict.FAIL, 105.3, metric="thd", channel="left")
    monkeypatch.setitem(RUNS, "odd", made_run(a_check(), made_check(strange, name="other")))
    add_sets(project, "odd")
    result = project.runpytest()
    result.assert_outcomes(passed=4, failed=1)
    assert "run: fail: other.thd.left: fail: 105.3 dB" in text_of(result)


def test_ctrl_c_ends_the_session_though_a_run_keeps_it_to_itself(project, monkeypatch):
    monkeypatch.setitem(RUNS, "halted", made_run(aborted=True, missing=("tone",), checks=()))
    add_sets(project, "halted", "pass")
    result = project.inline_run(no_reraise_ctrlc=True)
    assert result.ret == pytest.ExitCode.INTERRUPTED
    assert len(project.judged) == 1


def test_the_projects_warnings_are_errors_but_change_no_verdict(project, monkeypatch):
    def judge(folder, limits, **options):
        warnings.warn("something old", DeprecationWarning, stacklevel=1)
        return RUNS["pass"]

    monkeypatch.setattr(many_sets, "judge_folder", judge)
    add_sets(project, "pass")
    project.runpytest("-W", "error").assert_outcomes(passed=5)


def test_what_a_run_has_to_say_beside_its_verdict_is_told(project, monkeypatch):
    odd = Problem("other_stimulus", "recorded with another stimulus", blocks=False)
    monkeypatch.setitem(RUNS, "noted", made_run(a_check(), problems=(odd,)))
    add_sets(project, "noted")
    result = project.runpytest()
    result.assert_outcomes(passed=5)
    assert "  recorded with another stimulus" in result.outlines


def test_a_hostile_name_is_shown_and_does_nothing(project):
    add_sets(project, "fail", index=INDEX.replace("{firmware}", "\\u001b[2J<b>{firmware}"))
    result = project.runpytest("--junitxml=j.xml")
    result.assert_outcomes(passed=4, failed=1)
    assert "\x1b[2J" not in text_of(result)
    assert "firmware \\x1b[2J<b>1.4.0" in text_of(result)
    assert cases_of(project.path / "j.xml")[0].get("failures") == "1"


def test_the_plugin_can_be_left_out(project):
    add_sets(project, "fail")
    project.makepyfile("def test_own(): pass")
    project.makeini("[pytest]\n")
    project.runpytest("-p", "no:linecheck").assert_outcomes(passed=1)


def test_another_project_imports_nothing_heavy_and_sees_nothing(pytester):
    pytester.makepyfile(
        """
        import sys
        def test_own():
            heavy = {"numpy", "pydantic", "scipy", "soundfile", "sqlalchemy", "yaml", "click"}
            assert "linecheck.pytest_plugin" in sys.modules
            assert heavy & set(sys.modules) == set()
        """
    )
    result = pytester.runpytest_subprocess("-p", "no:benchmark", "-p", "no:hypothesispytest")
    result.assert_outcomes(passed=1)
    assert not [line for line in result.outlines if line.startswith(("linecheck", "== linecheck"))]


def test_an_item_may_be_skipped_or_expected_to_fail(firmware_project):
    firmware_project.makeconftest(
        "import pytest\n"
        "def pytest_collection_modifyitems(items):\n"
        "    items[0].add_marker(pytest.mark.skip(reason='known'))\n"
        "    items[1].add_marker(pytest.mark.xfail(reason='known'))\n"
    )
    result = firmware_project.runpytest_inprocess("captures/1.4.2", "--junitxml=j.xml", "-rsx")
    assert "INTERNALERROR" not in str(result.stdout)
    assert result.parseoutcomes().get("skipped") == 1
    assert result.ret == 0
