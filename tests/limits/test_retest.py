"""How often a unit may be tested, and what releases it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.errors import FileFaults
from linecheck.limits.loading.load import load_limits
from linecheck.limits.retest import Attempt, RetestPolicy, Standing, refusal, rule_broken, standing
from linecheck.limits.verdict import Verdict

POLICY = RetestPolicy(
    most_attempts=3,
    most_invalid=2,
    passes_after_fail=2,
    reasons=("reseated", "repaired"),
    fresh_start=("repaired",),
    overrides=("engineering",),
)
PASS, MARGINAL, FAIL = Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL
INVALID, ABORTED = Verdict.INVALID, Verdict.ABORTED
attempts = st.lists(
    st.builds(Attempt, st.sampled_from(list(Verdict)), st.sampled_from([None, "reseated", "repaired"])),
    max_size=12,
)


def after(*verdicts, policy=POLICY):
    return standing(policy, [Attempt(verdict) for verdict in verdicts])


def test_a_unit_that_was_never_tested_may_be():
    untested = after()
    assert not untested.tested
    assert refusal(POLICY, untested, None) is None
    assert rule_broken(POLICY, untested, None) is None
    assert untested.passes_missing(POLICY) == 1


def test_a_first_pass_releases():
    assert after(PASS).passes_missing(POLICY) == 0
    assert after(MARGINAL).passes_missing(POLICY) == 0
    assert after(INVALID, PASS).passes_missing(POLICY) == 0


def test_a_unit_that_failed_needs_two_passes_in_a_row():
    assert after(FAIL).passes_missing(POLICY) == 2
    assert after(FAIL, PASS).passes_missing(POLICY) == 1
    assert after(FAIL, PASS, INVALID, PASS).passes_missing(POLICY) == 0
    assert after(FAIL, PASS, FAIL, PASS).passes_missing(POLICY) == 1
    assert after(PASS, FAIL, PASS).passes_missing(POLICY) == 1
    assert after(FAIL, PASS, policy=RetestPolicy()).passes_missing(RetestPolicy()) == 0


def test_the_ceilings():
    assert rule_broken(POLICY, after(FAIL, FAIL), "reseated") is None
    assert rule_broken(POLICY, after(FAIL, FAIL, FAIL), "reseated") == (
        "it has had 3 of 3 attempts (retest.most_attempts)"
    )
    assert rule_broken(POLICY, after(INVALID, FAIL, ABORTED), "reseated") == (
        "2 of its runs were invalid or aborted; at most 2 may be (retest.most_invalid)"
    )
    assert rule_broken(POLICY, after(FAIL, FAIL, FAIL), "repaired") is None
    assert rule_broken(RetestPolicy(), after(*[FAIL] * 99), None) is None


def test_a_repair_begins_anew():
    runs = [Attempt(FAIL), Attempt(FAIL, "reseated"), Attempt(PASS, "repaired")]
    assert standing(POLICY, runs) == Standing(valid=1, passes_in_row=1)


@pytest.mark.parametrize(
    ("reason", "message"),
    [
        (None, "say why it is tested again, one of reseated, repaired"),
        ("because", "'because' is not a retest reason; the limit file has reseated, repaired"),
        ("reseated", None),
    ],
)
def test_a_repeat_gives_its_reason(reason, message):
    found = refusal(POLICY, after(FAIL), reason)
    assert found is None if message is None else message in found
    assert refusal(RetestPolicy(), after(FAIL), reason) is None


@given(attempts)
def test_no_run_is_free(runs):
    """Each run but a fresh start takes away an attempt or an invalid one: nobody tests without end."""
    for at, run in enumerate(runs):
        before, now = standing(POLICY, runs[:at]), standing(POLICY, runs[: at + 1])
        if run.reason not in POLICY.fresh_start:
            assert now.valid + now.invalid == before.valid + before.invalid + 1
            assert now.has_failed >= before.has_failed


@given(attempts)
def test_a_unit_is_never_released_by_what_is_no_pass(runs):
    now = standing(POLICY, runs)
    judged = [run for run in runs if run.verdict in (PASS, MARGINAL, FAIL)]
    if now.passes_missing(POLICY) == 0:
        assert judged[-1].verdict in (PASS, MARGINAL)
        if now.has_failed:
            assert [run.verdict != FAIL for run in judged[-2:]] == [True, True]


TOP = """format: 1
model: pellow-r3
revision: 1
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
"""
CHECKS = """checks:
  tone: {kind: tone, masks: {sinad: {pass: {min: 100}}}}
"""


def written(tmp_path, retest):
    path = tmp_path / "limits.yaml"
    path.write_text(f"{TOP}retest: {retest}\n{CHECKS}", encoding="utf-8")
    return path


def test_a_limit_file_says_it(tmp_path):
    path = written(
        tmp_path, "{most_attempts: 3, passes_after_fail: 2, reasons: [reseated], fresh_start: [reseated]}"
    )
    assert load_limits(path).retest == RetestPolicy(
        most_attempts=3, passes_after_fail=2, reasons=("reseated",), fresh_start=("reseated",)
    )
    path.write_text(TOP + CHECKS, encoding="utf-8")
    assert load_limits(path).retest is None


@pytest.mark.parametrize(
    ("retest", "place", "message"),
    [
        ("{most_attempts: 0}", "6:25: retest.most_attempts", "at least 1"),
        ("{most_atempts: 3}", "6:10: retest.most_atempts", "most_attempts"),
        ("{fresh_start: [repaired]}", "6:23: retest.fresh_start", "is none of the reasons"),
        ("{reasons: [Re seated]}", "6:20: retest.reasons", ""),
        ("{passes_after_fail: two}", "6:29: retest.passes_after_fail", "whole number"),
        ("3", "6:9: retest", ""),
    ],
)
def test_what_makes_no_sense_is_refused_at_its_place(tmp_path, retest, place, message):
    with pytest.raises(FileFaults) as caught:
        load_limits(written(tmp_path, retest))
    said = [str(fault) for fault in caught.value.faults]
    assert any(place in line and message in line for line in said), said
