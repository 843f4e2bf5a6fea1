"""What holds of every cause and every symptom, so that a new one is a row and nothing else."""

import re

import numpy as np
import pytest

from linecheck.causes.findings import COARSE, EVERYTHING, GROUPS
from linecheck.causes.naming import cause_codes, prior_odds
from linecheck.causes.registry import causes, symptoms
from linecheck.causes.symptom import ALWAYS, LEAK, MOSTLY, OFTEN
from linecheck.causes.weigh import NONE, Seen, weigh
from linecheck.checks import kinds
from linecheck.registry import NAME
from linecheck.run.causes import NONE_OF_THESE

CHANNELS = ("left", "right")
GROUP_NAMES = {group for of_kind in GROUPS.values() for group in of_kind.values()} | {
    EVERYTHING,
    COARSE,
    "capture",
}


def seen_of(shown, channel=None):
    """Return what is seen where these symptoms, and no others, are there for sure."""
    keys, surely, leaks, weights = [], [], [], []
    for name, symptom in symptoms().items():
        for where in (None,) if symptom.of_pair else CHANNELS:
            keys.append((name, where))
            surely.append(float(name in shown and (channel is None or where in (None, channel))))
            leaks.append(symptom.leak)
            weights.append(1.0 if symptom.of_pair else 2**-0.5)
    return Seen(tuple(keys), np.array(surely), np.array(leaks), np.array(weights))


@pytest.mark.parametrize("name", causes())
def test_a_cause_says_what_it_is_and_what_to_do(name):
    cause = causes()[name]
    assert NAME.fullmatch(name)
    for text in (cause.text, cause.act, cause.measure):
        assert text
        assert text == text.strip()
        assert not text.endswith(".")
        assert not re.search(r"\{(?!where\})", text)
        assert text[0].islower() or text.startswith("USB")
    assert cause.blames
    assert cause.weight > 0.0
    assert set(cause.touches) <= GROUP_NAMES
    assert cause.touches
    assert all(LEAK <= often <= ALWAYS for often in cause.shows.values())
    assert max(cause.shows.values()) >= OFTEN, "nothing speaks for it"
    assert ("{where}" in cause.text) == (cause.scope != "unit") or cause.scope == "either"


@pytest.mark.parametrize("name", causes())
def test_a_cause_that_shows_what_it_often_shows_is_among_the_first(name):
    cause = causes()[name]
    shown = {symptom for symptom, often in cause.shows.items() if often >= OFTEN}
    channel = "right" if cause.scope == "channel" else None
    found = weigh(seen_of(shown, channel), causes(), CHANNELS)
    ranks = [entry.names for entry in found[:3]]
    assert (name,) in ranks, [(entry.names, round(entry.probability, 2)) for entry in found[:4]]


def test_odds_sum_to_one_with_that_of_none():
    assert sum(prior_odds().values()) == pytest.approx(1.0)
    assert set(prior_odds()) == set(cause_codes())
    assert NONE_OF_THESE in cause_codes()
    found = weigh(seen_of(set()), causes(), CHANNELS)
    assert sum(entry.probability for entry in found) == pytest.approx(1.0)


def test_what_nothing_known_shows_is_told_as_unknown():
    odd = {
        "no_pre_ringing",
        "jitter_at_mains",
        "noise_flicker",
        "crosstalk_climbs",
        "delayed",
        "offset",
        "repeated",
    }
    found = weigh(seen_of(odd), causes(), CHANNELS)
    assert found[0].causes == NONE


def test_what_speaks_against_every_known_cause_is_told_as_unknown():
    """A notch is as deep as a tone control may cut; that it is narrow is what no tone control does."""
    shown = {"flatness_out", "response_other", "corner_off"}
    assert weigh(seen_of(shown), causes(), CHANNELS)[0].names == ("loudness",)
    assert weigh(seen_of(shown | {"response_local"}), causes(), CHANNELS)[0].causes == NONE


def test_two_faults_of_different_parts_are_told_as_two():
    one, other = causes()["ground_loop"], causes()["jitter_other_clock"]
    shown = {name for cause in (one, other) for name, often in cause.shows.items() if often >= MOSTLY}
    shown |= {"ratios_low", "between_tones_out", "side_lines"}
    found = weigh(seen_of(shown), causes(), CHANNELS)
    assert set(found[0].names) == {"ground_loop", "jitter_other_clock"}


def test_every_metric_of_every_kind_has_a_group_or_the_kind_has_one_for_all():
    for name, kind in kinds().items():
        assert name in GROUPS, name
        for spec in kind.specs:
            assert spec.name in GROUPS[name] or "*" in GROUPS[name], (name, spec.name)


def test_every_symptom_speaks_for_something():
    spoken = {name for cause in causes().values() for name in cause.shows}
    silent = set(symptoms()) - spoken
    # These speak for a fault that is not in the catalogue.
    assert silent <= {"response_local", "noise_hump", "noise_in_bursts"}
