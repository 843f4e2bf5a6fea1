"""Files that an earlier version made are read, verified and judged to the same readings.

``make_files.py`` says by which version. Readings are the same to the last bit where the machine and its libraries are
those of the day. Otherwise they are within 1e-9 of their value, within 1e-8 where that is small or, where that is more,
within a millionth of their standard uncertainty: what lies 120 dB down in a quarter of a second is as near to rounding
as that, and so is what lies between it and a limit. Verdicts, codes of problems and what a log
holds are the same everywhere. Words may change, and more may be said. Volts of a calibration of which nothing was
stated had an uncertainty, and claim none any more.
"""

import json
import math
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from earlier import observed
from earlier.command_line import inside, linecheck

pytestmark = pytest.mark.every_python

FILES = Path(__file__).parent / "files"
EXPECTED = Path(__file__).parent / "expected"
VOLTS = ("V", "mV", "µV")
RELATIVE, ABSOLUTE, OF_UNCERTAINTY = 1e-9, 1e-8, 1e-6
ONE_TONE = ("run", "--station", "stations/bench.toml", "--limits", "limits/one-tone.yaml")
STATED = ("record", "since", "unit")
ON_THE_LINE = ("--station", "stations/line.toml", "--limits", "limits/line.yaml")


def expected(name):
    return json.loads((EXPECTED / f"{name}.json").read_text(encoding="utf-8"))


def same_machine():
    return observed.environment() == expected("environment")


#: What an earlier version read wrong: the stop band too deep between its lines, the worst of equal noisy crosstalk.
CORRECTED = {"stopband_attenuation", "stopband_from", "crosstalk"}
#: What it stated less sure than it is: levels between lines, and all that is relative to one of them.
SURER = {
    *("response", "ripple", "balance", "corner_low", "corner_high", "corner_3db", "corner_6db"),
    *(f"droop_{khz}k" for khz in (10, 15, 17, 18, 19, 20)),
}
NUMBERS = {"value", "is_bound"}
#: What follows from an uncertainty, by the guarded rule.
BY_UNCERTAINTY = {"uncertainty", "margin", "limit", "fail_limit"}


#: How far the points of a curve that is measured anew may be off: half a step of 0.001 dB or 0.01 Hz.
HALF_STEPS = {"x": 0.00501, "worst_x": 0.00501, "y": 0.000501, "worst_y": 0.000501}
#: Its uncertainties are rounded up to three digits; limits and margins follow from its points.
UP_TO = 0.0101


def assert_same(known, found, *, exact, anew=False):
    known, found = (pointwise(known), pointwise(found)) if anew else (known, found)
    differences = list(different(known, found, "", None if exact else ABSOLUTE))
    assert not differences, "\n".join(differences[:20])


def different(known, found, where, tolerance):
    """Yield what is different or missing; None as the tolerance means to the last bit."""
    if isinstance(known, dict) and isinstance(found, dict):
        if known.get("metric") in CORRECTED | SURER:
            left_out = BY_UNCERTAINTY | (NUMBERS if known["metric"] in CORRECTED else set())
            known = {key: value for key, value in known.items() if key not in left_out}
        if known.keys() == {"columns", "rows"}:
            yield from different(rows_of(known), rows_of(found), where, tolerance)
            return
        if known.keys() == {"rounded"}:
            yield from different_curve(known["rounded"], found["rounded"], where)
            return
        if tolerance is not None:
            tolerance = max(tolerance, *tolerances(known))
        for key, value in known.items():
            if key == "uncertainty" and found.get(key, 0) is None and known.get("unit") in VOLTS:
                continue
            if key not in found:
                yield f"{where}.{key}: is not there"
            elif key != "digest" or tolerance is None:
                yield from different(value, found[key], f"{where}.{key}", tolerance)
    elif isinstance(known, list) and isinstance(found, list):
        if len(known) != len(found):
            yield f"{where}: {len(found)} entries, not {len(known)}"
        for at, (one, other) in enumerate(zip(known, found, strict=False)):
            yield from different(one, other, f"{where}[{at}]", tolerance)
    elif not (known == found or (tolerance is not None and near(known, found, tolerance))):
        yield f"{where}: {found!r}, not {known!r}"


def pointwise(document):
    """Return plain data with each curve under a name of its own, so that it is held against the other as one."""
    if isinstance(document, list):
        return [pointwise(each) for each in document]
    if not isinstance(document, dict):
        return document
    if document.keys() == {"columns", "rows"}:
        return pointwise(rows_of(document))
    if isinstance(document.get("x"), float | list | dict):
        return {"rounded": document}
    return {key: pointwise(value) for key, value in document.items()}


def different_curve(known, found, where):
    """Yield in what a curve that is measured anew is not the one that it was, rounded."""
    spread = known.get("uncertainty") or 0.0
    widest = (
        spread if isinstance(spread, float) else max(spread["some"] if isinstance(spread, dict) else spread)
    )
    for key, value in known.items():
        if key == "digest":
            continue
        tolerance = HALF_STEPS.get(key, 0.002 + UP_TO * widest)
        yield from different(value, found.get(key), f"{where}.{key}", tolerance)


def near(one, other, tolerance):
    numbers = isinstance(one, float) and isinstance(other, float)
    return numbers and math.isclose(one, other, rel_tol=RELATIVE, abs_tol=tolerance)


def tolerances(row):
    """Yield how far what a row says may be off, by its value and by the largest of its standard uncertainties."""
    value, uncertainty = row.get("value"), row.get("uncertainty")
    points = uncertainty["some"] if isinstance(uncertainty, dict) else uncertainty
    yield RELATIVE * abs(value) if isinstance(value, float) else 0.0
    yield OF_UNCERTAINTY * (max(points) if isinstance(points, list) else points or 0.0)


def rows_of(table):
    return [dict(zip(table["columns"], row, strict=True)) for row in table["rows"]]


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Return a folder with a copy of the files."""
    return observed.copied(FILES, tmp_path_factory.mktemp("earlier"))


@pytest.fixture
def beside(files):
    """Work in that folder."""
    with inside(files):
        yield


@pytest.fixture
def station(tmp_path):
    """Return what makes a log the one of the stations, in a folder of its own that is worked in."""

    def with_log(name):
        shutil.copy(FILES / f"{name}.sqlite", "log.sqlite")

    for name in ("limits", "stations"):
        shutil.copytree(FILES / name, tmp_path / name)
    with inside(tmp_path):
        yield with_log


@pytest.mark.usefixtures("beside")
@pytest.mark.parametrize("name", observed.JUDGED)
def test_a_capture_set_is_judged_to_the_same_readings(name):
    assert_same(expected(f"judged-{name}"), observed.judged(name), exact=same_machine(), anew=True)


@pytest.mark.usefixtures("beside")
@pytest.mark.parametrize("name", observed.REGRESSED)
def test_a_capture_set_differs_from_the_baseline_as_it_did(name):
    assert_same(expected(f"regressed-{name}"), observed.regressed(name), exact=same_machine(), anew=True)


@pytest.mark.usefixtures("beside")
def test_two_sets_are_compared_as_they_were():
    assert_same(observed.comparison("comparison.json"), observed.compared(), exact=same_machine(), anew=True)


@pytest.mark.usefixtures("beside")
def test_a_comparison_is_shown_and_signed(tmp_path):
    page, log = tmp_path / "page.html", tmp_path / "log.sqlite"
    assert linecheck("report", "comparison.json", "--out", page).status == 0
    assert page.stat().st_size > 0
    who = ("--by", "Q. Engineer", "--role", "QA engineer", "--decision", "accept", "--reason", "No loss.")
    answer = linecheck("signoff", "comparison.json", *who, "--log", log)
    assert answer.status == 0, answer.err
    digest = json.loads(Path("comparison.json").read_text(encoding="utf-8"))["digest"]
    assert digest[:12] in linecheck("log", "signoffs", "--log", log).out


@pytest.mark.usefixtures("beside")
@pytest.mark.parametrize("name", observed.LOGS)
def test_a_log_says_what_it_said(name):
    known, found = expected(name), observed.logged(name)
    assert_same(known.pop("rejudged"), found.pop("rejudged"), exact=same_machine())
    assert_same(known, found, exact=True)
    assert known["verify"] == 0
    for run in known["list"]:
        shown = linecheck("log", "show", run["run_id"], "--log", f"{name}.sqlite")
        assert (shown.status, run["record_hash"] in shown.out) == (0, True), shown.err


@pytest.mark.usefixtures("beside")
@pytest.mark.parametrize("name", ["schema-2", "schema-3"])
def test_who_signed_is_still_said(name):
    said = linecheck("log", "signoffs", "--log", f"{name}.sqlite").out
    assert ("Q. Engineer" in said, "P. Manager" in said) == (True, True)


@pytest.mark.usefixtures("beside")
def test_kept_captures_are_whole_and_measured_to_the_same_readings():
    shutil.copy("schema-3.sqlite", "log.sqlite")
    on_the_line = ("--station", "stations/line.toml")
    answer = linecheck("archive", "verify", *on_the_line)
    assert answer.status == 0, answer.out + answer.err
    assert_same(expected("remeasured"), observed.remeasured(), exact=same_machine())


@pytest.mark.usefixtures("beside")
def test_kept_captures_are_found_and_judged_to_the_readings_of_their_records():
    shutil.copy("schema-3.sqlite", "log.sqlite")
    stored = observed.exported("log.sqlite")["readings"]
    numbers = {run["run_id"]: run["sequence"] for run in expected("schema-3")["list"]}
    for run in observed.archived():
        found = linecheck("archive", "find", run, "--station", "stations/line.toml").out.strip()
        linecheck("judge", found, "--limits", "limits/line.yaml", "--json", "kept.json")
        again = json.loads(Path("kept.json").read_text(encoding="utf-8"))["readings"]
        known = [row for row in stored if row["record"] == numbers[run]]
        now = observed.readings(observed.without_added(again))
        assert_same(observed.readings(known), now, exact=same_machine())


@pytest.mark.parametrize("name", observed.LOGS)
def test_a_log_is_continued(station, name):
    station(name)
    known = expected(name)
    answer = linecheck(*ONE_TONE, "--serial", "PR3-000777")
    assert answer.status == 0, answer.err
    (new, *old) = linecheck("log", "list", "--purpose", "all", "--json", "--log", "log.sqlite").lines()
    assert new["serial"] == "PR3-000777"
    assert_same(known["list"], old, exact=True)
    assert linecheck("log", "verify", "--head", known["head"], "--log", "log.sqlite").status == 0
    tables = observed.as_tables(observed.exported("log.sqlite"))
    for table, rows in known["exports"].items():
        assert_same(rows_of(rows), rows_of(tables[table])[: len(rows["rows"])], exact=True)
    with closing(sqlite3.connect("log.sqlite")) as log:
        begun = (
            "SELECT previous_hash, record_hash FROM statement WHERE kind = 'run_begun' ORDER BY sequence DESC"
        )
        before, own = log.execute(begun).fetchone()
    assert before == known["head"].partition(":")[2]
    assert rows_of(tables["runs"])[-1]["previous_hash"] == own


def test_gates_and_golden_units_rest_on_what_was_stated(station):
    station("schema-3")
    before = last_on_the_line()
    answer = linecheck("run", *ON_THE_LINE, "--serial", "PR3-000778")
    assert answer.status == 3, "the newest self-check is not met"
    after = last_on_the_line()
    assert (before["self_check"]["state"], after["self_check"]["state"]) == ("met", "not met")
    for gate in ("golden", "challenge.hum"):
        assert [after[gate][fact] for fact in STATED] == [before[gate][fact] for fact in STATED]
    answer = linecheck("station", "golden", *ON_THE_LINE, "--serial", "PR3-900001")
    assert answer.status == 0, answer.out + answer.err
    assert linecheck("station", "status", *ON_THE_LINE).status == 3
    for name in ("bench", "sound"):
        assert linecheck("station", "status", "--station", f"stations/{name}.toml").status == 0


def last_on_the_line():
    """Return the gates of the newest run of a unit on the line."""
    runs = observed.exported("log.sqlite")["runs"]
    return [run for run in runs if run["station"] == "line-2" and run["purpose"] == "unit"][-1]["gates"]
