"""What is noticed and said in words: changed logs, copies that went on, runs of another log, two logs of one name."""

import shutil
import sqlite3
from contextlib import closing

import psycopg
import pytest
from made_runs import made_check, made_curve, made_reading, made_run
from sent_logs import RECORD_TABLES, SHARED_TABLES, local_rows, made_log, same_rows, sent

from linecheck.errors import RecordError, UsageError
from linecheck.log import Log
from linecheck.log.sync.names import STATION_LOG, claim_content, name_conflicts
from linecheck.log.sync.server import connected
from linecheck.log.sync.stored import check_chain
from linecheck.log.sync.target import Target


@pytest.fixture
def path(tmp_path):
    return tmp_path / "log.sqlite"


@pytest.fixture
def url(postgres):
    with postgres.lent() as url:
        yield url


@pytest.fixture(scope="module")
def stored(postgres, tmp_path_factory):
    """Return a log that was sent, the database that it is in, and its chain."""
    path = made_log(tmp_path_factory.mktemp("stored") / "log.sqlite", runs=1, statements=1)
    with postgres.lent() as url:
        yield path, url, sent(path, url).chain


def tamper(path, *statements):
    """Change a log as somebody who knows how to take its guards away."""
    with closing(sqlite3.connect(path)) as connection, connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            assert connection.execute(statement).rowcount, statement


def checked(url, chain):
    with connected(Target.parsed(url)) as connection:
        return check_chain(connection, chain)


def count(url, table="run"):
    with psycopg.connect(url) as connection:
        return connection.execute(f"SELECT count(*) FROM linecheck.{table}").fetchone()[0]


def test_a_log_that_was_changed_before_it_was_sent_is_sent_up_to_there(path, url):
    made_log(path, runs=4, statements=0)
    tamper(path, "UPDATE reading SET value = 120.0 WHERE sequence = 3")
    with pytest.raises(RecordError, match=r"record 3 has been changed.*Nothing from record 3 on is sent"):
        sent(path, url)
    assert count(url) == 2


def test_a_log_whose_last_sent_record_was_changed_is_sent_no_further(path, url):
    made_log(path, runs=2, statements=0)
    sent(path, url)
    tamper(path, "UPDATE reading SET value = 120.0 WHERE sequence = 2")
    made_log(path, runs=1)
    with pytest.raises(
        RecordError, match="record 2 has been changed since it was sent: nothing more is sent"
    ):
        sent(path, url)
    assert count(url) == 2


def test_a_log_whose_limits_were_changed_is_refused(path, url):
    made_log(path, runs=2, statements=0)
    tamper(path, "UPDATE limits SET content = content || ' '")
    with pytest.raises(RecordError, match="the limits that record 1 was judged by have been changed"):
        sent(path, url)
    assert (count(url), count(url, "limits")) == (0, 0)


def test_a_copied_log_that_went_on_differently_is_refused_and_nothing_is_overwritten(path, url, tmp_path):
    made_log(path, runs=3, statements=0)
    copy = tmp_path / "copy.sqlite"
    sent(path, url)
    shutil.copy(path, copy)
    made_log(path, runs=6, statements=2, station="line-2-nest-a")
    sent(path, url)
    for runs in (1, 12):
        made_log(copy, runs=runs, statements=0, serial="PR3-000666", station="lab")
        with pytest.raises(RecordError) as refused:
            sent(copy, url)
        said = str(refused.value)
        assert "record 4 is another there" in said
        assert "Here: run of PR3-000666 at lab" in said
        assert "at the server: run of PR3-004711 at line-2-nest-a" in said
    same_rows(path, url)


def test_an_older_copy_of_a_log_has_nothing_to_send_and_says_so(path, url, tmp_path):
    made_log(path)
    copy = tmp_path / "copy.sqlite"
    shutil.copy(path, copy)
    made_log(path)
    sent(path, url)
    with pytest.raises(RecordError, match="ends with record 4, but the server has 8 records of this log"):
        sent(copy, url)
    same_rows(path, url)


def test_a_run_that_another_log_has_is_refused_but_not_what_comes_before_it(path, url, tmp_path):
    shared = made_run()
    other = tmp_path / "other.sqlite"
    for log_path, before in ((path, 1), (other, 2)):
        made_log(log_path, runs=before, statements=0, station=log_path.stem)
        with Log(log_path) as log:
            log.append(shared)
            log.append(made_run(station=log_path.stem))
    sent(path, url)
    with pytest.raises(
        RecordError,
        match=rf"run {shared.run_id} \(record 3\) is at the server already, as record 2 of another log",
    ):
        sent(other, url)
    assert count(url) == 3 + 2
    same_rows(path, url)


def test_each_changed_value_of_each_column_of_each_table_at_the_server_is_found(path, url):
    made_log(path, runs=1, statements=1)
    with Log(path) as log:
        log.append(made_run(made_check(made_reading(), made_curve(), made_curve())))
    chain = sent(path, url).chain
    new = {"bigint": 77, "double precision": 0.12345, "text": "changed", "bytea": b"changed!"}
    tried = set()
    with connected(Target.parsed(url)) as verifying, psycopg.connect(url, autocommit=True) as connection:
        # Whoever owns the server can take its guards away.
        connection.execute("SET session_replication_role = replica")
        for table in (*RECORD_TABLES, *SHARED_TABLES):
            # What the server makes of other columns itself, nobody can change.
            columns = connection.execute(
                "SELECT column_name, data_type FROM information_schema.columns "
                "WHERE table_schema = 'linecheck' AND table_name = %s AND is_generated = 'NEVER'",
                (table,),
            ).fetchall()
            for column, kind in columns:
                row = connection.execute(f'SELECT "{column}", ctid FROM linecheck.{table} LIMIT 1').fetchone()
                if row is None:
                    continue
                change = f'UPDATE linecheck.{table} SET "{column}" = %s WHERE ctid = %s RETURNING ctid'
                (place,) = connection.execute(change, (new[kind], row[1])).fetchone()
                assert not check_chain(verifying, chain).intact, (table, column)
                connection.execute(change, (row[0], place))
                tried.add(table)
        assert check_chain(verifying, chain).intact
    assert tried == {"run", "statement", "run_check", "reading", "packed_curve", "curve_points", "limits"}


@pytest.mark.parametrize(
    ("commands", "fault"),
    [
        (["DELETE FROM linecheck.statement WHERE sequence = 2"], "record 2 is missing"),
        (
            [
                f"DELETE FROM linecheck.{table} WHERE sequence = 6"
                for table in ("reading", "curve_points", "packed_curve", "run_check", "run")
            ],
            "records were cut off at its end",
        ),
        (
            ["DELETE FROM linecheck.run WHERE sequence = 6"],
            "some of its checks are there, the run itself is not",
        ),
        (["DELETE FROM linecheck.reading WHERE sequence = 5 AND position = 1"], "record 5 has been changed"),
        (
            [
                "UPDATE linecheck.run SET sequence = 99 WHERE sequence = 5",
                "UPDATE linecheck.run SET sequence = 5 WHERE sequence = 6",
                "UPDATE linecheck.run SET sequence = 6 WHERE sequence = 99",
            ],
            "record 5 was stored as record 6",
        ),
        (["DELETE FROM linecheck.limits"], "the limits that record 1 was judged by"),
        (
            ["UPDATE linecheck.limits SET content = E'\\x10d800' || content"],
            "the limits that record 1 was judged by",
        ),
        (
            ["UPDATE linecheck.reading SET metric = E'\\x10d800' WHERE sequence = 1"],
            "record 1 has been changed",
        ),
        (["UPDATE linecheck.reading SET value = 'NaN' WHERE sequence = 1"], "record 1 has been changed"),
        (
            ["UPDATE linecheck.chain SET head_hash = repeat('0', 64)"],
            "record 6 is not the one that was noted",
        ),
        (
            [
                "INSERT INTO linecheck.problem SELECT chain, 99, 0, NULL, NULL, 'a', 'b', 0, '[]' FROM linecheck.chain"
            ],
            "some of its problems are there",
        ),
    ],
)
def test_what_was_removed_moved_or_inserted_at_the_server_is_found(path, url, postgres, commands, fault):
    made_log(path, runs=4, statements=2)
    chain = sent(path, url).chain
    with psycopg.connect(url) as connection:
        connection.execute("SET session_replication_role = replica")
        for command in commands:
            assert connection.execute(command).rowcount
    found = checked(url, chain)
    assert fault in found.fault


def overlapping(tmp_path, url):
    """Send two logs that name the same station at the same time."""
    right, wrong = tmp_path / "right.sqlite", tmp_path / "wrong.sqlite"
    for path in (right, wrong, right):
        made_log(path, runs=1, statements=0)
    sent(right, url)
    return right, wrong


def namesakes(path, url):
    return sent(path, url).namesakes


def state(path, url):
    with connected(Target.parsed(url)) as connection, connection.begin():
        chain = local_chain(path)
        content = claim_content(connection, chain, "line-2-nest-a", "Q. Engineer", "the other is a lab bench")
    with Log(path) as log:
        log.state(STATION_LOG, "line-2-nest-a", content)


def local_chain(path):
    columns, rows = local_rows(path, "run")
    return rows[0][columns.index("record_hash")]


def test_two_logs_that_name_one_station_are_both_kept_and_said_until_it_is_settled(tmp_path, url):
    right, wrong = overlapping(tmp_path, url)
    (found,) = namesakes(wrong, url)
    assert {found.one.chain, found.other.chain} == {local_chain(right), local_chain(wrong)}
    said = str(found)
    assert "two logs name the station line-2-nest-a" in said
    assert "Both are kept" in said
    assert len(namesakes(right, url)) == 1
    same_rows(right, url)
    same_rows(wrong, url)
    state(right, url)
    assert namesakes(right, url) == namesakes(wrong, url) == ()
    # The wrong one goes on under that name.
    made_log(wrong, runs=1, statements=0)
    assert len(namesakes(wrong, url)) == len(namesakes(right, url)) == 1
    state(right, url)
    assert namesakes(right, url) == ()


def test_two_that_are_both_stated_to_be_right_are_said_again(tmp_path, url):
    right, wrong = overlapping(tmp_path, url)
    namesakes(wrong, url)
    state(right, url)
    state_content = {"station": "line-2-nest-a", "over": [{"chain": local_chain(right), "up_to": 99}]}
    with Log(wrong) as log:
        log.state(STATION_LOG, "line-2-nest-a", state_content)
    namesakes(wrong, url)
    (found,) = namesakes(right, url)
    assert "Both were stated to be that station's." in str(found)


def test_a_statement_that_cannot_be_understood_settles_nothing(tmp_path, url):
    right, wrong = overlapping(tmp_path, url)
    with Log(right) as log:
        for over in (None, 3, [7], [{"chain": "a"}], [{"chain": local_chain(wrong), "up_to": "many"}]):
            log.state(STATION_LOG, "line-2-nest-a", {} if over is None else {"over": over})
    sent(right, url)
    assert len(namesakes(wrong, url)) == 1


def test_a_log_that_follows_another_of_the_same_station_is_no_rival(tmp_path, url):
    for name in ("old", "new"):
        assert namesakes(made_log(tmp_path / f"{name}.sqlite"), url) == ()
    with connected(Target.parsed(url)) as connection, connection.begin():
        assert name_conflicts(connection) == ()
        with pytest.raises(UsageError, match="no other log names this station"):
            claim_content(
                connection, local_chain(tmp_path / "old.sqlite"), "line-2-nest-a", "Q. Engineer", "because"
            )
