"""Files of many sets: what other readers make of them, and that none grows beyond what build servers take.

GitLab Docs, "Unit test reports": a report file must be below 30 MB. At most 250,000 elements: common practice,
no source.
"""

import json
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from junitparser import Error, Failure, JUnitXml
from made_runs import made_check, made_reading, made_run, runs_of_every_verdict

from linecheck.captures.many_sets import JudgedSet
from linecheck.checks.base import Problem
from linecheck.errors import RecordError
from linecheck.limits.verdict import Verdict
from linecheck.results.cases import Case
from linecheck.results.formats.json import ResultLines
from linecheck.results.formats.junit import MAX_BYTES, MAX_ELEMENTS, JunitFiles
from linecheck.results.result import set_result

SERVER_BYTES, SERVER_ELEMENTS = 30_000_000, 250_000
# Unicode as it comes: controls, lone surrogates, what XML refuses, what means something in XML.
ODD = st.text(
    st.characters() | st.sampled_from("\x00\x1d\x85\r\n\t<>&\"'\ud800\ufffe\uffff\u202e]"), max_size=20
)
REFUSED = JudgedSet(
    "sets/broken", problem=Problem("set_refused", "sets/broken/captures.toml:1:1: is no TOML")
)
LEFT = JudgedSet("sets/left", problem=Problem("not_judged", "not judged: the command was stopped"))


def judged_sets():
    runs = runs_of_every_verdict().values()
    return [
        *(JudgedSet(f"sets/{n}", replace(run, serial=f"PR3-{n:06}")) for n, run in enumerate(runs)),
        REFUSED,
        LEFT,
    ]


def write_junit(path, sets, **options):
    files = JunitFiles(path, **options)
    try:
        for judged in sets:
            files.add(judged)
        files.finish()
        return files.paths
    finally:
        files.abandon()


def cases(*paths):
    """Return, by class and name, what each case of some files came to, as an independent reader sees it."""
    found = [case for path in paths for suite in JUnitXml.fromstring(path.read_bytes()) for case in suite]
    assert len({(case.classname, case.name) for case in found}) == len(found)
    return {(case.classname, case.name): case.result[0] if case.result else None for case in found}


def many_cases(verdict, problems=()):
    """Return a run with as many judged readings as the demonstration model has, 74, all of one verdict."""
    value = None if verdict is Verdict.INVALID else 100.0
    checks = [
        made_check(
            *(
                made_reading(verdict, value, metric=f"harmonic_{n}", channel=side)
                for n in range(5)
                for side in "ab"
            ),
            name=f"check_{at}",
            problems=problems,
        )
        for at in range(8)
    ]
    return made_run(
        *checks[:7],
        replace(checks[7], judged=replace(checks[7].judged, readings=checks[7].judged.readings[:4])),
    )


def test_every_set_has_a_suite_and_counts_agree_with_another_reader(tmp_path):
    (path,) = write_junit(tmp_path / "j.xml", judged_sets())
    suites = list(JUnitXml.fromstring(path.read_bytes()))
    assert len(suites) == 7
    for suite in suites:
        results = [case.result[0] for case in suite if case.result]
        failures = sum(isinstance(result, Failure) for result in results)
        errors = sum(isinstance(result, Error) for result in results)
        assert (suite.tests, suite.failures, suite.errors) == (len(list(suite)), failures, errors)
    properties = [{item.name: item.value for item in suite.properties()} for suite in suites]
    assert [entry["set"] for entry in properties] == [judged.path for judged in judged_sets()]
    assert [entry["verdict"] for entry in properties] == [judged.verdict.value for judged in judged_sets()]


def test_the_files_are_valid_against_both_schemas(schemas, tmp_path):
    for strict in (False, True):
        for path in write_junit(tmp_path / "j.xml", judged_sets(), strict=strict, most_elements=30):
            schemas.hold(path.read_bytes())


@given(texts=st.lists(ODD, min_size=7, max_size=7), verdict=st.sampled_from(list(Verdict)))
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_text_makes_a_file_that_is_not_valid(schemas, tmp_path, texts, verdict):
    path, serial, model, firmware, check, code, message = texts
    run = runs_of_every_verdict()[verdict]
    checks = tuple(replace(item, check=check) for item in run.checks)
    problems = (Problem(code, message), Problem(code, message, blocks=False))
    odd = replace(run, serial=serial, model=model, firmware=firmware, checks=checks, problems=problems)
    sets = [JudgedSet(path, odd), JudgedSet(path, odd), JudgedSet(path, problem=Problem(code, message))]
    (file,) = write_junit(tmp_path / "j.xml", sets)
    schemas.hold(file.read_bytes())
    assert len(cases(file)) >= 3


def test_no_two_sets_share_a_case_and_names_do_not_depend_on_what_was_measured(tmp_path):
    names = []
    for verdict, value in ((Verdict.PASS, 113.0), (Verdict.FAIL, 90.0)):
        run = made_run(made_check(made_reading(verdict, value)))
        other = replace(run, serial="PR3-000002")
        sets = [JudgedSet("a", run), JudgedSet("b", other), JudgedSet("c", run), JudgedSet("d", run)]
        names.append(list(cases(*write_junit(tmp_path / "j.xml", sets))))
    first = "pellow-r3.PR3-004711"
    assert names[0] == names[1]
    assert [place for place, _ in names[0]] == [
        f"{first}.tone", "pellow-r3.PR3-000002.tone", f"{first}#2.tone", f"{first}#3.tone"
    ]  # fmt: skip


def test_serial_numbers_that_look_alike_do_not_share_a_case(tmp_path):
    sets = [JudgedSet("a", made_run(serial=serial)) for serial in ("x y", "x  y", "x\ny", "x\\x00", "x\x00")]
    assert len(cases(*write_junit(tmp_path / "j.xml", sets))) == 15


def test_a_set_that_was_not_judged_is_an_error_that_says_why(tmp_path):
    found = cases(*write_junit(tmp_path / "j.xml", [REFUSED, LEFT, REFUSED]))
    assert list(found) == [
        ("linecheck.set", "sets/broken"), ("linecheck.set", "sets/left"), ("linecheck.set#2", "sets/broken")
    ]  # fmt: skip
    assert (
        found["linecheck.set", "sets/broken"].message
        == "sets/broken: sets/broken/captures.toml:1:1: is no TOML"
    )
    assert found["linecheck.set", "sets/left"].type == "aborted"


def test_further_cases_stand_beside_those_of_the_readings(tmp_path):
    files = JunitFiles(tmp_path / "j.xml")
    worse = Case("tone", "sinad.left.regression", "worse by 1 dB", "failure", "worse")
    files.add(JudgedSet("a", made_run()), cases=[worse])
    files.finish()
    found = cases(*files.paths)
    assert found["pellow-r3.PR3-004711.tone", "sinad.left.regression"].message == "worse by 1 dB"


def test_what_passes_is_not_told_and_what_is_marginal_is(tmp_path):
    (path,) = write_junit(tmp_path / "j.xml", judged_sets()[:2])
    passing, marginal = (suite.findtext("system-out") for suite in ET.parse(path).getroot())
    assert not passing
    assert "tone.sinad.left: marginal: 110 dB" in marginal


@pytest.mark.parametrize("share", [20, pytest.param(1, marks=pytest.mark.soak)])
@pytest.mark.parametrize(
    ("verdict", "message", "most_files"),
    [(Verdict.FAIL, "", 1), (Verdict.INVALID, "a very long reason, and " * 500, 2)],
)
def test_five_hundred_sets_stay_within_what_build_servers_take(tmp_path, verdict, message, most_files, share):
    """A share of them stays within that share of it."""
    count = 500 // share
    problems = (Problem("dropout", message),) if message else ()
    run = many_cases(verdict, problems)
    sets = [JudgedSet(f"sets/{n}", replace(run, serial=f"PR3-{n:06}")) for n in range(count)]
    paths = write_junit(
        tmp_path / "j.xml", sets, most_bytes=MAX_BYTES // share, most_elements=MAX_ELEMENTS // share
    )
    assert len(paths) <= most_files
    tests = bad = 0
    numbers = []
    assert MAX_BYTES < SERVER_BYTES
    assert MAX_ELEMENTS < SERVER_ELEMENTS
    for path in paths:
        assert path.stat().st_size < SERVER_BYTES / share
        root = ET.parse(path).getroot()
        assert sum(1 for _ in root.iter()) < SERVER_ELEMENTS / share
        numbers += [suite.get("id") for suite in root]
        tests += sum(int(suite.get("tests")) for suite in root)
        bad += sum(int(suite.get("failures")) + int(suite.get("errors")) for suite in root)
        assert len(root.findall("testsuite/testcase")) == sum(int(suite.get("tests")) for suite in root)
    assert numbers == [str(number) for number in range(count)]
    assert tests == count * 74
    assert bad == tests


@given(sizes=st.lists(st.integers(1, 6), min_size=1, max_size=12), most=st.integers(1, 60))
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_however_it_is_divided_every_case_is_there_once_and_older_parts_are_gone(tmp_path, sizes, most):
    path = tmp_path / "j.xml"
    sets = [
        JudgedSet(
            str(n), made_run(made_check(*[made_reading(metric=f"m{k}") for k in range(size)]), serial=f"S{n}")
        )
        for n, size in enumerate(sizes)
    ]
    paths = write_junit(path, sets, most_elements=most)
    assert paths == tuple(path if n == 1 else tmp_path / f"j-{n}.xml" for n in range(1, len(paths) + 1))
    assert sorted(tmp_path.glob("*")) == sorted(paths)
    assert len(cases(*paths)) == sum(sizes)
    for part in paths:
        root = ET.parse(part).getroot()
        assert sum(1 for _ in root.iter()) <= most + 1 or len(root) == 1


def test_a_file_of_someone_else_is_no_older_part(tmp_path):
    other = tmp_path / "j-2.xml"
    other.write_text("<testsuites/>", encoding="utf-8")
    write_junit(tmp_path / "j.xml", judged_sets())
    assert other.read_text(encoding="utf-8") == "<testsuites/>"


def test_what_was_abandoned_leaves_everything_as_it_was(tmp_path):
    (tmp_path / "j.xml").write_text("before", encoding="utf-8")
    files, lines = JunitFiles(tmp_path / "j.xml", most_elements=1), ResultLines(tmp_path / "r.jsonl")
    for judged in judged_sets():
        files.add(judged)
        lines.add(judged)
    files.abandon()
    lines.abandon()
    assert [entry.name for entry in tmp_path.iterdir()] == ["j.xml"]
    assert (tmp_path / "j.xml").read_text(encoding="utf-8") == "before"


def test_a_further_part_never_takes_the_place_of_another_file(tmp_path):
    (tmp_path / "j-2.xml").write_text("<mine/>", encoding="utf-8")
    with pytest.raises(RecordError, match=r"j-2\.xml: is needed .* move it away"):
        write_junit(tmp_path / "j.xml", judged_sets(), most_elements=1)
    assert [entry.name for entry in tmp_path.iterdir()] == ["j-2.xml"]
    assert (tmp_path / "j-2.xml").read_text(encoding="utf-8") == "<mine/>"


def test_each_line_is_a_result_with_the_same_keys(tmp_path):
    lines = ResultLines(tmp_path / "r.jsonl")
    for judged in judged_sets():
        lines.add(judged)
    lines.finish()
    found = [json.loads(line) for line in (tmp_path / "r.jsonl").read_text(encoding="utf-8").splitlines()]
    assert [entry["set"] for entry in found] == [judged.path for judged in judged_sets()]
    assert [entry["verdict"] for entry in found] == [judged.verdict.value for judged in judged_sets()]
    assert {tuple(entry) for entry in found} == {tuple(found[0])}
    assert found[-2]["problems"][0]["code"] == "set_refused"


def test_line_ends_and_odd_characters_stay_within_their_line(tmp_path):
    lines = ResultLines(tmp_path / "r.jsonl")
    lines.add(JudgedSet("a\nb\u2028c\ud800", made_run(serial="x\ny\x1d")))
    lines.finish()
    content = (tmp_path / "r.jsonl").read_bytes()
    assert content.count(b"\n") == 1
    assert json.loads(content)["serial"] == "x\ny\x1d"


def test_a_verdict_on_nothing_measured_is_refused():
    with pytest.raises(RecordError, match="nothing was measured"):
        set_result(JudgedSet("a", made_run(made_check(made_reading(Verdict.PASS, float("nan"))))))


def test_a_folder_that_cannot_be_written_to_is_told(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(RecordError, match="there is a file of that name"):
        JunitFiles(tmp_path / "file" / "j.xml")
