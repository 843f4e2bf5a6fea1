"""What the record of a run says beside what was measured."""

import pytest
from small_run import LIMITS, STATION, call, write_small_files

from linecheck.log import LogReader

pytestmark = pytest.mark.every_python

SERIAL = "PR3-000001"
QUICK = (
    LIMITS.split("  quiet:")[0].replace("checks:", "setup: {filter: sharp}\nchecks:")
    + "  tone:\n    kind: tone\n    stimulus: {seconds: 0.25}\n    masks: {thd: {pass: {max: -80}}}\n"
)


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Return ``run`` of one unit on a station with these further lines in its config."""
    monkeypatch.chdir(tmp_path)

    def command(tables="", *options, serial=SERIAL):
        files = write_small_files(tmp_path, limits=QUICK, station=STATION + tables)
        return call(monkeypatch, capsys, "run", *files, "--serial", serial, *options)

    return command


def last():
    with LogReader("results/linecheck.sqlite") as log:
        return next(log.show(SERIAL))


def identify(*lines, then=""):
    said = "; ".join(f"echo {line}" for line in lines)
    return f"[identify]\ncommand = \"sh -c '{said}{then}'\"\n"


def test_everything_that_is_known_is_recorded(run):
    tables = identify("serial = $LINECHECK_SERIAL", "firmware = 1.4.2", "board = C")
    tables += '[conditions]\ncommand = "echo temperature = 23.4"\n'
    tables += '[assets.cable]\nid = "CB-0007"\ndue = 2036-01-31\n'
    said = (
        "--lot",
        "L-12",
        "--work-order",
        "WO-7",
        "--variant",
        "silver",
        "--shift",
        "early",
        "--operator",
        "Ada",
    )
    status, _, _ = run(tables, *said)
    assert status == 0
    record = last()
    assert (record.lot, record.work_order, record.variant) == ("L-12", "WO-7", "silver")
    assert (record.shift, record.operator, record.firmware) == ("early", "Ada", "1.4.2")
    assert record.purpose == "unit"
    assert record.scanned == SERIAL
    assert record.identity == {"serial": SERIAL, "firmware": "1.4.2", "board": "C"}
    assert record.conditions == {"temperature": "23.4"}
    assert [(asset.role, asset.id) for asset in record.assets] == [("cable", "CB-0007")]
    assert record.host["python"]
    assert record.packages["numpy"]
    assert abs(record.clock["stepped_seconds"]) < 1.0
    assert len(record.plan_sha256) == 64
    assert record.captures_why == "not kept: the station keeps none"


def test_another_unit_than_the_one_that_was_scanned_is_not_tested(run):
    status, out, err = run(identify("serial = PR3-000002"))
    assert (status, out) == (3, "")
    assert f"the unit identifies itself as PR3-000002, but {SERIAL} was scanned" in err
    with LogReader("results/linecheck.sqlite") as log:
        assert log.runs() == ()


def test_a_unit_that_does_not_say_what_it_is_is_not_tested(run):
    status, out, err = run(identify("no answer", then="; exit 1"))
    assert (status, out) == (3, "")
    assert "the unit does not identify itself: the command failed (exit status 1): no answer" in err


@pytest.mark.parametrize(
    ("line", "options", "code", "message"),
    [
        (
            "firmware = 1.4.2",
            ("--firmware", "1.5.0"),
            "other_firmware",
            "reports firmware 1.4.2; 1.5.0 was expected",
        ),
        ("filter = slow", (), "setting_mismatch", "reports filter slow; the limit file expects sharp"),
    ],
)
def test_what_is_not_as_expected_is_never_a_pass(run, line, options, code, message):
    status, out, _ = run(identify(line), *options)
    assert status == 3
    assert message in out
    assert [problem.code for problem in last().problems if problem.blocks] == [code]
    assert run(identify("filter = sharp", "firmware = 1.5.0"), *options)[0] == 0


def test_conditions_that_nobody_tells_change_no_verdict(run):
    status, out, _ = run('[conditions]\ncommand = "/no/such/sensor"\n')
    assert status == 0
    assert "PASS" in out
    (problem,) = (problem for problem in last().problems if problem.code == "conditions_unknown")
    assert "cannot be started" in problem.message
    assert not problem.blocks


def test_an_asset_that_is_overdue_is_said_and_blocks_where_the_config_says_so(run):
    overdue = '[assets.cable]\nid = "CB-0007"\ndue = 2020-01-31\n'
    status, out, _ = run(overdue)
    assert status == 0
    assert "the calibration of cable CB-0007 was due on 2020-01-31" in out
    status, out, err = run(overdue + "refuse_when_overdue = true\n")
    assert (status, out) == (3, "")
    assert "is not tested: the calibration of cable CB-0007 was due on 2020-01-31" in err
    marks = overdue + 'refuse_when_overdue = true\n[gate]\noutside = "invalid"\n'
    status, out, _ = run(marks, "--fault", "distorting")
    assert (status, out.splitlines()[0]) == (3, "▒ INVALID")
    assert "fails" not in out
