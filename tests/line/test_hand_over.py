"""Results are handed over beside the units that are tested, and none of these waits for it."""

import sys

from forked import until
from small_run import STATION

from linecheck.errors import ExitStatus
from linecheck.line.events import HandedOver, HandOverFailed, Note, VerdictKnown
from linecheck.line.hand_over import handing_over
from linecheck.line.scan import Scan, scan_units
from linecheck.line.unit_trace import UnitFacts

SERIAL = "PR3-000001"


def test_units_are_tested_while_a_command_is_at_work(at_work, tmp_path):
    """The command ends only once the second unit has its verdict."""
    (tmp_path / "wait.py").write_text(
        "import os, time\nwhile not os.path.exists('second'): time.sleep(0.01)\nprint('done')\n"
    )
    station = STATION + f'[after]\ncommand = "{sys.executable} wait.py"\ntimeout_seconds = 600\n'
    scans = [Scan("PR3-000001", 0.0), Scan("PR3-000002", 100.0)]
    with (
        at_work(station=station) as (session, heard),
        handing_over(session.log, session.station.config, heard.append, one_unit=False) as beside,
    ):

        def next_scan():
            beside.look()
            return scans.pop(0) if scans else None

        assert scan_units(session, UnitFacts(), next_scan) is ExitStatus.PASS
        verdicts = [event.serial for event in heard if isinstance(event, VerdictKnown)]
        assert verdicts == ["PR3-000001", "PR3-000002"]
        assert not [event for event in heard if isinstance(event, HandedOver)]
        (tmp_path / "second").touch()
    assert [(event.serial, event.tries) for event in heard if isinstance(event, HandedOver)] == [
        ("PR3-000001", 1),
        ("PR3-000002", 1),
    ]


def test_a_failure_is_told_once_in_a_session_and_tried_again_by_itself(at_work, tmp_path):
    (tmp_path / "print.sh").write_text("test -e paper\n")
    with (
        at_work(station=STATION + '[after]\ncommand = "sh print.sh"\nretry_seconds = 0.1\n') as (
            session,
            heard,
        ),
        handing_over(session.log, session.station.config, heard.append, one_unit=False) as beside,
    ):
        assert session.test(SERIAL, UnitFacts()).status is ExitStatus.PASS
        beside.look()
        until(lambda: session.log.outbox()[0].tries >= 3)
        (tmp_path / "paper").touch()
        until(lambda: session.log.outbox() == ())
        until(lambda: len(beside._events) == 2)
        failed, done = beside.said()
    assert (type(failed), type(done), done.tries >= 3) == (HandOverFailed, HandedOver, True)
    assert not [event for event in heard if isinstance(event, HandOverFailed | Note)]
