"""Yield by unit, held against counting by hand."""

import json
from collections import defaultdict
from datetime import datetime

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from made_causes import with_causes
from made_runs import made_check, made_reading, made_run

from linecheck.cli import cli
from linecheck.limits.retest import Attempt, RetestPolicy, standing
from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader, RunFilter
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.yields import GROUPS, yields_of

WORTH = {Verdict.PASS: 113.0, Verdict.MARGINAL: 110.0, Verdict.FAIL: 104.0}


def run_of(serial, what="pass", **facts):
    """Return a run: of a verdict, ``hold``, or aborted before or after a mask failed."""
    facts = {"station": "line-2", **facts}
    if what == "invalid":
        return made_run(serial=serial, missing=("tone",), checks=(), **facts)
    if what == "aborted":
        return made_run(serial=serial, checks=(), aborted=True, **facts)
    failed = what in ("fail", "aborted after a fail")
    verdict = Verdict.FAIL if failed else Verdict.PASS if what == "hold" else Verdict(what)
    released = False if what == "hold" else None
    check = made_check(made_reading(verdict, WORTH[verdict]))
    other = made_check(made_reading(metric="thd"), name="other")
    return made_run(
        check, other, serial=serial, aborted=what == "aborted after a fail", released=released, **facts
    )


OF_UNITS = RunFilter(purpose="unit")


def counted(tmp_path, runs, by=None, wanted=OF_UNITS):
    path = tmp_path / f"log-{len(list(tmp_path.iterdir()))}.sqlite"
    with Log(path) as log:
        for run in runs:
            log.append(run)
    with open_columns(Place(logs=(str(path),)), wanted) as columns:
        return yields_of(columns, by)


def test_a_unit_counts_once_by_the_first_run_that_judged_it(tmp_path):
    found = counted(
        tmp_path,
        [
            run_of("A"),
            run_of("B", "fail"),
            run_of("B", reason="reseated"),
            run_of("C", "invalid"),
            run_of("C"),
            run_of("D", "aborted"),
            run_of("E", "aborted after a fail"),
            run_of("F", "hold"),
            run_of("H", "marginal"),
            run_of("G", purpose="golden"),
            run_of("G", "fail", purpose="challenge"),
        ],
    )
    assert (found.units, found.runs) == (7, 9)
    assert (found.first_pass.found, found.first_pass.among) == (4, 6)
    assert (found.final.found, found.final.among) == (4, 6)  # B passes in the end, F is held, E has failed
    assert (found.invalid, found.aborted, found.held, found.unjudged) == (1, 2, 1, 1)
    assert (found.hidden, found.repaired) == (1, 0)
    assert found.rolled == pytest.approx(4 / 6)
    assert [(row.name, row.units.found) for row in found.metrics] == [("tone.sinad", 2)]


def test_what_a_repair_brought_back_is_told_from_what_a_retest_hid(tmp_path):
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        log.append(run_of("A", "fail"))
        log.append(run_of("A"))
        failed = with_causes(run_of("B", "fail"))
        log.append(failed)
        log.append(run_of("B"))
    linecheck(
        "repair",
        "B",
        "--log",
        path,
        "--found",
        "other: a cold joint",
        "--done",
        "resoldered",
        "--by",
        "M. Sand",
    )
    with open_columns(Place(logs=(str(path),)), RunFilter(purpose="unit")) as columns:
        found = yields_of(columns)
    assert (found.hidden, found.repaired) == (1, 1)


def linecheck(*arguments):
    return CliRunner().invoke(cli, [str(argument) for argument in arguments])


def test_a_unit_that_was_judged_elsewhere_before_has_no_first_run_here(tmp_path):
    runs = [run_of("A", "fail", lot="L1"), run_of("A", lot="L2"), run_of("B", lot="L2")]
    found = counted(tmp_path, runs, wanted=RunFilter(purpose="unit", facts={"lot": "L2"}))
    assert (found.units, found.first_pass.found, found.first_pass.among, found.first_seen_before) == (
        2,
        1,
        1,
        1,
    )
    assert (found.final.found, found.final.among) == (2, 2)


WHATS = ("pass", "marginal", "fail", "hold", "invalid", "aborted", "aborted after a fail")


@settings(max_examples=25)
@given(st.lists(st.tuples(st.sampled_from("ABCDE"), st.sampled_from(WHATS)), min_size=1, max_size=14))
def test_any_runs_are_counted_as_the_retest_rule_counts_them(tmp_path_factory, drawn):
    found = counted(tmp_path_factory.mktemp("any"), [run_of(serial, what) for serial, what in drawn])
    units = defaultdict(list)
    for serial, what in drawn:
        units[serial].append(what)
    judging = {
        serial: [what for what in whats if what not in ("invalid", "aborted")]
        for serial, whats in units.items()
    }
    judged = {serial: whats for serial, whats in judging.items() if whats}
    good = ("pass", "marginal", "hold")
    assert found.units == len(units)
    assert found.first_pass.among == len(judged)
    assert found.first_pass.found == sum(whats[0] in good for whats in judged.values())
    assert found.final.found == sum(is_released(whats) for whats in judged.values())
    assert found.unjudged == len(units) - len(judged)


def is_released(whats):
    attempts = [
        Attempt(Verdict.FAIL if "fail" in what else Verdict.PASS if what == "hold" else Verdict(what))
        for what in whats
    ]
    policy = RetestPolicy()
    return whats[-1] != "hold" and standing(policy, attempts).passes_missing(policy) == 0


@pytest.mark.parametrize("by", sorted(GROUPS))
def test_yield_is_told_by_any_group(tmp_path, by):
    runs = [
        run_of(f"U{at}", "fail" if at % 4 == 0 else "pass", lot=f"L{at % 2}", nest=None) for at in range(8)
    ]
    found = counted(tmp_path, runs, by)
    assert sum(group.first_pass.among for group in found.groups) == 8
    assert sum(group.first_pass.found for group in found.groups) == 6
    if by == "lot":
        assert {group.name: group.first_pass.found for group in found.groups} == {"L0": 2, "L1": 4}
    if by == "day":
        assert [group.name for group in found.groups] == [f"{datetime.now().astimezone():%Y-%m-%d}"]


def test_causes_are_counted_of_units_that_failed_first(tmp_path):
    runs = [with_causes(run_of("A", "fail")), run_of("B", "fail"), run_of("C")]
    found = counted(tmp_path, runs)
    assert [row.units.found for row in found.causes] == [1, 1]
    assert {row.name for row in found.causes} == {"", found.causes[1].name}
    assert all(row.units.among == 2 for row in found.causes)


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        for run in (run_of("A"), run_of("B", "fail"), run_of("B"), run_of("=C", "invalid")):
            log.append(run)
    return path


def test_the_command_tells_it_to_people_and_to_programs(log, tmp_path):
    told = linecheck("statistics", "yield", "--log", log, "--by", "station")
    assert told.exit_code == 0, told.output
    assert "3 units in 4 runs" in told.output
    assert (
        "first-pass   50 %" in told.output.replace("first-pass ", "first-pass  ", 1) or "50 %" in told.output
    )
    assert "1 unit failed first and passed later, without a repair" in told.output
    table = tmp_path / "yield.csv"
    plain = linecheck("statistics", "yield", "--log", log, "--json", "--csv", table)
    content = json.loads(plain.stdout)
    assert content["first_pass"] == {"found": 1, "among": 2, "share": 0.5, "low": pytest.approx(0.01258, abs=1e-5),
                                     "high": pytest.approx(0.98742, abs=1e-5)}  # fmt: skip
    assert table.read_text().splitlines()[0] == "table,name,units,of,share,low,high,final,final_of"


def test_no_unit_is_no_yield(log):
    none = linecheck("statistics", "yield", "--log", log, "--serial", "nobody")
    assert none.exit_code == 3
    assert "no runs of units" in none.output
    unjudged = linecheck("statistics", "yield", "--log", log, "--serial", "=C")
    assert unjudged.exit_code == 3
    assert "1 unit without a run that judges them" in unjudged.output
    assert "first-pass" not in unjudged.output


def test_the_log_is_not_changed(log):
    with LogReader(log) as opened:
        before = opened.head()
    linecheck("statistics", "yield", "--log", log)
    with LogReader(log) as opened:
        assert opened.head() == before
