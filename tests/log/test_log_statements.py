"""Sign-offs in the log's chain: what comes back, who may sign, and that runs and statements share one sequence."""

import json
import random
import sqlite3
import time
from contextlib import closing

import pytest
from forked import started, until
from log_processes import sign_for_ever
from made_comparisons import DIGEST, made_comparison, made_side
from made_runs import made_check, made_curve, made_reading, made_run

from linecheck.errors import RecordError, UsageError
from linecheck.history.comparison.file import sign
from linecheck.limits.verdict import Verdict
from linecheck.log import Head, Log, LogReader, RunFilter
from linecheck.log.signoff import Despite, same_person, signature
from linecheck.run.model import SettingStep


def signed(by="Q. Engineer", decision="accept", role="QA engineer", reason="No audible loss."):
    return signature(by=by, role=role, decision=decision, reason=reason)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "log.sqlite"


@pytest.fixture
def log(path):
    with Log(path) as opened:
        yield opened


def statements(path):
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT sequence, kind, subject, content FROM statement").fetchall()


def test_what_was_signed_comes_back(log):
    log.append(made_run())
    head = sign(log, made_comparison(), signed())
    assert (head.sequence, log.head()) == (2, head)
    (found,) = log.signoffs()
    assert found == log.signoff(2)
    assert (found.sequence, found.record_hash) == head
    assert found.signature == signed()
    assert found.software.startswith("linecheck ")
    assert found.comparison.digest == DIGEST
    assert found.comparison.findings == ("slow loses 2.6 dB at 18 kHz against sharp",)
    assert (found.comparison.limit_path, found.comparison.limit_revision) == ("limits/pellow-r3.yaml", 3)
    side = found.comparison.sides[1]
    assert (side.label, side.serial, side.firmware, side.verdict) == ("B", "PR3-000001", "1.4.2", "pass")
    check = side.checks["reconstruction"]
    assert (check.name, check.capture_sha256) == ("reconstruction@filter=slow", "b" * 64)
    assert found.countersignatures == ()
    assert log.verify() == log.verify(head)
    assert log.verify().records == 2


def test_runs_and_statements_share_one_sequence(log):
    numbers = []
    for _ in range(3):
        numbers.append(log.append(made_run()).sequence)
        numbers.append(sign(log, made_comparison(), signed()).sequence)
    assert numbers == [1, 2, 3, 4, 5, 6]
    assert [run.logged.sequence for run in log.runs()] == [5, 3, 1]
    assert [run.logged.sequence for run in log.runs(before=5, limit=1)] == [3]
    assert [run.logged.attempt for run in log.runs()] == [3, 2, 1]
    assert [record.logged.sequence for record in log.show("PR3-004711")] == [5, 3, 1]
    assert log.find("PR3-004711") == 5
    assert log.find("3") == 3
    for number in ("4", "7"):
        with pytest.raises(UsageError, match="there is no run"):
            log.find(number)
    with pytest.raises(UsageError, match="no record 4"):
        log.record(4)
    assert log.verify().records == 6
    assert log.verify().intact


def test_a_log_that_holds_a_statement_alone(log):
    head = sign(log, made_comparison(), signed())
    assert head.sequence == 1
    assert log.verify(head).records == 1
    assert log.runs() == ()


def test_signoffs_of_one_comparison_the_newest_first_by_page(log):
    for digest in (DIGEST, "e2" * 32, DIGEST):
        sign(log, made_comparison(digest=digest), signed())
    assert [found.sequence for found in log.signoffs()] == [3, 2, 1]
    assert [found.sequence for found in log.signoffs(digest=DIGEST)] == [3, 1]
    assert [found.sequence for found in log.signoffs(limit=1, before=3)] == [2]
    assert log.signoffs(digest="f3" * 32) == ()


def test_finding_the_signoffs_of_a_comparison_uses_an_index(log, path):
    sign(log, made_comparison(), signed())
    with closing(sqlite3.connect(path)) as connection:
        sql = "SELECT * FROM statement WHERE kind = 'signoff' AND subject = 'x' ORDER BY sequence DESC"
        plan = connection.execute(f"EXPLAIN QUERY PLAN {sql}").fetchall()
    assert [row[3] for row in plan] == [
        "SEARCH statement USING INDEX statement_by_subject (kind=? AND subject=?)"
    ]


def test_a_signoff_is_countersigned_by_others(log):
    signoff = sign(log, made_comparison(), signed())
    log.append(made_run())
    first = log.countersign(1, signed("P. Manager"))
    second = log.countersign(1, signed("H. Head", decision="reject", reason="Images too high."))
    (found,) = log.signoffs(digest=DIGEST)
    assert [item.sequence for item in found.countersignatures] == [first.sequence, second.sequence] == [3, 4]
    assert found.countersignatures[1].signature.decision == "reject"
    content = json.loads(statements(log.path)[1][3])
    assert (content["signoff"], content["signoff_hash"]) == signoff
    assert log.verify().intact


@pytest.mark.parametrize("name", ["Q. Engineer", "q. ENGINEER", "  Q.   Engineer ", "\uff31. Engineer"])
def test_nobody_countersigns_twice_or_what_they_signed(log, name):
    sign(log, made_comparison(), signed("Q. Engineer"))
    with pytest.raises(UsageError, match="somebody else must countersign it"):
        log.countersign(1, signed(name))
    sign(log, made_comparison(), signed("Somebody Else"))
    log.countersign(2, signed("Q. Engineer"))
    with pytest.raises(UsageError, match=r"was countersigned by Q\. Engineer already, in record 3"):
        log.countersign(2, signed(name))
    assert log.head().sequence == 3


@pytest.mark.parametrize("number", [2, 3, 99])
def test_what_is_no_signoff_is_not_countersigned(log, number):
    sign(log, made_comparison(), signed())
    log.append(made_run())
    log.countersign(1, signed("P. Manager"))
    with pytest.raises(UsageError, match=f"record {number} is no sign-off"):
        log.countersign(number, signed("H. Head"))


def test_a_signoff_that_was_changed_is_not_countersigned(log, path):
    sign(log, made_comparison(), signed(decision="reject"))
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DROP TRIGGER statement_keeps_on_update")
        connection.execute("UPDATE statement SET content = replace(content, 'reject', 'accept')")
    with pytest.raises(RecordError, match="record 1 has been changed since it was stored"):
        log.countersign(1, signed("P. Manager"))
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE statement SET content = '[]'")
    with pytest.raises(RecordError, match="cannot be understood"):
        log.signoffs()


def test_accepting_despite_a_verdict_is_recorded(log):
    sides = [
        made_side(label, verdict)
        for label, verdict in zip(
            "ABCDE",
            (Verdict.PASS, Verdict.FAIL, Verdict.INVALID, Verdict.MARGINAL, Verdict.ABORTED),
            strict=True,
        )
    ]
    sign(log, made_comparison(*sides), signed())
    sign(log, made_comparison(*sides), signed(decision="reject"))
    rejected, accepted = log.signoffs()
    assert rejected.despite == ()
    assert accepted.despite == (
        Despite("B", "PR3-000001", "fail"),
        Despite("C", "PR3-000001", "invalid"),
        Despite("E", "PR3-000001", "aborted"),
    )


@pytest.mark.parametrize("field", ["by", "role", "reason"])
@pytest.mark.parametrize(
    "text", ["", "  ", "a\nb", "\x1b[1m", "a\u202eb", "a\u200bb", "\u3164", "a\udc80", "n" * 2001]
)
def test_a_signature_is_made_of_what_can_be_seen(field, text):
    facts = {"by": "Q. Engineer", "role": "QA", "reason": "Fine."} | {field: text}
    with pytest.raises(UsageError, match=field):
        signature(decision="accept", **facts)


@pytest.mark.parametrize("digest", ["", "d1", "D1" * 32, "d1" * 32 + "\n"])
def test_a_comparison_that_nobody_would_know_again_is_not_signed(log, digest):
    with pytest.raises(UsageError, match="has no digest"):
        sign(log, made_comparison(digest=digest), signed())
    assert log.head().sequence == 0


def test_names_are_people_whatever_their_script():
    assert signed("Zoë Müller-Łukasz").by == "Zoë Müller-Łukasz"
    assert signed("李 小龙").by == "李 小龙"
    assert same_person("Zoe\u0308", "ZO\u00cb")
    assert same_person("Q. Engineer", "Q.Engineer")
    assert same_person("Q. Engineer", "q engineer")
    assert not same_person("Q. Engineer", "Q. Engineers")
    assert not same_person("\u0915\u093f", "\u0915\u0940")  # told apart by a vowel sign
    with pytest.raises(UsageError, match="expected accept or reject"):
        signed(decision="perhaps")


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE statement SET content = '{}'",
        "DELETE FROM statement",
        "INSERT INTO statement SELECT 1, record_format, kind, subject, recorded, content, previous_hash, record_hash, "
        "NULL FROM statement",
        "INSERT INTO run (sequence) VALUES (2)",
    ],
)
def test_the_database_refuses_changes_and_numbers_in_both_tables(log, path, sql):
    log.append(made_run())
    sign(log, made_comparison(), signed())
    with closing(sqlite3.connect(path)) as connection, pytest.raises(sqlite3.IntegrityError, match="record"):
        connection.execute(sql)
    assert log.verify().records == 2


def test_settings_and_bounds_come_back(log):
    steps = (
        SettingStep("filter", "slow", "command", True, 0.25, "tone@filter=slow", "filter is slow"),
        SettingStep("input", "usb", "operator", False, 3.5, "tone@filter=slow", "nobody answered"),
    )
    bound = made_reading(value=125.0)
    bound = type(bound)(
        **vars(bound) | {"reading": type(bound.reading)(**vars(bound.reading) | {"is_bound": True})}
    )
    log.append(made_run(made_check(bound, made_reading(channel="right"), made_curve()), settings=steps))
    (record,) = log.show("PR3-004711")
    assert record.settings == steps
    assert [item.reading.is_bound for item in record.checks[0].judged.readings] == [True, False]
    assert log.verify().intact


#: Adds runs, sign-offs and countersignatures in turn, and says so after each has returned.
def told(said):
    return [tuple(json.loads(line)) for line in said.read_text().splitlines()]


def test_three_processes_at_once_lose_nothing_and_never_clash(path, tmp_path):
    Log(path).close()
    said = tmp_path / "said"
    processes = [started(sign_for_ever, path, said, mine, 4) for mine in range(3)]
    for process in processes:
        process.join()
    assert [process.exitcode for process in processes] == [0, 0, 0]
    assert sorted(sequence for sequence, _ in told(said)) == list(range(1, 37))
    with LogReader(path) as log:
        found = log.verify(Head(*max(told(said))))
        assert found.intact
        assert found.records == 36
        assert len(log.runs()) == 12
        assert all(len(signoff.countersignatures) == 1 for signoff in log.signoffs())
        assert sorted(run.logged.attempt for run in log.runs(RunFilter(serial="PR3-1"))) == [1, 2, 3, 4]


@pytest.mark.parametrize("rounds", [4, pytest.param(60, marks=pytest.mark.soak)])
def test_killed_while_signing_no_signature_is_lost_or_half_there(path, tmp_path, rounds):
    moments = random.Random(20261126)
    said = tmp_path / "said"
    said.touch()
    for mine in range(rounds):
        before = said.stat().st_size
        signer = started(sign_for_ever, path, said, mine)
        until(lambda before=before: said.stat().st_size > before)
        time.sleep(moments.uniform(0.0, 0.05))
        signer.kill()
        signer.join()
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        sql = "SELECT sequence, record_hash FROM run UNION ALL SELECT sequence, record_hash FROM statement"
        stored = dict(connection.execute(sql).fetchall())
    assert all(stored[sequence] == own_hash for sequence, own_hash in told(said))
    assert len(told(said)) <= len(stored) <= len(told(said)) + rounds
    with LogReader(path) as log:
        assert log.verify().intact
        assert log.verify().records == len(stored)
