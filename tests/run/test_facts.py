"""The table of facts: every place that tells, stores or picks by a fact follows from its row."""

import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import fields, replace
from pathlib import Path

import pytest
from made_runs import made_run

import linecheck
from linecheck.history.attempts import attempt_changes
from linecheck.log import Log, RunFilter
from linecheck.log.chain import RECORD_FORMAT
from linecheck.log.export.tables import TABLES
from linecheck.log.schema import MIGRATIONS, RELEASED, run
from linecheck.report.run_facts import closing_groups, identity
from linecheck.results.result import result, to_json_bytes
from linecheck.run.facts import FACTS, RELEASED_FORMAT, Asset, Facts, fact_named, told

pytestmark = pytest.mark.every_python

CHECKOUT = Path(linecheck.__file__).parents[1]
OLD_LOGS = Path(__file__).parents[1] / "log" / "logs"


def value_of(fact, number):
    """Return a value of a fact, another one for another number."""
    if fact.kind == "assets":
        return (Asset("cable", f"CB-{number}", {"due": "2027-01-31"}),)
    if fact.kind == "flag":
        return number == 1
    if fact.kind in ("text", "hash"):
        return fact.choices[number] if fact.choices else f"{fact.name}-{number}"
    return {"tone": f"{fact.name}-{number}"}


def run_with(number, **changes):
    """Return a run that says something of every fact."""
    said = {fact.name: value_of(fact, number) for fact in FACTS}
    return made_run(**{**said, "purpose": "unit", **changes})


def test_the_rows_are_the_fields_of_a_run():
    assert [fact.name for fact in FACTS] == [field.name for field in fields(Facts)]
    assert len({fact.label for fact in FACTS}) == len(FACTS)
    assert {fact.name for fact in FACTS if fact.kind in ("data", "document", "captures", "assets")} == {
        fact.name for fact in FACTS if "{}" in fact.label
    }


def test_the_migrations_make_the_columns_that_the_rows_name(tmp_path):
    with Log(tmp_path / "log.sqlite"):
        pass
    with closing(sqlite3.connect(tmp_path / "log.sqlite")) as connection:
        there = {row[1] for row in connection.execute("PRAGMA table_info(run)")}
    assert there == {column.name for column in run.columns}
    assert {fact.column for fact in FACTS if fact.column} <= there
    assert len(MIGRATIONS) == RECORD_FORMAT >= max(fact.since for fact in FACTS)
    assert len(RELEASED) == RELEASED_FORMAT


def test_every_fact_comes_back_from_the_log_and_says_the_same(tmp_path):
    before = run_with(1)
    with Log(tmp_path / "log.sqlite") as log:
        after = log.record(log.append(before).sequence)
        (listed,) = log.runs()
    for fact in FACTS:
        assert getattr(after, fact.name) == getattr(before, fact.name), fact.name
        if fact.listed:
            assert getattr(listed, fact.name) == getattr(before, fact.name), fact.name


@pytest.mark.parametrize("fact", FACTS, ids=lambda fact: fact.name)
def test_every_fact_is_shown_where_its_row_says(fact):
    shown = run_with(1)
    (text,) = told(fact, replace(shown, purpose="golden")).values()
    page = {entry.value for entry in identity(shown)} if "identity" in fact.page else set()
    page |= {entry.value for group in closing_groups(shown) for entry in group.facts}
    if fact.page and fact.name != "purpose":
        assert text in page
    assert (fact.name in result(shown)) is (fact.result is not None)
    if fact.kind in ("text", "hash", "data"):
        assert fact.name in {column.name for column in TABLES["runs"].columns}


@pytest.mark.parametrize("fact", FACTS, ids=lambda fact: fact.name)
def test_attempts_that_differ_in_one_fact_are_told_apart_by_it(tmp_path, fact):
    with Log(tmp_path / "log.sqlite") as log:
        one = log.append(run_with(1)).sequence
        other = log.append(run_with(1, **{fact.name: value_of(fact, 2)})).sequence
        changes = attempt_changes(log.record(one), log.record(other))
    names = {changed.name for changed in changes.facts}
    assert names == (
        set(told(fact, run_with(1, **{fact.name: value_of(fact, 2)}))) if fact.compared else set()
    )


def test_another_temperature_is_a_change(tmp_path):
    with Log(tmp_path / "log.sqlite") as log:
        for degrees in ("23.1", "41.0"):
            log.append(made_run(conditions={"temperature_c": degrees}))
        (changed,) = attempt_changes(log.record(1), log.record(2)).facts
    assert (changed.name, changed.before, changed.after) == ("condition temperature c", "23.1", "41.0")


def test_runs_are_picked_by_what_the_row_says_and_by_nothing_else(tmp_path):
    with Log(tmp_path / "log.sqlite") as log:
        for number in (1, 2):
            log.append(run_with(number, purpose="unit"))
        for fact in FACTS:
            if fact.picked_by:
                (found,) = log.runs(RunFilter(facts={fact.name: value_of(fact, 2)}))
                assert found.logged.sequence == 2
            else:
                with pytest.raises(ValueError, match=f"no runs are picked by {fact.name}"):
                    RunFilter(facts={fact.name: "x"})
    assert fact_named("lot").picked_by == "lot"


#: What a contributor writes for a new fact: its row. Whoever runs the test says it, so that nothing else gathers it.
NEW_ROW = """\
    pallet: str | None = _fact(
        "pallet", "pallet that the unit came on", since=RELEASED_FORMAT + 1, said_by="operator", metavar="P",
        listed=True, picked_by="pallet", result="unit", page=("identity",),
    )
"""


@pytest.fixture(scope="module")
def with_new_fact(tmp_path_factory):
    """A copy of linecheck in which a row was added to the table, and nothing else was changed."""
    folder = tmp_path_factory.mktemp("checkout")
    shutil.copytree(
        CHECKOUT / "linecheck", folder / "linecheck", ignore=shutil.ignore_patterns("__pycache__")
    )
    table = folder / "linecheck/run/facts.py"
    text = table.read_text("utf-8")
    before, mark, after = text.partition("    shift: str | None = _fact(")
    assert mark
    table.write_text(before + NEW_ROW + mark + after, "utf-8")
    return folder


def said_by(checkout, *arguments, folder):
    """Return what a command of that copy prints."""
    script = "import sys; sys.path.insert(0, sys.argv.pop(1)); from linecheck.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-P", "-c", script, checkout, *map(str, arguments)],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_a_new_fact_is_one_row(with_new_fact, tmp_path):
    from small_run import write_small_files

    named = write_small_files(tmp_path)

    def command(*arguments):
        return said_by(with_new_fact, *arguments, folder=tmp_path)

    command("run", *named, "--serial", "PR3-000001", "--pallet", "P-7")
    command("run", *named, "--serial", "PR3-000001", "--pallet", "P-8")
    (written, _) = sorted(Path(tmp_path, "results").glob("PR3-000001/*/result.json"))
    assert '"pallet": "P-7"' in written.read_text("utf-8")
    log = ("--log", "results/linecheck.sqlite")
    assert command("log", "list", *log, "--pallet", "P-8").count("PR3-000001") == 1
    shown = command("log", "show", "PR3-000001", *log)
    assert "pallet P-8" in shown
    assert "other: pallet: P-7 → P-8" in shown
    assert "pallet" in command("log", "export", *log, "--format", "csv", "--to", "-").splitlines()[0]
    assert "verified" in command("log", "verify", *log)


def test_results_of_before_a_new_fact_keep_to_the_schema(with_new_fact, tmp_path):
    from jsonschema import validate

    script = (
        "import sys; sys.path.insert(0, sys.argv[1]); import json; from linecheck.results.schema import *"
    )
    done = subprocess.run(
        [sys.executable, "-P", "-c", f"{script}; print(json.dumps(result_schema()))", with_new_fact],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    schema = json.loads(done.stdout)
    before = json.loads(to_json_bytes(result(made_run())))
    validate(before, schema)
    validate(before | {"pallet": "P-7"}, schema)


@pytest.mark.parametrize("version", [1, 2])
def test_a_log_of_before_a_new_fact_is_migrated_and_verifies(with_new_fact, tmp_path, version):
    from small_run import write_small_files

    named = write_small_files(tmp_path)
    (tmp_path / "results").mkdir()
    path = tmp_path / "results" / "linecheck.sqlite"
    shutil.copy(OLD_LOGS / f"schema-{version}.sqlite", path)

    def command(*arguments):
        return said_by(with_new_fact, *arguments, folder=tmp_path)

    head = command("log", "head", "--log", path).split()[-1]
    command("run", *named, "--serial", "PR3-000001", "--pallet", "P-7")
    assert "verified" in command("log", "verify", "--log", path, "--head", head)
    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute("SELECT record_format, pallet FROM run ORDER BY sequence").fetchall()
    assert found[-1] == (RELEASED_FORMAT + 1, "P-7")
    assert {pallet for _, pallet in found[:-1]} == {None}
