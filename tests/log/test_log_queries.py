"""Which runs are picked by what, held against going through all of them; and by which index."""

import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_runs import made_run
from sqlalchemy import event
from varied_runs import NAMES, RUNS, filter_of, made

from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader, RunFilter
from linecheck.run.facts import PURPOSES


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    path = tmp_path_factory.mktemp("queries") / "log.sqlite"
    with Log(path) as log:
        for at in range(RUNS):
            log.append(made(at))
    return path


@pytest.fixture(scope="module")
def log(path):
    with LogReader(path) as log:
        yield log


@pytest.fixture(scope="module")
def every(log):
    """Return all runs, the newest first, each with what failed in it."""
    return [(log.record(run.logged.sequence), run) for run in log.runs(limit=RUNS)]


def is_meant(record, run, wanted, runs):
    """Return whether a run is meant: what the documentation of the filter says, word by word."""
    if any(wanted.value(name) not in (None, getattr(run, name)) for name in NAMES):
        return False
    attempts = [
        other.logged.attempt
        for other in runs
        if (other.serial, other.model, other.purpose) == (run.serial, run.model, run.purpose)
    ]
    failed = set()
    for check in record.checks:
        for name in (check.check, check.entry):
            for item in check.judged.readings:
                if item.verdict is Verdict.FAIL:
                    failed |= {name, f"{name}.{item.reading.metric}"}
            for item in check.judged.curves:
                if item.verdict is Verdict.FAIL:
                    failed |= {name, f"{name}.{item.curve.metric}"}
    return (
        (not wanted.verdicts or run.verdict in wanted.verdicts)
        and wanted.purpose in (None, run.purpose)
        and (wanted.since is None or run.logged.recorded >= wanted.since)
        and (wanted.until is None or run.logged.recorded < wanted.until)
        and (wanted.attempt != "first" or run.logged.attempt == min(attempts))
        and (wanted.attempt != "last" or run.logged.attempt == max(attempts))
        and set(wanted.failed) <= failed
        and wanted.asset in (None, *(asset.id for asset in record.assets))
    )


def test_a_run_of_the_time_that_is_named_counts_from_it_on_and_not_up_to_it(log, every):
    for _, run in every[:3]:
        time, others = run.logged.recorded, {one.logged.recorded for _, one in every} - {run.logged.recorded}
        since, until = (log.runs(RunFilter(**{end: time}), limit=RUNS) for end in ("since", "until"))
        assert {each.logged.recorded for each in since} == {time, *(one for one in others if one > time)}
        assert {each.logged.recorded for each in until} == {one for one in others if one < time}


@given(data=st.data())
@settings(max_examples=40)
def test_runs_are_picked_as_going_through_them_all_would(log, every, data):
    runs = [run for _, run in every]
    some = data.draw(st.lists(st.sampled_from(NAMES), max_size=2, unique=True))
    like = data.draw(st.sampled_from(runs))
    wanted = filter_of(
        {name: value for name in some if (value := getattr(like, name)) is not None},
        verdicts=tuple(data.draw(st.lists(st.sampled_from(list(Verdict)), max_size=2, unique=True))),
        purpose=data.draw(st.sampled_from([None, *PURPOSES])),
        since=data.draw(st.none() | st.sampled_from(runs).map(lambda run: run.logged.recorded)),
        until=data.draw(st.none() | st.sampled_from(runs).map(lambda run: run.logged.recorded)),
        attempt=data.draw(st.sampled_from([None, None, "first", "last"])),
        asset=data.draw(st.sampled_from([None, None, None, "IF-1", "CB-2"])),
        failed=tuple(
            data.draw(
                st.lists(
                    st.sampled_from(["tone.hum", "tone", "tone@filter=slow.hum", "toneA.spectrum", "tone.x"]),
                    max_size=1,
                )
            )
        ),
    )
    limit = data.draw(st.integers(1, RUNS))
    before = data.draw(st.none() | st.integers(1, RUNS))
    meant = [run.logged.sequence for record, run in every if is_meant(record, run, wanted, runs)]
    below = [number for number in meant if before is None or number < before]
    assert [run.logged.sequence for run in log.runs(wanted, limit=limit, before=before)] == below[:limit]
    above = sorted(number for number in meant if number > (before or 0))
    assert log.sequences(wanted, limit=limit, after=before or 0, oldest_first=True) == above[:limit]


def plans(path, *filters):
    """Return how SQLite finds what these filters ask for."""
    statements, found = [], []
    with LogReader(path) as log:
        event.listen(
            log._reader,
            "before_cursor_execute",
            lambda _c, _k, text, values, *_: statements.append((text, values)),
        )
        for wanted in filters:
            log.runs(wanted, limit=20)
    with closing(sqlite3.connect(path)) as connection:
        for text, values in statements:
            if "FROM run" in text and "WHERE run.sequence IN" not in text:
                found.append([row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {text}", values)])
    return found


SINGLE = [filter_of({name: "x"}) for name in NAMES] + [
    RunFilter(),
    RunFilter(verdicts=(Verdict.FAIL,)),
    RunFilter(verdicts=(Verdict.FAIL, Verdict.INVALID)),
    RunFilter(purpose="unit"),
    RunFilter(purpose="golden"),
    RunFilter(since="2026", until="2027"),
    RunFilter(attempt="first"),
    RunFilter(attempt="last"),
    RunFilter(failed=("tone.hum",)),
    RunFilter(asset="CB-1"),
    RunFilter(asset="CB-1", since="2026", verdicts=(Verdict.FAIL,)),
    RunFilter(model="x", verdicts=(Verdict.FAIL,)),
    RunFilter(since="2026", facts={"station": "x", "nest": "y"}),
]


@pytest.mark.parametrize("wanted", SINGLE)
@pytest.mark.parametrize("purpose", [None, "unit"])
def test_a_page_is_found_by_an_index(path, wanted, purpose):
    for plan in plans(path, replace(wanted, purpose=wanted.purpose or purpose)):
        for step in plan:
            # Rows of a log are wide: going through them takes seconds, through the narrow index a fraction of one.
            narrow = "COVERING INDEX run_by_facts" in step or "COVERING INDEX run_by_purpose" in step
            newest_first = step == "SCAN run" and wanted == RunFilter()
            assert not step.startswith("SCAN") or narrow or newest_first, plan
        sorts = [step for step in plan if "TEMP B-TREE" in step]
        assert not sorts or wanted.serial, plan


def test_what_few_runs_share_is_found_by_its_own_index(path):
    found = [
        " ".join(plans(path, filter_of({name: "x", "model": "y"}, verdicts=(Verdict.PASS,), since="2026"))[0])
        for name in ("serial", "lot", "work_order")
    ]
    assert [
        "sqlite_autoindex_run_" in found[0],
        "run_by_lot" in found[1],
        "run_by_work_order" in found[2],
    ] == [
        True,
        True,
        True,
    ]


def test_rare_runs_are_found_without_reading_all(path):
    """A few of very many, from a cold disk: indexes that hold them alone, and times from the index of times."""
    failed, _, held, then = plans(
        path,
        RunFilter(failed=("tone.hum",)),
        RunFilter(verdicts=("hold",)),
        RunFilter(since="2026", until="2027"),
    )
    steps = " ".join(failed)
    assert "run_by_verdict" in steps
    assert "run_by_facts" not in steps
    assert "INDEX reading_failed" in steps
    assert "INDEX packed_curve_failed" in steps
    assert any("run_held" in step for step in held)
    assert sum("run_by_recorded" in step for step in then) == 2


def test_assets_are_counted(path, log, every):
    for known in log.assets():
        uses = [run for record, run in every if known.asset in {asset.id for asset in record.assets}]
        assert (known.runs, known.first, known.last) == (
            len(uses),
            uses[-1].logged.sequence,
            uses[0].logged.sequence,
        )
        assert (known.first_recorded, known.last_recorded) == (
            uses[-1].logged.recorded,
            uses[0].logged.recorded,
        )
    assert [known.asset for known in log.assets()] == ["CB-0", "CB-1", "CB-2", "CB-3", "IF-1"]
    with closing(sqlite3.connect(path)) as connection:
        text = "SELECT asset, count(DISTINCT sequence), min(sequence), max(sequence) FROM run_asset GROUP BY asset"
        (plan,) = [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {text} ORDER BY asset")][:1]
    assert plan == "SCAN run_asset USING COVERING INDEX run_asset_by_asset"


def test_a_log_of_an_older_form_has_no_lots_and_no_golden_units(tmp_path):
    old = tmp_path / "log.sqlite"
    shutil.copy(Path(__file__).parent / "logs" / "schema-1.sqlite", old)
    with LogReader(old) as log:
        assert log.runs(RunFilter(facts={"lot": "L1"})) == ()
        assert log.runs(RunFilter(purpose="golden")) == ()
        assert log.runs(RunFilter(asset="CB-1")) == ()
        assert log.assets() == ()
        assert len(log.runs(RunFilter(purpose="unit"))) == 6
        assert len(log.runs(RunFilter(since="2020", facts={"firmware": "1.4.2"}))) == 6
        assert log.runs(RunFilter(facts={"nest": "a", "station": "line-2-nest-a"})) == ()


@pytest.mark.parametrize("value", ["' OR 1=1 --", "PR3\0", "\udcff", "%", ""])
def test_a_hostile_name_finds_nothing(log, value):
    for name in NAMES:
        assert log.runs(filter_of({name: value})) == ()
    assert log.runs(RunFilter(failed=(value,))) == ()


def test_pages_stay_as_they_are_while_a_station_adds(path, tmp_path):
    growing = tmp_path / "log.sqlite"
    shutil.copy(path, growing)
    with Log(growing) as log:
        seen, before = [], None
        while page := log.runs(RunFilter(purpose="unit"), limit=7, before=before):
            seen += [run.logged.sequence for run in page]
            before = seen[-1]
            log.append(made_run())
    assert seen == sorted(set(seen), reverse=True)
    assert len(seen) == sum(made(at).purpose == "unit" for at in range(RUNS))
