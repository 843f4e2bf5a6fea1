"""Sending a log to a real PostgreSQL server: every row is there once, as it was, whoever may do what there."""

import shutil
import struct
import threading
from contextlib import closing
from functools import partial
from pathlib import Path

import psycopg
import pytest
from made_runs import large_run, made_check, made_reading, made_run, runs_of_every_verdict
from sent_logs import made_log, same_rows, sent

from linecheck.errors import RecordError, ServerError
from linecheck.log import Log
from linecheck.log.chain import BEGINNING
from linecheck.log.schema import MIGRATIONS
from linecheck.log.sync import batches as batching
from linecheck.log.sync import layout, server
from linecheck.log.sync import migrate as migrate_module
from linecheck.log.sync import push as push_module
from linecheck.log.sync.batches import batches
from linecheck.log.sync.local import LocalLog
from linecheck.log.sync.migrate import GRANTS, migrate
from linecheck.log.sync.push import push
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


@pytest.fixture
def other(postgres):
    with postgres.lent() as url:
        yield url


def checked(url, chain):
    with connected(Target.parsed(url)) as connection:
        return check_chain(connection, chain)


def columns_of(url):
    with psycopg.connect(url) as connection:
        return connection.execute(
            "SELECT table_name, column_name, data_type, is_nullable, collation_name FROM information_schema.columns "
            "WHERE table_schema = 'linecheck' ORDER BY 1, 2"
        ).fetchall()


def test_every_row_of_runs_and_statements_is_there_as_it_was(path, url):
    with Log(path) as log:
        for run in runs_of_every_verdict().values():
            log.append(run)
        log.state("self_check", "line-2-nest-a", {"found": "nothing"})
        log.append(large_run(points=200))
    pushed = sent(path, url)
    assert (pushed.runs, pushed.statements, pushed.again, pushed.namesakes) == (6, 1, 0, ())
    assert same_rows(path, url) == 6
    found = checked(url, pushed.chain)
    assert (found.fault, found.head) == (None, pushed.head)


def test_what_was_sent_is_not_sent_again_and_what_is_new_follows(path, url):
    made_log(path)
    first = sent(path, url)
    again = sent(path, url)
    assert (again.runs, again.statements, again.head) == (0, 0, first.head)
    made_log(path, runs=2, statements=2)
    assert (sent(path, url).runs, sent(path, url).runs) == (2, 0)
    assert same_rows(path, url) == 5


def test_the_first_record_may_be_a_statement(path, url):
    with Log(path) as log:
        log.state("self_check", "line-2-nest-a", {"found": "nothing"})
    made_log(path, runs=1)
    assert sent(path, url).statements == 2
    same_rows(path, url)


def test_a_server_is_reached_by_its_socket_as_well(path, url, postgres):
    made_log(path)
    database = url.rpartition("/")[2]
    socket = f"postgresql://keeper@/{database}?host={postgres.folder}&port={postgres.port}"
    assert str(Target.parsed(socket)) == f"postgresql://{postgres.folder}:{postgres.port}/{database}"
    sent(path, socket)
    same_rows(path, url)


def test_a_log_without_records_has_nothing_to_send(path, url):
    Log(path).close()
    assert sent(path, url).chain is None


def test_nothing_is_noted_as_sent_before_the_server_has_acknowledged_it(path, url, postgres):
    made_log(path)
    target = Target.parsed(url)
    with LocalLog(path) as log:
        assert log.acknowledged(target).sequence == 0
        with connected(target) as connection:
            migrate(connection)
        name = url.rpartition("/")[2]
        postgres.execute(
            "CREATE FUNCTION public.full() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION 'could not extend file' USING ERRCODE = 'disk_full'; END $$",
            name,
        )
        # At the COMMIT: all rows of the batch are there until then.
        postgres.execute(
            "CREATE CONSTRAINT TRIGGER full_disk AFTER INSERT ON linecheck.run DEFERRABLE INITIALLY DEFERRED "
            "FOR EACH ROW EXECUTE FUNCTION public.full()",
            name,
        )
        with pytest.raises(ServerError, match="the server's disk is full"):
            push(log, target)
        assert log.acknowledged(target).sequence == 0
        postgres.execute("DROP TRIGGER full_disk ON linecheck.run", name)
        head = push(log, target).head
        assert log.acknowledged(target) == head == log.head()
    same_rows(path, url)


def test_what_was_sent_but_could_not_be_noted_is_not_sent_twice(path, url, monkeypatch):
    made_log(path)

    def full(log, target, head):
        if head.sequence:
            raise RecordError("the disk is full: free some space")

    with monkeypatch.context() as patched:
        patched.setattr(LocalLog, "note", full)
        with pytest.raises(RecordError, match="the disk is full"):
            sent(path, url)
    pushed = sent(path, url)
    assert (pushed.runs, pushed.statements, pushed.again) == (0, 0, 0)
    same_rows(path, url)


def test_the_server_is_the_truth_about_what_it_has(path, url, postgres):
    made_log(path)
    head = sent(path, url).head
    name = url.rpartition("/")[2]
    postgres.execute("DROP SCHEMA linecheck CASCADE", name)
    pushed = sent(path, url)
    assert (pushed.again, pushed.head) == (head.sequence, head)
    same_rows(path, url)


def test_batches_are_bounded_by_rows_and_by_bytes_and_a_large_record_goes_alone(path):
    with Log(path) as log:
        for _ in range(6):
            log.append(made_run())
        log.append(large_run(points=2000))
        log.append(made_run())
    with LocalLog(path) as log:
        one = log.stored_record(1)
        rows = 1 + sum(len(part) for part in one.parts.values())

        def sizes(**most):
            found = list(batches(log, BEGINNING, **most))
            assert [record.sequence for batch in found for record in batch.records] == list(range(1, 9))
            return [len(batch.records) for batch in found]

        assert sizes() == [8]
        assert sizes(most_rows=2 * rows)[:3] == [2, 2, 2]
        assert sizes(most_bytes=100_000) == [7, 1]
        assert sizes(most_rows=1) == [1] * 8


def test_small_batches_come_to_the_same(path, url, monkeypatch):
    made_log(path, runs=7, statements=3)
    heads = []
    monkeypatch.setattr("linecheck.log.sync.push.batches", partial(batches, most_rows=1))
    with LocalLog(path) as log:
        push(log, Target.parsed(url), progress=heads.append)
    assert [head.sequence for head in heads] == list(range(1, 11))
    same_rows(path, url)


def test_what_two_send_at_once_is_there_once(path, url, monkeypatch):
    made_log(path, runs=12, statements=4)
    monkeypatch.setattr("linecheck.log.sync.push.batches", partial(batches, most_rows=8))
    results, at_once = [], threading.Barrier(3)

    def send():
        at_once.wait()
        results.append(sent(path, url))

    senders = [threading.Thread(target=send) for _ in range(3)]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join()
    assert sum(pushed.runs for pushed in results) == 12
    assert {(pushed.head.sequence, pushed.again) for pushed in results} == {(16, 0)}
    assert same_rows(path, url) == 12


def test_many_stations_share_the_contents_that_their_records_refer_to(tmp_path, url, postgres):
    for name in ("a", "b"):
        path = made_log(tmp_path / f"{name}.sqlite", station=f"line-{name}")
        sent(path, url)
        same_rows(path, url)
    database = url.rpartition("/")[2]
    assert postgres.execute("SELECT count(*) FROM linecheck.chain", database) == [(2,)]
    assert postgres.execute("SELECT count(*) FROM linecheck.limits", database) == [(1,)]


def test_the_log_can_be_written_to_while_the_network_is_waited_for(path, url):
    made_log(path)
    target = Target.parsed(url)
    sent(path, url)
    made_log(path, runs=1)
    with psycopg.connect(url) as holder:
        holder.execute("SELECT 1 FROM linecheck.chain FOR UPDATE")
        with closing(LocalLog(path)) as log:
            sender = threading.Thread(target=push, args=(log, target))
            sender.start()
            waiting = (
                "SELECT count(*) FROM pg_stat_activity "
                "WHERE wait_event_type = 'Lock' AND datname = current_database()"
            )
            with psycopg.connect(url, autocommit=True) as watching:
                while not watching.execute(waiting).fetchone()[0]:
                    pass
            with Log(path, busy_seconds=0.0) as station:
                station.append(made_run())
            holder.rollback()
            sender.join()
    same_rows_after = sent(path, url)
    assert same_rows_after.head.sequence == 7
    same_rows(path, url)


@pytest.fixture
def known_migrations(monkeypatch):
    """Return a function that lets the software know these migrations of the log and no others."""

    def know(migrations):
        monkeypatch.undo()
        monkeypatch.setattr(layout, "MIGRATIONS", migrations)
        if len(migrations) < len(MIGRATIONS):
            # Such a linecheck packs nothing.
            monkeypatch.setattr(migrate_module, "_SERVER", migrate_module._SERVER[:2])
            monkeypatch.setattr(push_module, "pack", lambda *_: 0)
        layout.log_layouts.cache_clear()

    yield know
    monkeypatch.undo()
    layout.log_layouts.cache_clear()


def test_a_server_of_an_older_schema_is_brought_to_the_newest(path, url, other, known_migrations):
    older, fresh = url, other
    known_migrations(MIGRATIONS[:2])
    with connected(Target.parsed(older)) as connection:
        assert migrate(connection) == 4
    known_migrations(MIGRATIONS)
    assert columns_of(older) != columns_of(fresh)
    made_log(path)
    sent(path, older)
    sent(path, fresh)
    assert columns_of(older) == columns_of(fresh)
    assert len(columns_of(fresh)) > 100
    same_rows(path, older)
    with connected(Target.parsed(older)) as connection:
        assert migrate(connection) == 0


def test_what_an_older_server_has_is_verified_without_changing_it(path, url, known_migrations):
    shutil.copy(Path(__file__).parent / "logs/schema-1.sqlite", path)
    known_migrations(MIGRATIONS[:2])
    pushed = sent(path, url)
    known_migrations(MIGRATIONS)
    before = columns_of(url)
    found = checked(url, pushed.chain)
    assert (found.fault, found.head) == (None, pushed.head)
    assert found.records > 1
    assert columns_of(url) == before
    assert sent(path, url).head == pushed.head
    same_rows(path, url)


def test_a_column_that_comes_later_comes_to_the_server(url, known_migrations):
    with connected(Target.parsed(url)) as connection:
        migrate(connection)
        known_migrations((*MIGRATIONS, ("ALTER TABLE reading ADD COLUMN sigma REAL",)))
        assert migrate(connection) == 1
    assert ("reading", "sigma", "double precision", "YES", None) in columns_of(url)


def test_two_that_find_an_empty_database_make_its_tables_once(url):
    failed = []

    def make():
        try:
            with connected(Target.parsed(url)) as connection:
                migrate(connection)
        except Exception as error:
            failed.append(error)

    makers = [threading.Thread(target=make) for _ in range(4)]
    for maker in makers:
        maker.start()
    for maker in makers:
        maker.join()
    assert failed == []
    with psycopg.connect(url) as connection:
        (applied,) = connection.execute(
            "SELECT count(*) = count(DISTINCT (part, version)) AND count(*) FILTER (WHERE part = 'log') = %s "
            "FROM linecheck.schema_version",
            [len(MIGRATIONS)],
        ).fetchone()
    assert applied


def test_a_server_of_a_newer_schema_is_refused_and_left_alone(path, url, postgres):
    made_log(path)
    sent(path, url)
    made_log(path, runs=1)
    database = url.rpartition("/")[2]
    postgres.execute(
        "INSERT INTO linecheck.schema_version (part, version, software) VALUES ('log', 99, 'linecheck 9.9')",
        database,
    )
    with pytest.raises(ServerError, match=r"by a newer linecheck \(schema log 99;.*update linecheck"):
        sent(path, url)
    assert postgres.execute("SELECT count(*) FROM linecheck.run", database) == [(3,)]


def test_a_schema_of_somebody_else_is_refused_an_empty_one_is_used(path, url, postgres):
    made_log(path)
    database = url.rpartition("/")[2]
    postgres.execute("CREATE SCHEMA linecheck; CREATE TABLE linecheck.run (a int)", database)
    with pytest.raises(ServerError, match="a schema linecheck that is none of linecheck's"):
        sent(path, url)
    postgres.execute("DROP TABLE linecheck.run", database)
    sent(path, url)
    same_rows(path, url)


def test_a_database_that_cannot_hold_every_text_is_refused(path, postgres):
    made_log(path)
    postgres.execute("CREATE DATABASE latin ENCODING 'LATIN1' TEMPLATE template0")
    with pytest.raises(ServerError, match="stores texts as LATIN1"):
        sent(path, postgres.url("latin"))


def test_an_older_server_than_is_supported_is_refused(path, url, monkeypatch):
    made_log(path)
    monkeypatch.setattr(server, "OLDEST_SERVER", 990_000)
    with pytest.raises(ServerError, match=r"the server is PostgreSQL \d+, too old: it must be 99 or newer"):
        sent(path, url)


def test_rows_are_added_never_changed_or_removed(path, url, postgres):
    made_log(path)
    sent(path, url)
    database = url.rpartition("/")[2]
    for command in (
        "UPDATE linecheck.run SET verdict = 'pass'",
        "UPDATE linecheck.limits SET content = ''",
        "DELETE FROM linecheck.reading",
        "DELETE FROM linecheck.statement",
        "TRUNCATE linecheck.curve",
    ):
        with pytest.raises(psycopg.errors.IntegrityConstraintViolation, match="never changed or removed"):
            postgres.execute(command, database)
    same_rows(path, url)


def test_a_role_with_the_rights_that_are_documented_sends_and_can_do_nothing_else(
    path, url, postgres, monkeypatch
):
    made_log(path)
    database = url.rpartition("/")[2]
    postgres.execute("CREATE ROLE only_sends LOGIN PASSWORD 'hush'")
    role = postgres.url(database, "only_sends")
    monkeypatch.setenv("PGPASSWORD", "hush")
    with pytest.raises(ServerError, match=r"lacks a right there: .*sync --prepare"):
        sent(path, role)
    with connected(Target.parsed(url)) as connection:
        migrate(connection)
    with pytest.raises(ServerError, match="lacks a right there"):
        sent(path, role)
    for grant in GRANTS:
        postgres.execute(grant.format(role="only_sends"), database)
    sent(path, role)
    same_rows(path, url)
    assert checked(role, sent(path, role).chain).intact
    for command in (
        "UPDATE linecheck.run SET verdict = 'pass'",
        "DELETE FROM linecheck.reading",
        "TRUNCATE linecheck.curve",
        "ALTER TABLE linecheck.run DISABLE TRIGGER ALL",
        "DROP TABLE linecheck.run",
        "CREATE TABLE linecheck.mine (a int)",
        "DELETE FROM linecheck.chain",
        "INSERT INTO linecheck.schema_version VALUES ('log', 99, now(), 'mine')",
    ):
        with (
            psycopg.connect(role) as connection,
            pytest.raises(psycopg.errors.InsufficientPrivilege),
        ):
            connection.execute(command)


def test_a_commit_is_on_the_disk_and_numbers_are_whole_whatever_the_server_is_set_to(path, url, postgres):
    database = url.rpartition("/")[2]
    for setting in (
        "synchronous_commit = off",
        "extra_float_digits = -15",
        "default_transaction_read_only = on",
    ):
        postgres.execute(f"ALTER DATABASE {database} SET {setting}")
    with Log(path) as log:
        log.append(made_run(made_check(made_reading(value=0.1 + 0.2))))
    chain = sent(path, url).chain
    assert checked(url, chain).intact
    with connected(Target.parsed(url)) as connection, connection.begin():
        assert connection.exec_driver_sql("SHOW synchronous_commit").scalar() == "on"
        value = connection.exec_driver_sql("SELECT value FROM linecheck.reading").scalar()
    assert struct.pack("<d", value) == struct.pack("<d", 0.1 + 0.2)


def test_what_is_read_at_once_is_bounded_by_bytes_as_well(path):
    assert batching.MAX_BYTES <= 8_000_000
    with Log(path) as log:
        for _ in range(16):
            log.append(large_run(points=100))
    with LocalLog(path) as log:
        reads = []
        original = log.read
        log.read = lambda *arguments: reads.append(arguments[1]) or original(*arguments)
        list(batches(log, BEGINNING, most_bytes=100_000))
    assert max(reads) <= 10
