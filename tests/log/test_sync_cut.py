"""Connections that break, servers that die: whatever happens at whatever moment, each row is there once in the end."""

import random
import sqlite3
import struct
import threading
import time
from contextlib import closing
from functools import partial

import psycopg
import pytest
from cutting_proxy import CuttingProxy
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from made_runs import made_check, made_curve, made_reading, made_run
from sent_logs import local_rows, made_log, same_rows, sent

from linecheck.errors import ServerError
from linecheck.limits.verdict import Verdict
from linecheck.log import Head, Log
from linecheck.log.chain import statement_hash
from linecheck.log.fetch import records_after
from linecheck.log.sync.batches import batches
from linecheck.log.sync.layout import original_text, stored_text
from linecheck.log.sync.local import LocalLog
from linecheck.log.sync.push import push
from linecheck.log.sync.server import Watchdog, connected
from linecheck.log.sync.stored import at_server, check_chain
from linecheck.log.sync.target import Target


@pytest.fixture
def path(tmp_path):
    return tmp_path / "log.sqlite"


@pytest.fixture(scope="module")
def url(postgres):
    with postgres.lent() as url:
        yield url


def through(url, proxy):
    return url.replace(url.rpartition(":")[2].partition("/")[0], str(proxy.port))


def acknowledged(path, url):
    with LocalLog(path) as log:
        return log.acknowledged(Target.parsed(url)).sequence


def test_a_commit_whose_answer_is_lost_is_not_repeated(path, url, postgres):
    made_log(path, runs=4)
    commits = []

    def at_the_commit_of_records(said):
        # A batch is the only thing that is copied; what commits it comes after.
        at = said.find(b"COPY ")
        commits.append(at)
        return at >= 0 and said.find(b"COMMIT", at) >= 0

    with CuttingProxy(postgres.port, at_the_commit_of_records) as proxy:
        lost = through(url, proxy)
        with pytest.raises(ServerError, match="the connection was lost"):
            sent(path, lost)
        assert proxy.cuts == 1
        assert acknowledged(path, lost) == 0
        with psycopg.connect(url) as connection:
            count = "SELECT count(*) FROM linecheck.run"
            deadline = time.monotonic() + 20.0
            while connection.execute(count).fetchone() != (4,) and time.monotonic() < deadline:
                connection.rollback()
        proxy.cut = lambda said: False
        pushed = sent(path, lost)
        assert (pushed.runs, pushed.head.sequence) == (0, 5)
        assert acknowledged(path, lost) == 5
    assert same_rows(path, url) == 4


def test_a_connection_that_breaks_after_any_number_of_bytes_loses_nothing(path, url, postgres, monkeypatch):
    monkeypatch.setattr("linecheck.log.sync.push.batches", partial(batches, most_rows=12))
    chance = random.Random(20261126)
    made_log(path, runs=1)
    sent(path, url)
    with CuttingProxy(postgres.port, lambda said: False) as proxy:
        broken = 0
        for _ in range(5):
            made_log(path, runs=3)
            after = chance.randrange(200, 12_000)
            proxy.cut = lambda said, after=after: len(said) >= after
            try:
                sent(path, through(url, proxy))
            except ServerError:
                broken += 1
        assert broken >= 2
    sent(path, url)
    assert same_rows(path, url) == 1 + 5 * 3


def test_a_server_that_is_killed_at_any_moment_has_each_row_once_in_the_end(path, url, postgres, monkeypatch):
    monkeypatch.setattr("linecheck.log.sync.push.batches", partial(batches, most_rows=12))
    chance = random.Random(6)
    died = rounds = 0
    made_log(path, runs=5)
    began = time.monotonic()
    sent(path, url)
    took = time.monotonic() - began
    while not died:
        rounds += 1
        assert rounds < 20, "the server was never killed while it was sent to"
        made_log(path, runs=5)
        killer = threading.Timer(chance.uniform(0.0, took), postgres.kill)
        killer.start()
        try:
            head = sent(path, url).head.sequence
        except ServerError:
            died += 1
            head = acknowledged(path, url)
        killer.join()
        postgres.start()
        # What was acknowledged is there: it was acknowledged only once it was.
        assert stored_head(path, url) >= head
        sent(path, url)
        same_rows(path, url)


def stored_head(path, url):
    """Return how many records of a log the server has; they are numbered from 1 without a gap."""
    columns, rows = local_rows(path, "run")
    first = rows[0][columns.index("record_hash")]
    with psycopg.connect(url) as connection:
        if connection.execute("SELECT to_regclass('linecheck.statement')").fetchone() == (None,):
            return 0
        counts = [
            connection.execute(
                f"SELECT count(*) FROM linecheck.{table} WHERE chain = %s", (first,)
            ).fetchone()[0]
            for table in ("run", "statement")
        ]
    return sum(counts)


def test_a_server_that_went_and_came_back_between_two_batches_is_noticed(path, url, postgres, monkeypatch):
    monkeypatch.setattr("linecheck.log.sync.push.batches", partial(batches, most_rows=8))
    made_log(path, runs=4, statements=0)
    with LocalLog(path) as log:

        def restart(head):
            if head.sequence == 2:
                postgres.kill()
                postgres.start()

        with pytest.raises(ServerError, match=r"the connection was lost|is being stopped"):
            push(log, Target.parsed(url), progress=restart)
        assert log.acknowledged(Target.parsed(url)).sequence == 2
    assert sent(path, url).runs == 2
    same_rows(path, url)


def test_a_server_that_hangs_is_given_up(path, url, postgres, monkeypatch):
    made_log(path, runs=4, statements=0)
    patient = []

    class Noticed(Watchdog):
        def __init__(self, connection, seconds):
            super().__init__(connection, seconds)
            patient.append(self)

    def hang(head):
        if head.sequence == 2:
            postgres.freeze()
            patient[0]._seconds = 0.1
            patient[0].restart()

    monkeypatch.setattr("linecheck.log.sync.push.batches", partial(batches, most_rows=8))
    monkeypatch.setattr("linecheck.log.sync.push.Watchdog", Noticed)
    try:
        with LocalLog(path) as log, pytest.raises(ServerError, match="the connection was lost"):
            push(log, Target.parsed(url), progress=hang)
    finally:
        postgres.thaw()
    assert acknowledged(path, url) == 2
    sent(path, url)
    same_rows(path, url)


#: What a text of a log may hold: NUL, the escape itself, marks that turn the writing direction, beyond the first plane.
TEXTS = st.text(
    alphabet=st.one_of(st.sampled_from("\x00\x10\x1d0af\u202e\ufffe\uffff'\"\\\n\t"), st.characters()),
    min_size=1,
    max_size=40,
)
VALUES = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from(
        [5e-324, -5e-324, 1.7976931348623157e308, 0.1 + 0.2, 2.0**53 + 1, -0.0, 2.2250738585072014e-308]
    ),
)


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory):
    return made_log(tmp_path_factory.mktemp("fuzzed") / "log.sqlite", runs=1)


@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(texts=st.lists(TEXTS, min_size=4, max_size=4), values=st.lists(VALUES, min_size=3, max_size=3))
def test_any_text_and_any_number_that_a_log_holds_comes_back(fuzzed, url, texts, values):
    readings = [made_reading(Verdict.PASS, value, margin=0.0) for value in values]
    run = made_run(
        made_check(*readings, made_curve(Verdict.PASS, margin=values[0]), name="tone"),
        operator=texts[1],
        firmware=texts[2],
        serial=texts[3],
    )
    with Log(fuzzed) as log:
        log.append(run)
        log.state("note", texts[0], {"said": texts[1]})
    found = sent(fuzzed, url)
    with connected(Target.parsed(url)) as connection, connection.begin():
        records = records_after(connection, found.head.sequence - 2, 2, at_server(connection, found.chain))
    assert [record.computed_hash() for record in records] == [record.row["record_hash"] for record in records]
    assert Head(records[-1].sequence, records[-1].row["record_hash"]) == found.head
    for table in ("run", "reading", "packed_curve", "curve_points", "statement"):
        columns, rows = local_rows(fuzzed, table)
        with psycopg.connect(url) as connection:
            names = ", ".join(f'"{name}"' for name in columns)
            query = f"SELECT {names} FROM linecheck.{table} WHERE chain = %s AND sequence = %s"
            last = rows[-1][columns.index("sequence")]
            there = connection.execute(query, (found.chain, last)).fetchall()
        here = [row for row in rows if row[columns.index("sequence")] == last]
        assert sorted(map(_plain, there)) == sorted(map(_plain, here))


def _plain(row):
    return repr([_bits(value) for value in row])


def _bits(value):
    if isinstance(value, float):
        return "double", struct.pack("<d", value)
    return original_text(value) if isinstance(value, str) else value


@given(st.text(alphabet=st.characters(codec=None, exclude_categories=()), max_size=30))
@example("\x10dcff\x100000")  # what an escape looks like
def test_a_text_is_stored_so_that_it_can_be_and_comes_back(text):
    stored = stored_text(text)
    assert "\x00" not in stored
    assert stored.encode("utf-8").decode("utf-8") == stored
    assert original_text(stored) == text
    if not set(text) & {"\x00", "\x10"} and text.isprintable():
        assert stored == text


def test_what_is_no_utf_8_in_a_log_comes_back_as_it_is(path, url):
    made_log(path, runs=1, statements=0)
    columns, rows = local_rows(path, "run")
    row = {
        "sequence": 2,
        "record_format": 3,
        "kind": "note",
        "subject": b"\xff\x00A\xed\xa0\x80".decode("utf-8", "surrogateescape"),
        "recorded": "2026-11-26T04:00:00.000000Z",
        "content": "{}",
        "previous_hash": rows[0][columns.index("record_hash")],
    }
    row["record_hash"] = statement_hash(row)
    with closing(sqlite3.connect(path)) as connection, connection:
        names = ", ".join(row)
        places = ", ".join("CAST(? AS TEXT)" if name == "subject" else "?" for name in row)
        values = [
            value.encode("utf-8", "surrogateescape") if name == "subject" else value
            for name, value in row.items()
        ]
        connection.execute(f"INSERT INTO statement ({names}) VALUES ({places})", values)
    pushed = sent(path, url)
    assert pushed.head.record_hash == row["record_hash"]
    with connected(Target.parsed(url)) as connection:
        assert check_chain(connection, pushed.chain).intact
    with psycopg.connect(url) as connection:
        (subject,) = connection.execute(
            "SELECT subject FROM linecheck.statement WHERE record_hash = %s", (row["record_hash"],)
        ).fetchone()
    assert subject == "\x10dcff\x100000A\x10dced\x10dca0\x10dc80"


def test_a_server_that_loses_records_while_it_is_sent_more_is_noticed(path, url, postgres, monkeypatch):
    monkeypatch.setattr("linecheck.log.sync.push.batches", partial(batches, most_rows=8))
    made_log(path, runs=4, statements=0)
    database = url.rpartition("/")[2]

    def lose(head):
        if head.sequence == 2:
            postgres.execute(
                "SET session_replication_role = replica; DELETE FROM linecheck.run WHERE sequence = 2",
                database,
            )

    with LocalLog(path) as log, pytest.raises(ServerError, match="the server has lost records"):
        push(log, Target.parsed(url), progress=lose)
    postgres.execute("SET session_replication_role = replica; DELETE FROM linecheck.run_check", database)
    for table in ("reading", "curve_points", "packed_curve"):
        postgres.execute(f"SET session_replication_role = replica; DELETE FROM linecheck.{table}", database)
    postgres.execute("SET session_replication_role = replica; DELETE FROM linecheck.run", database)
    assert sent(path, url).again == 2
    same_rows(path, url)
