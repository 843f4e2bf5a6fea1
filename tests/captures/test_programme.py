"""Test programmes: what they play is what a run plays, behind marks, and known by a number of its own."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from recorded_programme import short_limits
from small_run import small_check, small_limits

from linecheck.captures.changed_stimulus import stimulus_changes, with_stimulus
from linecheck.captures.programme.programme import check_names, make_programme
from linecheck.dsp.locating.marks import MARK_SECONDS
from linecheck.errors import UsageError
from linecheck.limits.loading.load import load_limits
from linecheck.limits.loading.measurable import never_judged
from linecheck.limits.model import Bounds, Mask
from linecheck.run.plan import make_plan

DEMO = load_limits("limits/pellow-r3.yaml")


def test_the_stimuli_are_those_of_a_run_and_all_between_them_and_marks_is_digital_silence():
    limits = short_limits(bits=24)
    programme = make_programme(limits)
    plan = make_plan(limits)
    whole = np.concatenate(list(programme.blocks()))
    assert len(whole) == programme.frames()
    placed = programme.layout()
    assert [entry.segment.name for entry in placed] == [planned.check.name for planned in plan.checks]
    silent = np.ones(len(whole), dtype=bool)
    silent[: round(2.0 * programme.rate_hz)] = False
    for entry, planned in zip(placed, plan.checks, strict=True):
        np.testing.assert_array_equal(whole[entry.start : entry.stop], planned.stimulus.samples)
        mark = whole[entry.mark : entry.mark + round(MARK_SECONDS * programme.rate_hz)]
        assert 0.09 < np.max(np.abs(mark.astype(float))) * 2.0**-31 <= 0.1001
        assert not np.array_equal(mark[:, 0], mark[:, 1])
        silent[entry.mark : entry.mark + len(mark) + 2] = False
        silent[entry.start : entry.stop] = False
    assert not np.any(whole[silent])
    gaps = [(after.mark - before.stop) / programme.rate_hz for before, after in itertools.pairwise(placed)]
    assert min(gaps) >= 0.5
    # Less than the 8192 samples of silence after which converters mute by themselves (data sheets of that class).
    assert max(entry.start - entry.mark for entry in placed) - MARK_SECONDS * programme.rate_hz < 8192


def test_the_same_limits_give_the_same_samples_and_what_is_left_out_changes_no_mark_s_number():
    first, second = (make_programme(short_limits()) for _ in range(2))
    assert first.ident == second.ident
    for one, other in zip(first.blocks(), second.blocks(), strict=True):
        np.testing.assert_array_equal(one, other)
    kept = first.layout({"tone"})
    assert [entry.segment.number for entry in kept] == [1, 2]
    assert first.frames({"tone"}) < first.frames()


def test_anything_that_is_played_otherwise_is_another_programme():
    quiet, tone, wiring = short_limits().checks
    programmes = {
        "as it is": short_limits(),
        "bits": short_limits(bits=24),
        "rate": short_limits(rate_hz=48_000),
        "name": small_limits(replace(quiet, name="silence"), tone, wiring),
        "level": small_limits(
            quiet, small_check("tone", "tone", bits=16, rate_hz=44_100, level_dbfs=-1.0), wiring
        ),
        "fewer": small_limits(quiet, tone),
        "channels": replace(short_limits(), channels=("left", "right", "centre")),
    }
    idents = {name: make_programme(limits).ident for name, limits in programmes.items()}
    assert len(set(idents.values())) == len(idents)
    masked = small_limits(quiet, replace(tone, masks={"level": Mask(Bounds(1.0))}), wiring)
    assert make_programme(replace(masked, model="pellow-r4")).ident == idents["as it is"]


def test_every_check_of_the_demo_fits_on_a_disc():
    programme = make_programme(DEMO, 44_100, 16)
    assert len(programme.segments) == len(DEMO.checks)
    assert programme.impossible == programme.unjudged == {}
    assert all(segment.planned.stimulus.bits == 16 for segment in programme.segments)
    changes = {
        segment.name: stimulus_changes(check, segment.planned.check)
        for check in DEMO.checks
        for segment in programme.segments
        if segment.name == check.name
    }
    assert set(map(str, changes.values())) == {"{'bits': 16}"}


def test_checks_that_differ_are_refused_until_somebody_says_what_is_meant():
    mixed = small_limits(small_check("a", "tone", rate_hz=44_100), small_check("b", "tone", rate_hz=96_000))
    with pytest.raises(UsageError, match=r"(?s)rate_hz.*--rate.*44100: a.*96000: b"):
        make_programme(mixed)
    assert {s.planned.stimulus.rate_hz for s in make_programme(mixed, 96_000).segments} == {96_000}
    with pytest.raises(UsageError, match="one of 22050, 24000"):
        make_programme(mixed, 44_000)
    with pytest.raises(UsageError, match="8 to 32 bits"):
        make_programme(mixed, 44_100, 4)


def test_what_cannot_be_played_or_judged_at_a_rate_is_known_with_its_reason():
    high = small_check("high", "tone", rate_hz=96_000, frequency_hz=30_000.0)
    multitone = small_check("many", "multitone", rate_hz=96_000, seconds=1.0)
    low = small_check("low", "tone", rate_hz=96_000)
    programme = make_programme(small_limits(high, multitone, low), 32_000, 16)
    assert [segment.name for segment in programme.segments] == ["low"]
    assert "frequency_hz must be below half of rate_hz" in programme.impossible["high"]
    assert "44100" in programme.impossible["many"]
    with pytest.raises(UsageError, match=r"(?s)no check can be played at 32000 Hz and 24 bits.*high: "):
        make_programme(small_limits(high), 32_000)


def test_a_mask_that_nothing_can_meet_any_more_is_named():
    check = small_check("tone", "tone", {"balance": Mask(Bounds(-0.1, 0.1))})
    assert never_judged(check, 2) == []
    assert never_judged(check, 1)[0].startswith("balance can never be measured")
    wide = replace(check, masks={"spectrum": Mask(Bounds(max=((20.0, -60.0), (30_000.0, -60.0))))})
    assert never_judged(wide, 2) == ["spectrum is measured from 20 to 20000, its mask goes further"]


def test_a_parameter_that_a_stimulus_does_not_have_cannot_be_changed():
    check = small_check("tone", "tone")
    assert with_stimulus(check, {}) is check
    with pytest.raises(ValueError, match="has no depth"):
        with_stimulus(check, {"depth": 3})
    with pytest.raises(ValueError, match=r"bits should be less than or equal to 32"):
        with_stimulus(check, {"bits": 64})


def test_names_that_are_to_be_left_out_are_those_of_checks():
    assert check_names(["tone"], short_limits()) == {"tone"}
    with pytest.raises(UsageError, match="did you mean tone"):
        check_names(["tome"], short_limits())
