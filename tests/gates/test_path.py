"""What becomes of units by what the newest self-check found of the station's path."""

from dataclasses import replace

import pytest
from small_run import small_check, small_limits

from linecheck.gates.gatekeeper import Gatekeeper
from linecheck.gates.path import CODE, path_standing
from linecheck.gates.statements import SELF_CHECK
from linecheck.limits.model import Bounds, Mask
from linecheck.log import Log
from linecheck.station.config.loop import LoopConfig
from linecheck.station.config.station import Station, StationConfig

FIGURES = {"gain": 0.0, "level": -1.0, "distortion": -130.0, "noise_with_tone": -105.0}
LIMITS = small_limits(
    small_check("tone", "tone", {"sinad": Mask(Bounds(100.0)), "thd": Mask(Bounds(max=-90.0))})
)


def station(undecided="tell", kind="analogue"):
    config = StationConfig(
        format=1,
        station="bench",
        interface="simulated",
        mains_hz=50,
        loop=LoopConfig(kind=kind, undecided=undecided),
    )
    return Station(config, "station.toml", "57" * 32)


def content(**changed):
    """Return what a self-check states, with these figures changed; None leaves one out."""
    figures = {name: value for name, value in (FIGURES | changed).items() if value is not None}
    entry = {
        name: [{"value": value, "uncertainty": 0.01, "is_bound": False}] * 2
        for name, value in figures.items()
    }
    return {"verdict": "met", "rate_hz": 48_000, "path": entry, "steps": []}


@pytest.fixture
def log(tmp_path):
    with Log(tmp_path / "log.sqlite") as opened:
        yield opened


def standing(log, undecided, said=None):
    """Return what becomes of units after a self-check, if there was one."""
    of = station(undecided)
    if said is not None:
        log.state(SELF_CHECK, "bench", said)
    return Gatekeeper(log, of, LIMITS).standing().path


def test_a_mask_that_the_path_can_hardly_decide_is_named_in_every_run(log):
    found = standing(log, "tell", content())
    (note,) = found.problems
    assert (note.code, note.blocks, found.refusal, found.parts) == (CODE, False, None, {})
    assert (
        "(self-check, record 1) can barely decide, or cannot decide, tone sinad: `linecheck station check"
        in note.message
    )
    assert standing(log, "tell", content(noise_with_tone=-130.0)).problems == ()


def test_by_the_config_no_unit_is_tested_by_it(log):
    assert "tests no unit by them" in standing(log, "refuse", content()).refusal
    gate = Gatekeeper(log, station("refuse"), LIMITS).admission("PR3-000001")
    assert "PR3-000001 is not tested: the station's own path" in gate.refusal
    assert standing(log, "refuse", content(noise_with_tone=-130.0)).refusal is None
    not_measured = standing(log, "refuse", content(noise_with_tone=None)).refusal
    assert "tone sinad" in not_measured, "what could not be measured decides nothing"


def test_by_the_config_decisions_are_widened_by_the_paths_part(log):
    found = standing(log, "widen", content())
    assert found.refusal is None
    assert set(found.parts["tone"]) == {(name, side) for name in ("sinad", "thd") for side in LIMITS.channels}
    assert "the guarded rule judges them" in found.problems[0].message
    gate = Gatekeeper(log, station("widen"), LIMITS).admission("PR3-000001")
    assert gate.path == found.parts
    # A path that could decide all enters all the same: that little is told by the uncertainty alone.
    quiet = standing(log, "widen", content(noise_with_tone=-130.0))
    assert (quiet.problems, set(quiet.parts)) == ((), {"tone"})


@pytest.mark.parametrize("said", [None, {"verdict": "met", "steps": []}, content() | {"rate_hz": "x"}])
def test_what_nothing_is_known_of_is_no_reason_to_test(log, said):
    assert standing(log, "tell", said).problems == ()
    for undecided in ("refuse", "widen"):
        with_nothing = standing(log, undecided)
        assert f'loop.undecided = "{undecided}"' in with_nothing.refusal
        assert "run `linecheck station check`" in with_nothing.refusal


def test_a_new_self_check_counts_at_once(log):
    log.state(SELF_CHECK, "bench", content())
    keeper = Gatekeeper(log, station("refuse"), LIMITS)
    assert keeper.standing().path.refusal is not None
    log.state(SELF_CHECK, "bench", content(noise_with_tone=-130.0))
    assert keeper.standing().path.refusal is None


def test_a_digital_loop_and_a_station_without_one_say_nothing_of_it():
    for config in (
        station("refuse", kind="digital").config,
        station().config.model_copy(update={"loop": None}),
    ):
        assert path_standing(config, LIMITS, None) == replace(
            path_standing(config, LIMITS, None), refusal=None
        )
        assert path_standing(config, LIMITS, None).problems == ()
