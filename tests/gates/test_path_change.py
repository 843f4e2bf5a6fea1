"""A self-check beside the last one that was met: what moved in a path that nobody says was changed."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from linecheck.gates.path_change import AS_BEFORE, compared_with_last
from linecheck.gates.statements import SELF_CHECK
from linecheck.log import Log
from linecheck.station.self_check.result import MET, NOT_MET, Measured, SelfCheck, step

NOW = datetime(2026, 11, 29, 7, 10, tzinfo=UTC)


def check(gain=0.018, edge=0.4757, residue=-100.0, delay=0.0, config="a"):
    steps = (
        step("gain", [Measured("gain", "left", gain, "dB", -0.5, 0.5, 1e-6)], "well", "off"),
        step("edge", [Measured("-3 dB", "left", edge, "of the rate", 0.2)], "well", "low"),
        step("images", [Measured("residue", "left", residue, "dB", None, -65.0, 0.4)], "well", "high"),
        step("delay", [Measured("delay", None, delay, "samples", -0.5, 0.5, 1e-5)], "well", "late"),
    )
    facts = {"started": NOW, "finished": NOW, "software": "linecheck", "interface": {}, "rate_hz": 48_000}
    return SelfCheck(
        "bench", "analogue", steps, **facts, station_config_sha256=config, capture_rate_hz=192_000, bits=24
    )


@pytest.fixture
def log(tmp_path):
    with Log(tmp_path / "log.sqlite") as opened:
        yield opened


def stated(log, found):
    beside = compared_with_last(found, log)
    log.state(SELF_CHECK, beside.station, beside.content())
    return beside


def last_step(found):
    return next((each for each in found.steps if each.name == AS_BEFORE), None)


def test_the_first_check_has_nothing_beside_it_and_the_next_one_has(log):
    assert last_step(stated(log, check())) is None
    second = stated(log, check(gain=0.03, residue=-108.0))
    assert last_step(second).verdict == MET
    assert second.verdict == MET


@pytest.mark.parametrize(
    ("moved", "told"),
    [
        # PulseAudio's volume at 99 % is 60 log10(0.99) = -0.26 dB.
        ({"gain": 0.018 - 0.26}, "change of gain left by -0.26 dB"),
        ({"edge": 0.2297}, "change of -3 dB left by -0.246 of the rate"),
        ({"residue": -85.0}, "change of residue left by +15 dB"),
        ({"delay": 0.3}, "change of delay by +0.3 samples"),
    ],
)
def test_what_is_within_its_limits_and_has_moved_is_named_until_it_is_put_back_or_said(log, moved, told):
    stated(log, check())
    for _ in range(2):
        found = stated(log, check(**moved))
        assert (found.verdict, last_step(found).verdict) == (NOT_MET, NOT_MET)
        assert last_step(found).sentence == f"not as in record 1: {told}"
    assert stated(log, check()).verdict == MET
    assert stated(log, check(**moved, config="b")).verdict == MET, (
        "a config that was changed says what is meant"
    )


def test_a_check_that_was_not_met_is_nothing_to_go_by(log):
    stated(log, replace(check(gain=0.9)))
    assert last_step(stated(log, check())) is None


def test_what_somebody_has_put_into_a_statement_is_no_number(log):
    content = check().content()
    content["steps"] = [
        {"name": "gain", "measured": [{"what": "gain", "channel": "left", "value": "a lot"}]},
        {"name": "edge", "measured": None},
        7,
    ]
    log.state(SELF_CHECK, "bench", content)
    assert last_step(compared_with_last(check(), log)) is None
