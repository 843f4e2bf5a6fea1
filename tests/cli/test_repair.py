"""Stating what was found at a unit, as a repairer would from a shell, and what the log then says of it."""

import json
import sqlite3
from contextlib import closing

import pytest
from failed_runs import failed_run
from lxml import html
from made_runs import made_run
from sent_logs import same_rows, sent
from station_keys import made_keys

from linecheck.log import Log, LogReader
from linecheck.log.station_key import SignedBy, StationKey

pytestmark = pytest.mark.every_python

SERIAL = "PR3-000001"
SAID = ("--done", "resoldered J4, pin 3", "--by", "A. Technician")
HUM = (("supply_hum", 0.6), ("none_of_these", 0.4))


@pytest.fixture
def path(tmp_path, monkeypatch):
    """Return a log where one is looked for: a fail, a pass, a fail that told another cause, and a pass of one unit."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LINECHECK_LOG", raising=False)
    path = tmp_path / "results" / "linecheck.sqlite"
    with Log(path) as log:
        for run in (
            failed_run(serial=SERIAL),
            made_run(serial=SERIAL),
            failed_run(*HUM, serial=SERIAL),
            made_run(serial=SERIAL),
        ):
            log.append(run)
    return path


def add(path, *runs):
    with Log(path) as log:
        return [log.append(run).sequence for run in runs]


def stated(path):
    """Return the repairs in a log, the oldest first, each with the number of its run."""
    with LogReader(path) as log:
        return [(each.content["record"], each.content) for each in reversed(log.statements("repair"))]


def test_a_repair_refers_to_the_newest_run_that_did_not_pass(linecheck, path):
    status, out, err = linecheck("repair", SERIAL, "--found", "supply_hum", *SAID)
    assert (status, err) == (0, "")
    first, of, told, head = out.splitlines()
    assert first == ("repair 5: PR3-000001, found supply_hum; done: resoldered J4, pin 3; by A. Technician")
    assert of.startswith("of record 3: FAIL, pellow-r3, 2026-11-20")
    assert told == "told: Probably supply hum (60 %)."
    with LogReader(path) as log:
        assert head == f"head {log.head()}"
        run = log.record(3)
        assert log.verify().intact
    ((_, content),) = stated(path)
    assert content.pop("software").startswith("linecheck ")
    assert content == {
        "run": run.run_id,
        "record": 3,
        "record_hash": run.logged.record_hash,
        "serial": SERIAL,
        "model": "pellow-r3",
        "found": "supply_hum",
        "text": None,
        "done": "resoldered J4, pin 3",
        "by": "A. Technician",
    }


@pytest.mark.parametrize(
    ("said", "found", "text"),
    [
        ("missing_leg", "missing_leg", None),
        ("Missing leg", "missing_leg", None),
        ("missing-leg", "missing_leg", None),
        ("a cable at the  nest was broken", "other", "a cable at the nest was broken"),
        ("other:mising_leg", "other", "mising_leg"),
        ("none of thes", "other", "none of thes"),
        ("Other: pin 3: bent", "other", "pin 3: bent"),
    ],
)
def test_what_was_found_is_a_code_or_words(linecheck, path, said, found, text):
    assert linecheck("repair", SERIAL, "--found", said, *SAID)[0] == 0
    ((_, content),) = stated(path)
    assert (content["found"], content["text"]) == (found, text)


@pytest.mark.parametrize(
    ("said", "answer"),
    [
        ("mising_leg", "did you mean the cause missing_leg? If not, say that these are words of your own: --found "
         "'other:mising_leg'. Nothing was recorded"),
        ("dead channel left", "did you mean the cause dead_channel?"),
        ("other", "say in words what it was: --found 'other:TEXT'"),
        ("none of these", "say in words what it was"),
        ("other: ", "--found other:: is empty"),
        (" ", "--found: is empty"),
        ("x" * 201, "--found: has 201 characters, expected at most 200"),
        ("bent\x1b[31m", "--found: has the character U+001B in it"),
    ],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused_and_nothing_is_recorded(linecheck, path, said, answer):
    status, out, err = linecheck("repair", SERIAL, "--found", said, *SAID)
    assert (status, out, answer in err) == (2, "", True), err
    assert stated(path) == []


@pytest.mark.parametrize(
    ("option", "text", "answer"),
    [
        ("--done", "y" * 501, "--done: has 501 characters, expected at most 500"),
        ("--by", "z" * 81, "--by: has 81 characters, expected at most 80"),
        ("--by", "\u3164", "--by: has the character U+3164"),
    ],
)
def test_texts_are_bounded_and_seen(linecheck, path, option, text, answer):
    said = dict(zip(SAID[::2], SAID[1::2], strict=True)) | {option: text}
    status, _, err = linecheck(
        "repair", SERIAL, "--found", "mono", *(word for pair in said.items() for word in pair)
    )
    assert (status, answer in err) == (2, True), err
    assert stated(path) == []


def test_the_run_can_be_named(linecheck, path):
    with LogReader(path) as log:
        run_id = log.record(1).run_id
    for name in ("1", run_id, run_id[:8]):
        assert linecheck("repair", SERIAL, "--found", "missing_leg", *SAID, "--run", name)[0] == 0
    assert [number for number, _ in stated(path)] == [1, 1, 1]


def test_a_run_that_told_nothing_is_only_taken_where_it_is_named(linecheck, path):
    (number,) = add(path, failed_run(serial="PR3-000002", causes={}))
    status, _, err = linecheck("repair", "PR3-000002", "--found", "mono", *SAID)
    assert (status, err) == (
        2,
        "linecheck: PR3-000002: no run that did not pass says what may be broken; the newest is record 5 (FAIL): "
        "--run 5 takes that\n",
    )
    status, out, _ = linecheck("repair", "PR3-000002", "--found", "mono", *SAID, "--run", number)
    assert (status, "told" in out) == (0, False)


def test_a_later_repair_of_a_run_corrects_the_one_before(linecheck, path):
    linecheck("repair", SERIAL, "--found", "mono", *SAID)
    status, _, err = linecheck("repair", SERIAL, "--found", "supply_hum", *SAID)
    assert (status, err) == (
        0,
        "linecheck: record 5 stated a repair of that run before: this one corrects it\n",
    )
    _, out, _ = linecheck("log", "causes", "--json")
    assert json.loads(out)["found"] == {"supply_hum": 1}


def refused(linecheck, path, *arguments):
    before = stated(path)
    status, out, err = linecheck("repair", *arguments, "--found", "mono", *SAID)
    assert (status, out, stated(path)) == (2, "", before)
    return err


def test_a_serial_number_that_no_run_has_is_refused_with_the_pattern_of_the_model(linecheck, path):
    said = f"linecheck: {path}: there is no run of {{}} in the log"
    assert refused(linecheck, path, "PR3-000009") == said.format("PR3-000009") + "\n"
    err = refused(linecheck, path, "pr3-000001")
    assert err.startswith(
        said.format("pr3-000001") + "; serial numbers of pellow-r3 are PR3- and 6 digits; upper and"
    )
    assert r"no run of \x1b[31m in the log" in refused(linecheck, path, "\x1b[31m")
    assert "expected 1 to 128" in refused(linecheck, path, "9" * 129)
    assert "no run of PR3-000001 of model pellow-r9" in refused(
        linecheck, path, SERIAL, "--model", "pellow-r9"
    )


def test_runs_that_no_repair_refers_to_are_refused(linecheck, path):
    passed, golden, challenge = add(
        path,
        made_run(serial="PR3-000003"),
        made_run(serial="PR3-900001", purpose="golden"),
        failed_run(serial="PR3-900101", purpose="challenge"),
    )
    assert "every run passed" in refused(linecheck, path, "PR3-000003")
    assert "record 5 is a PASS; a repair is stated of a run that did not" in refused(
        linecheck, path, "PR3-000003", "--run", passed
    )
    for serial, number in (("PR3-900001", golden), ("PR3-900101", challenge)):
        for more in ((), ("--run", number)):
            assert "was tested as a golden or challenge unit" in refused(linecheck, path, serial, *more)
    assert "--run: record 1 is a run of PR3-000001, not of PR3-000003" in refused(
        linecheck, path, "PR3-000003", "--run", 1
    )
    assert "there is no run 99 in the log" in refused(linecheck, path, SERIAL, "--run", 99)


def test_units_of_two_models_with_one_serial_number_are_told_apart(linecheck, path):
    add(path, failed_run(serial=SERIAL, model="pellow-r1"))
    assert "there are units of pellow-r1 and of pellow-r3: say which with --model" in refused(
        linecheck, path, SERIAL
    )
    assert linecheck("repair", SERIAL, "--found", "mono", *SAID, "--model", "pellow-r3")[0] == 0
    assert [number for number, _ in stated(path)] == [3]


def test_a_log_that_is_not_there_is_not_made(linecheck, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    status, _, err = linecheck("repair", SERIAL, "--found", "mono", *SAID, "--log", "none.sqlite")
    assert (status, "none.sqlite" in err, (tmp_path / "none.sqlite").exists()) == (2, True, False)


def test_it_is_shown_below_its_run(linecheck, path):
    linecheck("repair", SERIAL, "--found", "other:pin 3 was bent", *SAID, "--run", "1")
    _, out, _ = linecheck("log", "show", SERIAL)
    shown = dict(zip(("4", "3", "2", "1"), out.split("\n\n"), strict=True))
    assert ["repaired: " in shown[number] for number in "4321"] == [False, False, False, True]
    assert (
        "\n  repaired: found other: pin 3 was bent; done: resoldered J4, pin 3; by A. Technician ("
        in shown["1"]
    )
    assert "ranked" not in out


def test_a_repair_that_was_changed_is_found_and_said(linecheck, path):
    linecheck("repair", SERIAL, "--found", "mono", *SAID)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DROP TRIGGER statement_keeps_on_update")
        connection.execute(
            'UPDATE statement SET content = replace(content, \'"found":"mono"\', \'"found":[1]\')'
        )
    status, out, err = linecheck("log", "verify")
    assert (status, "record 5 has been changed since it was stored" in out + err) == (3, True)
    for command in (("show", SERIAL), ("causes",)):
        status, _, err = linecheck("log", *command)
        assert (status, "a record cannot be understood" in err) == (3, True)


def test_it_is_signed_by_the_station_and_sent_with_the_runs(linecheck, tmp_path, monkeypatch, postgres):
    monkeypatch.chdir(tmp_path)
    private, public = made_keys(tmp_path)
    (tmp_path / "station.toml").write_text(
        'format = 1\nstation = "line-2"\ninterface = "simulated"\nmains_hz = 50\n'
        f'[records]\ndatabase = "log.sqlite"\n[sign]\nkey = "{private}"\n',
        encoding="utf-8",
    )
    with Log(tmp_path / "log.sqlite", key=StationKey(private)) as log:
        log.append(failed_run(serial=SERIAL))
    said = ("repair", SERIAL, "--found", "missing_leg", *SAID)
    status, _, err = linecheck(*said, "--log", "log.sqlite")
    assert (status, "the records of this log are signed" in err) == (2, True)
    assert linecheck(*said, "--station", "station.toml")[0] == 0
    with LogReader(tmp_path / "log.sqlite") as log:
        found = log.verify(signed_by=SignedBy.files((public,), 1))
        assert (found.intact, found.records, found.signed) == (True, 2, 2)
    with postgres.lent() as url:
        pushed = sent(tmp_path / "log.sqlite", url)
        assert (pushed.runs, pushed.statements) == (1, 1)
        assert same_rows(tmp_path / "log.sqlite", url) == 1


def test_the_causes_are_listed(linecheck):
    status, out, _ = linecheck("repair", "--causes")
    assert status == 0
    assert out.splitlines()[0].split() == ["cause", "meaning"]
    listed = {line.split()[0] for line in out.splitlines()[1:]}
    assert {"missing_leg", "deemphasis_on"} <= listed
    assert "none_of_these" not in listed


def test_the_page_of_a_unit_has_its_repairs_with_its_record_the_last_of_each_run(linecheck, path):
    said = ("--by", "A. Technician")
    for run, done in ((1, "nothing yet"), (1, "new cable"), (3, "resoldered J4")):
        status, *_ = linecheck("repair", SERIAL, "--run", run, "--found", "supply_hum", "--done", done, *said)
        assert status == 0
    with Log(path) as log:
        log.append(failed_run(serial="PR3-000002"))
    assert linecheck("repair", "PR3-000002", "--found", "supply_hum", "--done", "another's", *said)[0] == 0
    # The pass after it too: there it is asked why it passes now.
    for number in (3, 4):
        assert linecheck("report", number, "--out", "page.html")[0] == 0
        page = html.parse(path.parents[1] / "page.html")
        facts = page.xpath("//section[@id='record']//div[dt='repair']/dd")
        told = [" ".join(fact.text_content().split()) for fact in facts]
        assert [text.split(",")[0] for text in told] == ["of record 1", "of record 3"]
        assert [text.split(": ", 1)[1] for text in told] == [
            f"found supply_hum; done: {done}; by A. Technician" for done in ("new cable", "resoldered J4")
        ]
