"""What belongs together is counted once, and nothing that differs is lost."""

from dataclasses import replace
from fnmatch import filter as matching

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_comparisons import made_comparison, made_side

from linecheck.checks import kinds
from linecheck.checks.base import Curve, Reading
from linecheck.cli.display.comparison import show_comparison
from linecheck.history.comparison.findings import find
from linecheck.history.comparison.model import ComparedCurve, ComparedValue, CurveDifference, Difference
from linecheck.history.comparison.topics import TOPICS, grouped

ANALYSIS = {"reconstruction": {"image_tones_hz": [19000.0, 20000.0]}}
#: As a slow filter in place of a sharp one differs (kind, metric: from, to).
SLOW_FILTER = {
    ("reconstruction", "corner_3db"): (21700.0, 20100.0),
    ("reconstruction", "corner_6db"): (22050.0, 22030.0),
    ("reconstruction", "response_10k"): (0.0, -0.1),
    ("reconstruction", "response_15k"): (0.0, -0.6),
    ("reconstruction", "response_17k"): (0.0, -1.2),
    ("reconstruction", "response_18k"): (0.0, -1.7),
    ("reconstruction", "response_19k"): (0.0, -2.4),
    ("reconstruction", "response_20k"): (0.0, -3.1),
    ("response", "flatness"): (0.0, 3.1),
    ("reconstruction", "stopband_attenuation"): (118.0, 79.0),
}


def value(kind, metric, base, new, channel="left", uncertainty=1e-3):
    spec = next(spec for spec in kinds()[kind].metrics if spec.name == metric)
    readings = tuple(Reading(metric, channel, each, spec.unit, uncertainty) for each in (base, new))
    way = {"away": abs(new) - abs(base)}.get(spec.difference.worse or "")
    way = {"less": new - base, "more": base - new}.get(spec.better) if way is None else way
    return ComparedValue(
        check=kind,
        kind=kind,
        metric=metric,
        text=spec.text,
        channel=channel,
        unit=spec.unit,
        better=spec.better,
        readings=readings,
        verdicts=(None, None),
        differences=(Difference(new - base, uncertainty, new != base, way),),
    )


def comparison(differing, *curves):
    values = tuple(value(*name, *ends) for name, ends in differing.items())
    sides = (made_side("A"), made_side("B"))
    return made_comparison(
        *sides, values=values, curves=curves, findings=find(sides, values, curves, ANALYSIS)
    )


def test_a_roll_off_is_one_finding_and_what_follows_from_it_is_counted():
    (group,) = grouped(comparison(SLOW_FILTER))
    assert group.brief == "rolls off earlier: −3 dB at 20.1 kHz instead of 21.7 kHz, 3.10 dB down at 20 kHz"
    assert group.text == f"{group.brief}, stop band 39 dB shallower, at −79 dB"
    assert (group.topic, group.worse, group.more, len(group.members)) == ("roll-off", True, 7, 10)


def test_the_screen_has_it_as_one_line_and_each_finding_on_demand(capsys):
    compared = comparison(SLOW_FILTER)
    show_comparison(compared, everything=False)
    short = capsys.readouterr().out.split("\n\n")[1].splitlines()
    assert short[0].startswith(f"1 real difference ({len(compared.findings)} findings), of ")
    assert short[1].startswith("  worse   B: rolls off earlier: −3 dB at 20.1 kHz instead of 21.7 kHz")
    assert short[1].endswith("; and 7 more values that follow from it")
    assert short[2:] == ["  (--all lists every finding)"]
    show_comparison(compared, everything=True)
    whole = capsys.readouterr().out.split("\n\n")[1].splitlines()
    assert len(whole) == 2 + len(compared.findings)
    assert sum("at 18 kHz" in line for line in whole) == 1


def test_the_same_the_other_way_is_better_and_rolls_off_later():
    (group,) = grouped(comparison({name: ends[::-1] for name, ends in SLOW_FILTER.items()}))
    assert group.worse is False
    assert group.brief.startswith("rolls off later: −3 dB at 21.7 kHz instead of 20.1 kHz, 0.00 dB")


def test_a_sum_is_told_with_the_part_that_accounts_for_it_and_alone_where_none_does():
    hum = {
        ("tone", "hum"): (-130.0, -70.0),
        ("tone", "noise"): (-116.0, -70.0),
        ("tone", "sinad"): (113.0, 70.0),
    }
    (group,) = grouped(comparison(hum))
    assert (group.topic, group.more) == ("hum", 1)
    small = {**hum, ("tone", "hum"): (-130.0, -125.0)}
    assert [(group.topic, len(group.members)) for group in grouped(comparison(small))] == [
        ("noise", 2),
        ("hum", 1),
    ]
    (alone,) = grouped(comparison({("tone", "sinad"): (113.0, 70.0)}))
    assert alone.text == "SINAD 43.0 dB lower, 70.0 dB"


def test_one_topic_that_goes_both_ways_is_two_groups_and_the_worse_is_first():
    both = {("tone", "harmonic_2"): (-120.0, -125.0), ("tone", "harmonic_3"): (-120.0, -100.0)}
    found = grouped(comparison(both))
    assert [(group.worse, group.brief) for group in found] == [
        (True, "harmonic 3 20.0 dB higher, −100.0 dB"),
        (False, "harmonic 2 5.0 dB lower, −125.0 dB"),
    ]


def test_channels_are_told_and_checks_with_one_metric_are_told_once():
    same = {("tone", "dc_offset"): (0.1, 0.4)}
    made = comparison(same)
    other = replace(made.values[0], check="treble_tone")
    values = (made.values[0], replace(made.values[0], channel="right", differences=other.differences), other)
    found = find(made.sides, values, (), ANALYSIS)
    (group,) = grouped(replace(made, values=values, findings=found))
    assert group.more == 1
    assert group.text.count("direct voltage") == 1


def test_a_finding_without_its_values_is_not_lost():
    made = made_comparison()
    (group,) = grouped(made)
    assert group.text == made.findings[0].text.removesuffix(" against sharp")
    assert (group.worse, group.more) == (True, 0)


def test_an_unknown_kind_is_a_topic_of_its_own():
    old = replace(value("tone", "sinad", 113.0, 70.0), kind="gone", check="gone", metric="of_old")
    (group,) = grouped(replace(made_comparison(), values=(old,), findings=()))
    assert (group.topic, group.members) == ("gone", (("gone", "of_old"),))
    assert group.text == f"{old.text} differs"


NAMES = [
    (kind, spec.name)
    for kind, found in kinds().items()
    for spec in found.metrics
    if not spec.difference.is_place
]


@given(st.lists(st.sampled_from(NAMES), unique=True, max_size=20), st.data())
def test_every_difference_is_in_one_group_for_each_way_and_every_finding_is_told(names, data):
    ends = {name: data.draw(st.sampled_from([(1.0, 50.0), (50.0, 1.0)])) for name in names}
    made = comparison(ends)
    found = grouped(made)
    members = [key for group in found for key in group.members]
    assert sorted(members) == sorted(
        {(kind, metric) for kind, metric in names if not superseded(kind, metric, names)}
    )
    assert {finding.text for finding in made.findings} == {
        one.text for group in found for one in group.findings
    }
    assert all(0 <= group.more < len(group.members) or not group.more for group in found)


def superseded(kind, metric, names):
    spec = next(spec for spec in kinds()[kind].metrics if spec.name == metric)
    return spec.superseded_by is not None and (kind, spec.superseded_by.name) in names


@pytest.mark.parametrize("topic", TOPICS, ids=lambda topic: topic.name)
def test_what_a_topic_names_is_there(topic):
    known = {f"{kind}.{spec.name}" for kind, found in kinds().items() for spec in found.specs}
    assert [pattern for pattern in (*topic.shown_by, *topic.follows) if not matching(known, pattern)] == []


def test_an_impulse_is_told_in_words():
    t = np.linspace(-2.0, 2.0, 401)
    pulse = np.sinc(10.0 * t)
    curves = tuple(Curve("impulse", "left", t, "ms", sign * pulse, "") for sign in (1.0, -1.0))
    item = ComparedCurve(
        check="reconstruction", kind="reconstruction", metric="impulse", text="impulse response", channel="left",
        unit="", better="nominal", x_unit="ms", log_x=False, curves=curves,
        differences=(CurveDifference(-2.0, 1e-3, True, None, "", 0.0, -1.0, 1.0),),
    )  # fmt: skip
    (group,) = grouped(comparison({}, item))
    assert group.text == "impulse response: inverted"
