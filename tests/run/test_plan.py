"""What is refused before anything is played, and the order of playing."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_run import small_check, small_limits

from linecheck.errors import UsageError
from linecheck.limits.model import Bounds, Mask
from linecheck.run.plan import check_serial, make_plan, playing_order
from linecheck.station.config.station import StationConfig
from linecheck.station.planning import station_plan


def station(**tables):
    facts = {"format": 1, "station": "bench", "interface": "simulated", "mains_hz": 50}
    return StationConfig.model_validate({**facts, **tables})


def named(text):
    """Return checks from ``name`` or ``name>reference``, separated by spaces."""
    entries = [entry.partition(">") for entry in text.split()]
    return [
        small_check(name, "quiet" if other else "tone", None, other or None) for name, _, other in entries
    ]


@pytest.mark.parametrize(
    ("given_order", "played"),
    [("a b c", "a b c"), ("a>c b c", "c a b"), ("a>b b>c c d", "c b a d"), ("a>missing b", "a b")],
)
def test_a_check_is_played_after_the_one_that_it_refers_to(given_order, played):
    assert [check.name for check in playing_order(named(given_order))] == played.split()


@given(st.lists(st.integers(0, 7), min_size=1, max_size=8))
def test_every_check_is_played_once_whatever_refers_to_what(references):
    checks = named(" ".join(f"c{number}>c{other}" for number, other in enumerate(references)))
    order = [check.name for check in playing_order(checks)]
    assert sorted(order) == sorted(check.name for check in checks)


def test_a_stimulus_above_the_stations_level_is_refused_with_every_other_refusal():
    limits = small_limits(
        small_check("loud", "tone", level_dbfs=0.0),
        small_check("soft", "tone", level_dbfs=-30.0),
        small_check("louder", "tone", level_dbfs=-19.9),
    )
    with pytest.raises(UsageError) as caught:
        station_plan(limits, station(protection={"highest_level_dbfs": -20.0}))
    assert "check loud peaks at 0.00 dBFS" in str(caught.value)
    assert "check louder" in str(caught.value)
    assert "check soft" not in str(caught.value)
    assert station_plan(limits, station()).seconds > 0.75


def test_the_samples_themselves_are_held_to_the_level_not_only_what_the_kind_says():
    # A comb's peaks lie well above its rms level, which is what a wiring check's level_dbfs states.
    limits = small_limits(small_check("wiring", "wiring", level_dbfs=-20.0))
    with pytest.raises(UsageError, match="check wiring peaks at"):
        station_plan(limits, station(protection={"highest_level_dbfs": -20.0}))


@pytest.mark.parametrize("bits", [8, 16, 24])
def test_dither_does_not_count_as_a_higher_level(bits):
    limits = small_limits(small_check("tone", "tone", level_dbfs=-6.0, bits=bits))
    plan = station_plan(limits, station(protection={"highest_level_dbfs": -6.0}))
    assert plan.checks[0].stimulus.bits == bits


def test_a_rate_that_the_station_does_not_play_is_refused():
    limits = small_limits(small_check("tone", "tone", rate_hz=96_000))
    with pytest.raises(UsageError, match="check tone plays at 96000 Hz, station bench at 44100, 48000 Hz"):
        station_plan(limits, station(playback={"rates_hz": [44_100, 48_000]}))


def test_other_numbers_of_channels_are_refused():
    tables = {"playback": {"channels": [1, 2, 3]}, "capture": {"full_scale_volts": [8.0]}}
    with pytest.raises(UsageError) as caught:
        station_plan(small_limits(), station(**tables))
    assert "playback.channels of station bench has 3" in str(caught.value)
    assert "capture.full_scale_volts of station bench has 1" in str(caught.value)


def test_the_guarded_rule_needs_to_know_how_well_the_volts_are_known():
    in_volts = {"level": Mask(Bounds(3.9, 4.1)), "sinad": Mask(Bounds(100.0))}
    limits = replace(small_limits(small_check("tone", "tone", in_volts)), decision="guarded")
    with pytest.raises(UsageError, match=r"judges volts \(tone\.level\), .*calibration\.uncertainty_percent"):
        station_plan(limits, station())
    stated = station(calibration={"uncertainty_percent": 0.0})
    assert station_plan(limits, stated).checks
    assert station_plan(replace(limits, decision="simple"), station()).checks
    of_ratios = small_limits(small_check("tone", "tone", {"sinad": Mask(Bounds(100.0))}))
    assert station_plan(replace(of_ratios, decision="guarded"), station()).checks


def test_the_ramp_is_the_stations():
    def first_frames(**tables):
        return abs(station_plan(small_limits(), station(**tables)).checks[0].stimulus.samples[:400]).max()

    slow, fast = ({"protection": {"ramp_seconds": seconds}} for seconds in (0.5, 0.002))
    assert first_frames(**slow) < 0.01 * first_frames(**fast)


@pytest.mark.parametrize(
    "serial",
    [
        "",
        "PR3-00471",
        "PR3-0047111",
        " PR3-004711",
        "PR3-004711\n",
        "PR3-004711\x1d",
        "PR3-00471\u0661",
        "../PR3-004711",
        "PR3-004711/..",
        "PR3'; DROP TABLE runs",
        '"PR3-004711"',
        "PR3-004711\\",
        "..",
        "P" * 65,
        "<b>PR3</b>",
    ],
)
def test_a_serial_that_is_not_of_the_model_is_refused_and_shown_harmlessly(serial):
    with pytest.raises(UsageError) as caught:
        check_serial(serial, small_limits())
    assert str(caught.value).isascii()
    assert str(caught.value).isprintable()


def test_a_pattern_cannot_let_through_what_no_path_may_have():
    import dataclasses

    limits = dataclasses.replace(small_limits(), serial_pattern=r"[A-Z0-9/\\ .]{1,12}")
    for serial in ("A/B", "A\\B", "..", "."):
        with pytest.raises(UsageError, match="no serial number may have"):
            check_serial(serial, limits)
    assert check_serial("A 7.1", limits) == "A 7.1"


def test_one_setup_plays_in_the_order_of_the_file_on_a_station_too():
    checks = [replace(check, setup={"filter": "sharp"}) for check in named("a>c b c d")]
    plan = station_plan(small_limits(*checks), station())
    assert [one.check.name for one in plan.checks] == ["c", "a", "b", "d"]


def test_a_station_sets_the_unit_once_for_each_setup_and_keeps_references_within_one():
    setups = {"a": "slow", "b": "sharp", "c": "slow", "d": "sharp"}
    checks = [replace(check, setup={"filter": setups[check.name]}) for check in named("a>c b c d")]
    limits = small_limits(*checks)
    assert [one.check.name for one in station_plan(limits, station()).checks] == ["c", "a", "b", "d"]
    assert [one.check.name for one in make_plan(limits).checks] == ["c", "a", "b", "d"]
    apart = small_limits(checks[1], checks[0], checks[3], checks[2])
    assert [one.check.name for one in station_plan(apart, station()).checks] == ["b", "d", "c", "a"]
    assert [one.check.name for one in make_plan(apart).checks] == ["b", "c", "a", "d"]
