"""What runs told against what repairs found, counted from a log."""

import json

import pytest
from failed_runs import failed_run
from made_runs import made_run

from linecheck.causes import prior_odds
from linecheck.history.repairs.odds import own_odds
from linecheck.log import Log

pytestmark = pytest.mark.every_python

SAID = ("--done", "resoldered J4", "--by", "A. Technician")
LEG = (("missing_leg", 0.9), ("dead_channel", 0.06), ("none_of_these", 0.04))
HUM = (("supply_hum", 0.7), ("ground_loop", 0.2), ("none_of_these", 0.1))
#: Serial number -> model, lot, what was told, and what was found; None where nobody stated anything.
UNITS = {
    "PR3-000001": ("pellow-r3", "L-1", LEG, "missing_leg"),
    "PR3-000002": ("pellow-r3", "L-1", LEG, "dead_channel"),
    "PR3-000003": ("pellow-r3", "L-2", LEG, None),
    "PR3-000004": ("pellow-r3", "L-2", HUM, "clicks"),
    "PR3-000005": ("pellow-r3", "L-2", (("none_of_these", 1.0),), "a cable at the nest was broken"),
    "PR1-000001": ("pellow-r1", "L-3", HUM, "supply_hum"),
}


@pytest.fixture
def path(tmp_path, monkeypatch, linecheck):
    """Return a log where one is looked for, of those units and of some of which nothing is to be counted."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LINECHECK_LOG", raising=False)
    path = tmp_path / "results" / "linecheck.sqlite"
    with Log(path) as log:
        for serial, (model, lot, told, _) in UNITS.items():
            log.append(failed_run(*told, serial=serial, model=model, lot=lot))
        log.append(made_run(serial="PR3-000006"))
        log.append(failed_run(*LEG, serial="PR3-900101", purpose="challenge"))
        log.append(failed_run(serial="PR3-000007", causes={}))
        told_nothing = log.append(failed_run(serial="PR3-000008", causes={})).sequence
    for serial, (*_, found) in UNITS.items():
        if found is not None:
            assert linecheck("repair", serial, "--found", found, *SAID)[0] == 0
    assert linecheck("repair", "PR3-000008", "--found", "mono", *SAID, "--run", told_nothing)[0] == 0
    return path


def counted(linecheck, *arguments):
    status, out, err = linecheck("log", "causes", "--json", *arguments)
    assert (status, err) == (0, "")
    return {found["model"]: found for found in map(json.loads, out.splitlines())}


def test_each_model_is_counted_by_itself(linecheck, path):
    status, out, err = linecheck("log", "causes")
    assert (status, err) == (0, "")
    assert out == (
        "pellow-r1: 1 run told causes, 1 of them repaired\n"
        "told first  runs  mean odds\n"
        "supply_hum     1       70 %\n"
        "right first: 1 of 1 (100 %); right among the first 3: 1 of 1 (100 %)\n"
        "told first  found       repairs\n"
        "supply_hum  supply_hum        1\n"
        "\n"
        "pellow-r3: 5 runs told causes, 4 of them repaired\n"
        "told first     runs  mean odds\n"
        "missing_leg       3       90 %\n"
        "none_of_these     1      100 %\n"
        "supply_hum        1       70 %\n"
        "right first: 2 of 4 (50 %); right among the first 3: 3 of 4 (75 %)\n"
        "told first     found         repairs\n"
        "missing_leg    dead_channel        1\n"
        "missing_leg    missing_leg         1\n"
        "none_of_these  other               1\n"
        "supply_hum     clicks              1\n"
        "1 repair of runs that told nothing\n"
    )


def test_models_are_counted_together_where_that_is_asked_for(linecheck, path):
    (found,) = counted(linecheck, "--all-models").values()
    assert (found["model"], found["runs"], found["repairs"]) == ("pellow-r1, pellow-r3", 6, 5)
    assert found["told"][1] == {"codes": ["supply_hum"], "runs": 2, "mean_probability": 0.7}


def test_runs_are_picked_as_in_lists(linecheck, path):
    assert counted(linecheck, "--model", "pellow-r1").keys() == {"pellow-r1"}
    (found,) = counted(linecheck, "--lot", "L-1").values()
    assert (found["runs"], found["right_first"], found["right_among"], found["untold"]) == (2, 1, 2, 0)
    (found,) = counted(linecheck, "--purpose", "challenge").values()
    assert (found["runs"], found["repairs"]) == (1, 0)
    assert counted(linecheck, "--verdict", "marginal") == {}
    status, out, err = linecheck("log", "causes", "--failed", "ton")
    assert (status, out) == (0, "no such run in the log says what may be broken\n")
    assert "--failed ton: the newest runs have no such check or metric; did you mean tone" in err


def test_the_odds_are_the_shipped_ones_drawn_towards_what_was_found(linecheck, path):
    found = counted(linecheck, "--odds", "--model", "pellow-r3")["pellow-r3"]
    by_cause = dict.fromkeys(("missing_leg", "dead_channel", "clicks", "none_of_these", "mono"), 1)
    assert found["found"] == dict.fromkeys(("missing_leg", "dead_channel", "clicks", "other", "mono"), 1)
    assert found["shipped_units"] == 50
    assert found["odds"] == [vars(each) for each in own_odds(prior_odds(), by_cause)]
    _, out, _ = linecheck("log", "causes", "--odds", "--model", "pellow-r3")
    *_, after = out.partition("odds from 5 repairs; the shipped odds count as 50\n")
    lines = after.splitlines()
    assert lines[0].split() == ["cause", "found", "shipped", "own", "90", "%", "interval"]
    assert {line.split()[0] for line in lines[1:-1] if line.split()[1] == "1"} == by_cause.keys()
    assert lines[-1].endswith("more causes, none of them found")


def test_tables_fit_a_narrow_terminal(linecheck, path):
    with Log(path) as log:
        log.append(failed_run(("noise_follows_signal+recorder_lost_samples", 0.5), serial="PR3-000009"))
    assert linecheck("repair", "PR3-000009", "--found", "recorder_lost_samples", *SAID)[0] == 0
    _, out, _ = linecheck("log", "causes", "--odds")
    assert max(map(len, out.splitlines())) <= 80


def test_an_empty_log_and_one_without_causes_say_so(linecheck, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with Log(tmp_path / "log.sqlite") as log:
        log.append(made_run())
        log.append(failed_run(causes={}))
    status, out, _ = linecheck("log", "causes", "--odds", "--log", "log.sqlite")
    assert (status, out) == (0, "no such run in the log says what may be broken\n")
    assert linecheck("log", "causes", "--json", "--log", "log.sqlite")[:2] == (0, "")
