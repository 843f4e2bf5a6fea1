"""What a run comes to: never a pass where anything that is judged was not measured."""

import pytest
from made_runs import made_check, made_reading, made_run

from linecheck.checks.base import Problem
from linecheck.limits.verdict import Verdict
from linecheck.run.model import HOLD

PASSES = made_check(made_reading())
FAILS = made_check(made_reading(Verdict.FAIL, 100.0))


@pytest.mark.parametrize(
    ("checks", "changes", "verdict"),
    [
        ((PASSES,), {}, Verdict.PASS),
        ((PASSES,), {"missing": ("quiet",)}, Verdict.INVALID),
        ((PASSES,), {"station_failed": True}, Verdict.INVALID),
        ((PASSES,), {"problems": (Problem("station_gate", "no golden unit"),)}, Verdict.INVALID),
        ((PASSES,), {"problems": (Problem("note", "well", blocks=False),)}, Verdict.PASS),
        ((PASSES,), {"aborted": True}, Verdict.ABORTED),
        ((FAILS,), {"missing": ("quiet",), "station_failed": True}, Verdict.FAIL),
        ((FAILS,), {"aborted": True}, Verdict.ABORTED),
        ((), {}, Verdict.INVALID),
    ],
)
def test_what_was_not_measured_is_never_a_pass(checks, changes, verdict):
    assert made_run(**{"checks": checks, **changes}).verdict is verdict


def test_a_pass_that_does_not_release_its_unit_is_a_hold():
    assert made_run(PASSES, released=False).state == HOLD
    assert made_run(PASSES, problems=(Problem("not_released", "needs two", blocks=False),)).held
    assert made_run(FAILS, released=False).state == Verdict.FAIL
    assert made_run(PASSES, released=True).state == Verdict.PASS


def test_a_run_that_was_aborted_after_a_fail_counts_as_one():
    assert made_run(FAILS, aborted=True).stopped_after_fail
    assert made_run(PASSES, aborted=True, problems=(Problem("unkept_fail", "full"),)).stopped_after_fail
    assert not made_run(PASSES, aborted=True).stopped_after_fail
    assert not made_run(FAILS).stopped_after_fail
