"""``linecheck statistics capability`` and ``linecheck limits propose``, from the command line."""

import json

import numpy as np
import pytest
from measured_units import file_text, log_of, read, spectrum, unit
from small_run import call

from linecheck.limits.loading.load import load_limits

RANDOM = np.random.default_rng(11)
CENTRE = {"sinad": 113.0, "thd": -116.0}


@pytest.fixture
def called(monkeypatch, capsys):
    """Return what calls the command line: its exit status, output and error output."""
    return lambda *arguments: call(monkeypatch, capsys, *arguments)


def items(at, sinad=None):
    values = {metric: centre + 0.5 * RANDOM.standard_normal() for metric, centre in CENTRE.items()}
    readings = [
        read("sinad", values["sinad"] if sinad is None else sinad),
        read("sinad", (values["sinad"] if sinad is None else sinad) + 0.1, "right"),
        read("thd", -117.0, is_bound=True) if at % 4 == 0 else read("thd", max(values["thd"], -117.0)),
    ]
    return [*readings, spectrum(-135.0 + RANDOM.standard_normal(60))]


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    folder = tmp_path_factory.mktemp("log")
    runs = [
        unit(f"PR3-{at:06d}", *items(at, 106.0 if at == 30 else None), lot=f"L{at // 20}") for at in range(80)
    ]
    runs.append(unit("PR3-000900", read("sinad", None)))
    return log_of(folder / "log.sqlite", runs)


@pytest.fixture
def limits(tmp_path):
    path = tmp_path / "unit.yaml"
    path.write_text(file_text())
    return path


@pytest.mark.every_python
def test_capability_in_words_and_as_data(log, called, tmp_path):
    status, shown, _ = called("statistics", "capability", "--log", log, "--csv", tmp_path / "cap.csv")
    assert status in (1, 3)
    lines = shown.splitlines()
    head = next(at for at, line in enumerate(lines) if line.startswith("80 units, "))
    assert lines[head].endswith(f"judged by revision 1: {log}")
    assert "1 run that judges nothing" in lines[head + 1]
    assert any(line.startswith("tone.sinad left") and "≥ 108" in line for line in lines)
    assert any("tone.thd left: " in line and "20 a bound, this or better" in line for line in lines)
    data = json.loads(called("statistics", "capability", "--log", log, "--json")[1])
    rows = {(row["metric"], row["channel"]): row for row in data["metrics"]}
    assert set(rows) == {("sinad", "left"), ("sinad", "right"), ("thd", "left"), ("spectrum", "left")}
    assert (data["units"], data["unjudged"]) == (80, 1)
    # The failed unit is there.
    assert rows["sinad", "left"]["found_beyond"] == 1
    assert rows["spectrum", "left"]["verdict"] == "capable"
    assert rows["spectrum", "left"]["is_curve"]
    assert rows["spectrum", "left"]["ppk"]["low"] < rows["spectrum", "left"]["ppk"]["value"]
    assert rows["thd", "left"]["bounds"] == 20
    table = (tmp_path / "cap.csv").read_text().splitlines()
    assert len(table) == 5
    assert table[0].startswith("check,metric,channel,unit,units")


def test_the_verdict_is_the_exit_status(log, called):
    asked = ("statistics", "capability", "--log", log, "--metric")
    assert called(*asked, "tone.spectrum")[0] == 0
    assert called(*asked, "tone.sinad")[0] in (1, 3)
    status, shown, _ = called(*asked, "tone.thd", "--within", "lot")
    assert status == (0 if " capable" in shown and "cannot be told with" not in shown else 3)
    status, _, told = called(*asked, "tone.snr")
    assert status == 2
    assert "no such check, or its kind no such metric" in told


@pytest.mark.parametrize(
    ("command", "shown"),
    [("capability", "tone.thd left"), ("yield", "What to look at first"), ("look", "What to look at first")],
)
def test_out_writes_a_page(log, called, tmp_path, command, shown):
    page = tmp_path / "page.html"
    status, told, _ = called("statistics", command, "--log", log, "--out", page)
    assert status in ((0,) if command != "capability" else (1, 3))
    assert str(page) in told
    assert shown in page.read_text()
    status, told, error = called("statistics", command, "--log", log, "--json", "--out", page)
    assert json.loads(told)
    assert str(page) in error
    assert called("statistics", command, "--log", log, "--out", tmp_path)[0] == 2


def test_no_unit_is_said(tmp_path, called):
    path = log_of(tmp_path / "log.sqlite", [unit("A", read("sinad", None))])
    status, shown, _ = called("statistics", "capability", "--log", path)
    assert status == 3
    assert "no unit was judged" in shown
    status, _, told = called("statistics", "capability", "--log", path, "--lot", "L9")
    assert status == 2
    assert "no run is picked" in told


@pytest.mark.every_python
def test_a_proposal_is_a_diff_that_can_be_applied(log, limits, called, tmp_path):
    before = limits.read_bytes()
    out = tmp_path / "proposal.diff"
    asked = ("limits", "propose", "--log", log, "--limits", limits)
    status, shown, _ = called(*asked, "--yield", "0.95", "--out", out)
    assert status == 0
    assert limits.read_bytes() == before
    diff = out.read_text()
    assert diff in shown
    assert "+revision: 5" in diff
    assert "what 80 units come to" in shown
    assert "say the same:\n  tone.sinad left and tone.sinad right: r = 1.000, 80 units" in shown
    data = json.loads(called(*asked, "--yield", "0.95", "--json")[1])
    assert data["diff"] == diff
    limits.write_text(applied(before.decode(), diff))
    loaded = load_limits(limits)
    assert loaded.revision == 5
    assert "# what the data sheet says" in limits.read_text()
    for row in data["proposals"]:
        mask = loaded.checks[0].masks[row["metric"]]
        wanted = row["proposed"] or row["present"]
        for (name, side), limit in mask.limits.items():
            assert np.asarray(limit).tolist() == np.asarray(wanted[name][side]).tolist()


def applied(text, diff):
    """Return a text with a unified diff applied to it."""
    lines, result, at = text.splitlines(keepends=True), [], 0
    for line in diff.splitlines(keepends=True)[2:]:
        if line.startswith("@@"):
            start = int(line.split()[1].split(",")[0][1:]) - 1
            result += lines[at:start]
            at = start
        elif line[0] == "+":
            result.append(line[1:])
        else:
            assert lines[at] == line[1:]
            if line[0] == " ":
                result.append(lines[at])
            at += 1
    return "".join(result + lines[at:])


def test_a_proposal_never_goes_over_a_limit_file(log, limits, called, tmp_path):
    link = tmp_path / "link.yaml"
    link.symlink_to(limits)
    for out in (limits, link):
        status, _, told = called("limits", "propose", "--log", log, "--limits", limits, "--out", out)
        assert status == 2
        assert "never goes over one" in told
    assert limits.read_text() == file_text()


def test_what_is_wrong_with_a_proposal_is_said(log, limits, called, tmp_path):
    assert "give --limits FILE" in called("limits", "propose", "--log", log)[2]
    gauge = tmp_path / "gauge.json"
    for content, text in (
        ("{", "is no JSON"),
        ("[]", "no figures"),
        ('{"metrics": [{"gauge": "NaN"}, 3, {"check": ["x"], "gauge": 1}]}', "no figures"),
        ('{"metrics": [{"check": "tone", "metric": "sinad", "gauge": -1}]}', "no figures"),
    ):
        gauge.write_text(content)
        status, _, told = called("limits", "propose", "--log", log, "--limits", limits, "--gauge", gauge)
        assert status == 2
        assert text in told


def test_a_gauge_study_moves_the_fail_mask(log, limits, called, tmp_path):
    gauge = tmp_path / "gauge.json"
    row = {"check": "tone", "metric": "thd", "channel": "left", "gauge": {"value": 0.4}}
    gauge.write_text(json.dumps({"metrics": [row]}))
    asked = ("limits", "propose", "--log", log, "--limits", limits, "--metric", "tone.thd", "--json")
    plain, gauged = (
        json.loads(called(*asked, *more)[1])["proposals"][0] for more in ((), ("--gauge", gauge))
    )
    assert plain["proposed"]["pass"] == gauged["proposed"]["pass"]
    assert gauged["proposed"]["fail"]["max"] > plain["proposed"]["fail"]["max"]
