import csv
import io
import json

import pytest
from made_runs import made_run

from linecheck.log import Log
from linecheck.run.facts import Asset

pytestmark = pytest.mark.every_python

INTERFACE = Asset("interface", "IF-3", {"certificate": "K-12", "due": "2027-05-01"})


@pytest.fixture
def path(tmp_path, monkeypatch):
    """Return a log of runs with two cables, of which the second came later."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "results" / "linecheck.sqlite"
    with Log(path) as log:
        log.append(made_run())
        for serial, cable, purpose in (
            ("PR3-000001", "CB-12", "unit"),
            ("PR3-000001", "CB-12", "unit"),
            ("PR3-900001", "CB-12", "golden"),
            ("=PR3-000002", "CB-13", "unit"),
        ):
            assets = (INTERFACE, Asset("cable", cable, {"due": f"2027-01-{cable[-2:]}"}))
            log.append(made_run(serial=serial, purpose=purpose, assets=assets))
    return path


def test_the_runs_with_an_asset(linecheck, path):
    status, out, err = linecheck("log", "used", "CB-12")
    assert (status, err) == (0, "")
    heading, *rows, total = out.splitlines()
    assert heading.split()[-4:] == ["attempt", "purpose", "verdict", "role"]
    assert [row.split()[0] for row in rows] == ["2", "3", "4"]
    assert [row.split()[4:] for row in rows] == [
        ["PR3-000001", "pellow-r3", "1", "unit", "PASS", "cable"],
        ["PR3-000001", "pellow-r3", "2", "unit", "PASS", "cable"],
        ["PR3-900001", "pellow-r3", "1", "golden", "PASS", "cable"],
    ]
    assert total == "3 runs of 2 units; 3 runs with it in the whole log, since record 2"


def test_the_runs_of_a_span_of_time(linecheck, path):
    assert linecheck("log", "used", "CB-13", "--from", "9000-01-01")[1] == (
        "0 runs of 0 units; 1 run with it in the whole log, since record 5\n"
    )
    assert linecheck("log", "used", "IF-3", "--to", "9000-01-01")[1].endswith(
        "4 runs of 3 units; 4 runs with it in the whole log, since record 2\n"
    )
    assert linecheck("log", "used", "IF-3", "--from", "tomorrow")[0] == 2
    status, _, err = linecheck("log", "used", "IF-3", "--from", "2026-02-01", "--to", "2026-01-01")
    assert (status, err) == (2, "linecheck: --from and --to: the second must be later than the first\n")


def test_for_other_programs(linecheck, path):
    _, out, _ = linecheck("log", "used", "IF-3", "--format", "jsonl")
    rows = [json.loads(line) for line in out.splitlines()]
    assert [(row["record"], row["asset"], row["facts"]) for row in rows] == [
        (at, "IF-3", INTERFACE.facts) for at in (2, 3, 4, 5)
    ]
    _, out, _ = linecheck("log", "used", "CB-13", "--format", "csv")
    (row,) = csv.DictReader(io.StringIO(out, newline=""))
    assert (row["serial"], row["role"], row["run_verdict"]) == ("'=PR3-000002", "cable", "pass")
    assert out.count("\r\n") == 2


def test_all_assets(linecheck, path):
    _, out, _ = linecheck("log", "assets")
    _, *rows = out.splitlines()
    assert [(row.split()[0], row.split()[1], row.split()[2]) for row in rows] == [
        ("CB-12", "cable", "3"),
        ("CB-13", "cable", "1"),
        ("IF-3", "interface", "4"),
    ]
    assert rows[2].endswith("certificate K-12, due 2027-05-01")
    found = [json.loads(line) for line in linecheck("log", "assets", "--json")[1].splitlines()]
    assert [(asset["asset"], asset["first"], asset["last"]) for asset in found] == [
        ("CB-12", 2, 4),
        ("CB-13", 5, 5),
        ("IF-3", 2, 5),
    ]


def test_an_asset_that_no_run_names(linecheck, path):
    status, out, err = linecheck("log", "used", "IF3\x1b")
    assert (status, out) == (2, "")
    assert err == (
        f"linecheck: {path}: no run in the log names the asset IF3\\x1b; those that one does: IF-3, CB-12, CB-13\n"
    )


def test_a_log_without_assets(linecheck, path):
    with Log("other.sqlite") as log:
        log.append(made_run())
    assert linecheck("log", "assets", "--log", "other.sqlite")[1] == "no run in the log names an asset\n"
    assert linecheck("log", "used", "CB-1", "--log", "other.sqlite")[2].endswith(
        "those that one does: none\n"
    )
