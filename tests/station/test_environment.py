"""What a run takes place in."""

import os
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from needed import program
from small_run import small_limits

from linecheck.run.plan import make_plan
from linecheck.station import environment
from linecheck.station.config.station import ConditionsConfig, IdentifyConfig


def test_the_host_is_named():
    host = environment.host()
    assert host["name"] == os.uname().nodename
    assert host["python"] == ".".join(str(part) for part in sys.version_info[:3])
    assert os.uname().release in host["system"]


def test_packages_have_their_versions():
    packages = environment.packages()
    assert packages["numpy"] == np.__version__
    assert "linecheck" in packages
    assert list(packages) == sorted(packages)


def test_a_clock_that_is_set_during_a_run_shows():
    began = datetime(2026, 11, 20, 8, 0, tzinfo=UTC)
    steady = environment.clock_state(began, began + timedelta(seconds=30.0), 30.0001)
    assert abs(steady["stepped_seconds"]) < environment.STEPPED_SECONDS
    assert steady["synchronised"] in (True, False, None)
    assert steady["utc_offset_minutes"] == began.astimezone().utcoffset().total_seconds() / 60
    back = environment.clock_state(began, began - timedelta(hours=1), 30.0)
    assert back["stepped_seconds"] == -3630.0


def test_the_commit_of_a_checkout_is_what_git_says(tmp_path):
    git = program("git")

    def run(*arguments, folder=tmp_path):
        named = ("-c", "user.name=Ada", "-c", "user.email=ada@pellow.example")
        done = subprocess.run(
            [git, *named, *arguments], cwd=folder, check=True, capture_output=True, text=True
        )
        return done.stdout.strip()

    run("init", "-q", "-b", "main")
    run("commit", "-q", "--allow-empty", "-m", "first")
    expected = run("rev-parse", "HEAD")
    assert environment._checked_out_commit(tmp_path) == expected
    run("pack-refs", "--all")
    assert environment._checked_out_commit(tmp_path) == expected
    run("worktree", "add", "-q", "-b", "other", str(tmp_path / "tree"))
    run("commit", "-q", "--allow-empty", "-m", "second", folder=tmp_path / "tree")
    second = run("rev-parse", "HEAD", folder=tmp_path / "tree")
    assert second != expected
    assert environment._checked_out_commit(tmp_path / "tree") == second
    run("checkout", "-q", "--detach")
    assert environment._checked_out_commit(tmp_path) == expected


def test_no_checkout_has_no_commit(tmp_path):
    assert environment._checked_out_commit(tmp_path) is None
    (tmp_path / ".git").mkdir()
    (tmp_path / ".git" / "HEAD").write_text("ref: refs/heads/main\n")
    assert environment._checked_out_commit(tmp_path) is None
    (tmp_path / ".git" / "HEAD").write_text("what is this\n")
    assert environment._checked_out_commit(tmp_path) is None


def test_a_plan_has_another_hash_when_anything_is_played_otherwise():
    plan = make_plan(small_limits())
    first = environment.plan_sha256(plan)
    assert environment.plan_sha256(make_plan(small_limits())) == first
    turned = replace(plan, checks=plan.checks[::-1])
    one_less = replace(plan, checks=plan.checks[1:])
    other = replace(plan, checks=(replace(plan.checks[0], stimulus_sha256="00" * 32), *plan.checks[1:]))
    assert len({first, *map(environment.plan_sha256, (turned, one_less, other))}) == 4


@pytest.mark.parametrize(
    ("output", "facts", "why"),
    [
        ("serial = PR3-000001\nfirmware=1.4.2\n", {"serial": "PR3-000001", "firmware": "1.4.2"}, None),
        ("connecting …\n  filter =  slow  \nbye\n", {"filter": "slow"}, None),
        ("a = 1\na = 1\n", {"a": "1"}, None),
        ("a = 1\na = 2\n", {}, "it states a twice: '1' and '2'"),
        ("a = x\x07y\n", {}, "unprintable"),
        (f"a = {'x' * 201}\n", {}, "more than 200 characters"),
        ("".join(f"a{n} = 1\n" for n in range(65)), {}, "more than 64 facts"),
        ("Serial: 12\n", {}, "no line of the form name = value"),
        ("", {}, "no line of the form name = value"),
    ],
)
def test_facts_that_a_command_states(output, facts, why):
    found, wrong = environment.stated_facts(output)
    assert found == facts
    assert wrong is None if why is None else why in wrong


@given(
    st.dictionaries(
        st.text("az09_", max_size=20).map("n".__add__), st.text("aZ9 .-=\x1d", max_size=30), max_size=8
    )
)
def test_what_is_stated_is_what_is_read(stated):
    stated = {name: value.strip() for name, value in stated.items()}
    output = "".join(f"{name} = {value}\n" for name, value in stated.items() if value.isprintable())
    found, _ = environment.stated_facts(output)
    assert found == {name: value for name, value in stated.items() if value.isprintable()}


def test_the_unit_and_the_station_are_asked():
    shell = "sh -c 'echo serial = $LINECHECK_SERIAL; echo given = \"$0\"'"
    facts, why = environment.identity(IdentifyConfig(command=shell + " {serial}"), "PR3-000001")
    assert (facts, why) == ({"serial": "PR3-000001", "given": "PR3-000001"}, None)
    facts, why = environment.conditions(ConditionsConfig(command="sh -c 'echo no sensor; exit 4'"))
    assert facts == {}
    assert why == "the command failed (exit status 4): no sensor"
