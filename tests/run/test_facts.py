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
from linecheck.run.facts import FACTS, RELEASED_FORMAT, Asset, Facts, fact_texts

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
    (text,) = fact_texts(fact, replace(shown, purpose="golden")).values()
    page = {entry.value for entry in identity(shown)} if "identity" in fact.page else set()
    page |= {entry.value for group in closing_groups(shown) for entry in group.facts}
    if fact.page and fact.name != "purpose":
        assert text in page
    assert (fact.name in result(shown)) is (fact.result is not None)
    if fact.kind in ("text", "hash", "data"):
        assert fact.name in {column.name for column in TABLES["runs"].columns}


def test_attempts_that_differ_in_one_fact_are_told_apart_by_it(tmp_path):
    with Log(tmp_path / "log.sqlite") as log:
        one = log.record(log.append(run_with(1)).sequence)
        for fact in FACTS:
            changed = run_with(1, **{fact.name: value_of(fact, 2)})
            other = log.record(log.append(changed).sequence)
            names = {each.name for each in attempt_changes(one, other).facts}
            assert names == (set(fact_texts(fact, changed)) if fact.compared else set()), fact.name


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
    assert any(fact.picked_by for fact in FACTS)


#: What a contributor writes for a new fact: its row. Whoever runs the test says it, so that nothing else gathers it.
NEW_ROW = """\
    pallet: str | None = _fact(
        "pallet", "pallet that the unit came on", since=RELEASED_FORMAT + 1, metavar="P",
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


#: Runs commands one after the other, and prints as JSON what each printed.
COMMANDS = """
import contextlib, io, json, runpy, sys
sys.path.insert(0, sys.argv[1])
from linecheck.cli import main
said = []
for command in json.load(sys.stdin):
    with contextlib.redirect_stdout(io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True)) as out:
        if command[0] == "-m":
            runpy.run_module(command[1], run_name="__main__")
        else:
            sys.argv = ["linecheck", *command]
            try:
                main()
            except SystemExit as end:
                assert not end.code, (command, end.code)
    said.append(out.buffer.getvalue().decode())
json.dump(said, sys.stdout)
"""


def said_by(checkout, commands, folder):
    """Return what commands of that copy print, all of them in one process."""
    done = subprocess.run(
        [sys.executable, "-P", "-W", "ignore", "-c", COMMANDS, checkout],
        input=json.dumps([[str(word) for word in command] for command in commands]),
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_a_new_fact_is_one_row_also_for_a_log_of_before_it(with_new_fact, tmp_path):
    from jsonschema import validate
    from small_run import write_small_files

    run = ("run", *write_small_files(tmp_path), "--serial", "PR3-000002", "--pallet")
    path = tmp_path / "results" / "linecheck.sqlite"
    path.parent.mkdir()
    shutil.copy(OLD_LOGS / "schema-1.sqlite", path)
    head = "6:1f5dd89f33b03cc1e58d679b606f8bb71ee65a4542806aabb4e830f900e8bf02"
    log = ("--log", path)
    *_, listed, shown, exported, verified, _, schema = said_by(
        with_new_fact,
        [
            (*run, "P-7"),
            (*run, "P-8"),
            ("log", "list", *log, "--pallet", "P-8"),
            ("log", "show", "PR3-000002", *log),
            ("log", "export", *log, "--format", "csv", "--to", "-"),
            ("log", "verify", *log, "--head", head),
            ("-m", "linecheck.results.schema"),
            ("schema", "result"),
        ],
        tmp_path,
    )
    written = [path.read_text("utf-8") for path in Path(tmp_path, "results").glob("PR3-000002/*/result.json")]
    # Both runs may begin in one second: the order of their folders says nothing.
    assert sorted(json.loads(text)["pallet"] for text in written) == ["P-7", "P-8"]
    assert listed.count("PR3-000002") == 1
    assert "pallet P-8" in shown
    assert "other: pallet: P-7 → P-8" in shown
    assert "pallet" in exported.splitlines()[0]
    assert "verified" in verified
    # Results of before it keep to the schema.
    before = json.loads(to_json_bytes(result(made_run())))
    validate(before, json.loads(schema))
    validate(before | {"pallet": "P-7"}, json.loads(schema))
    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute("SELECT record_format, pallet FROM run ORDER BY sequence").fetchall()
    assert found[-1] == (RELEASED_FORMAT + 1, "P-8")
    assert {pallet for _, pallet in found[:-2]} == {None}
