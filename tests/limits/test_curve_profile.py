"""Curves in bands: what moves by a bin is no change, what grows by twice the margin is one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.checks.base import Curve
from linecheck.limits.curve_profile import (
    MAX_POINTS,
    Lattice,
    Profile,
    compare_profiles,
    lattice_for,
    profile_of,
)
from linecheck.limits.regression import Answer, alarm_sigmas
from linecheck.limits.verdict import Verdict

BIN_HZ = 5.0
X = np.arange(20.0, 20_000.0 + BIN_HZ, BIN_HZ)
SIGMAS = alarm_sigmas(240)


def noise(seed, freedom=16.0, level=-150.0):
    """A density of noise as it is estimated: powers of few degrees of freedom, in dB."""
    random = np.random.default_rng(seed)
    return level + 10.0 * np.log10(random.gamma(freedom / 2.0, 2.0 / freedom, len(X)))


def spectrum(y, freedom=16.0, lines=()):
    """A spectrum with lines at (frequency, level), each of which is known to 0.1 dB."""
    y, known = np.array(y), np.full(len(y), 4.343 * np.sqrt(2.0 / freedom))
    for frequency, level in lines:
        at = int(np.argmin(np.abs(X - frequency)))
        y[at], known[at] = level, 0.1
    return Curve("spectrum", "left", X, "Hz", y, "dB", BIN_HZ, known)


def profile(curve, better="less", log_x=True):
    return profile_of(curve, lattice_for(curve, log_x=log_x, better=better), better)


def compared(new, base, better="less", margin=6.0, log_x=True):
    lattice = lattice_for(base, log_x=log_x, better=better)
    return compare_profiles(
        profile_of(new, lattice, better), profile_of(base, lattice, better), better, margin, SIGMAS
    )


def test_a_curve_is_unchanged_against_itself():
    curve = spectrum(noise(1), lines=[(1000.0, -110.0)])
    change = compared(curve, curve)
    assert (change.answer, change.verdict) == (Answer.UNCHANGED, Verdict.PASS)
    assert change.worse_by <= 0.0
    assert change.bands == len(np.unique(np.floor(12.0 * np.log2(X / 1000.0) + 0.5)))


@pytest.mark.parametrize("shift", [-1, 1])
@pytest.mark.parametrize("edge", [1029.302, 1090.508, 5132.66, 17961.0])
def test_a_line_that_crosses_the_edge_of_a_band_by_a_bin_is_no_change(edge, shift):
    near = BIN_HZ * np.round(edge / BIN_HZ)
    base = spectrum(noise(2), lines=[(near, -110.0)])
    new = spectrum(noise(3), lines=[(near + shift * BIN_HZ, -110.0)])
    assert compared(new, base).answer is Answer.UNCHANGED


@pytest.mark.parametrize("frequency", [50.0, 1000.0, 9137.0, 19_990.0])
def test_a_new_line_is_worse_and_its_place_is_named(frequency):
    base = spectrum(noise(4))
    new = spectrum(noise(5), lines=[(frequency, -125.0)])
    change = compared(new, base)
    assert (change.answer, change.verdict) == (Answer.WORSE, Verdict.FAIL)
    assert change.x == pytest.approx(frequency, abs=BIN_HZ)
    assert change.value == -125.0
    back = compared(base, new)
    assert (back.answer, back.verdict) == (Answer.BETTER, Verdict.PASS)
    assert back.worse_by < -6.0


def test_more_is_the_mirror_image_of_less():
    base, new = spectrum(noise(4)), spectrum(noise(5), lines=[(3000.0, -125.0)])
    mirrored = [replace(curve, y=-curve.y) for curve in (new, base)]
    less, more = compared(new, base), compared(*mirrored, better="more")
    assert (less.answer, less.worse_by, less.x) == (more.answer, more.worse_by, more.x)


def smooth(lift=0.0, bump=0.0, at=1000.0):
    """A response that falls at 20 kHz, with a bump of a tenth of an octave."""
    x = np.geomspace(20.0, 20_000.0, 240)
    y = lift - 3.0 / (1.0 + (20_000.0 / x) ** 8) + bump * np.exp(-((np.log2(x / at) / 0.1) ** 2))
    return Curve("response", "left", x, "Hz", y, "dB", None, np.full(len(x), 0.001))


@pytest.mark.parametrize(
    ("new", "base"),
    [
        (smooth(lift=0.2), smooth()),
        (smooth(lift=-0.2), smooth()),
        (smooth(bump=0.3), smooth()),
        (smooth(bump=-0.3), smooth()),
        (smooth(), smooth(bump=0.3)),
        (smooth(), smooth(bump=-0.3)),
        (smooth(bump=0.3, at=1200.0), smooth(bump=0.3)),
    ],
)
def test_any_change_of_what_is_best_nominal_is_worse(new, base):
    change = compared(new, base, better="nominal", margin=0.1)
    assert (change.answer, change.verdict) == (Answer.WORSE, Verdict.FAIL)
    assert change.worse_by == pytest.approx(0.25, abs=0.1)


@pytest.mark.parametrize("new", [smooth(lift=0.05), smooth(lift=-0.05), smooth(bump=0.05)])
def test_a_small_change_of_it_is_none(new):
    assert compared(new, smooth(), better="nominal", margin=0.1).answer is Answer.UNCHANGED


def test_steps_over_another_axis_than_frequency():
    levels = np.arange(-120.0, 1.0, 5.0)
    known = np.full(len(levels), 0.01)
    base = Curve("gain_error", "left", levels, "dBFS", np.zeros(25), "dB", None, known)
    new = replace(base, y=np.where(levels == -90.0, 0.4, 0.0))
    change = compared(new, base, better="nominal", margin=0.1, log_x=False)
    assert (change.answer, change.x, change.worse_by) == (Answer.WORSE, -90.0, pytest.approx(0.4))
    assert change.bands == 50


def test_what_drowns_in_noise_cannot_be_told():
    change = compared(spectrum(noise(7, 2.0), 2.0), spectrum(noise(8, 2.0), 2.0), margin=1.0)
    assert (change.answer, change.verdict) == (Answer.CANNOT_TELL, Verdict.INVALID)
    assert change.compared < change.bands / 2


def test_a_line_is_found_also_where_most_else_drowns():
    change = compared(
        spectrum(noise(7, 2.0), 2.0, [(1000.0, -90.0)]), spectrum(noise(8, 2.0), 2.0), margin=1.0
    )
    assert (change.answer, change.x) == (Answer.WORSE, 1000.0)


def test_bands_that_only_one_side_has_are_counted():
    whole = spectrum(noise(9))
    inside = X <= 9000.0
    half = replace(whole, x=X[inside], y=whole.y[inside], uncertainty=whole.uncertainty[inside])
    lost, grown = compared(half, whole, margin=8.0), compared(whole, half, margin=8.0)
    bands, both = profile(whole).comparisons, profile(half).comparisons
    assert (lost.answer, lost.verdict) == (Answer.CANNOT_TELL, Verdict.INVALID)
    assert lost.absent == bands - both
    assert grown.answer is Answer.UNCHANGED
    assert (lost.bands, grown.bands) == (bands, bands)
    assert max(lost.compared, grown.compared) <= both < bands


def test_a_place_beside_a_strong_line_does_not_count_as_compared():
    """There the line's own movement hides as much as it stands out by."""
    quiet = spectrum(noise(9))
    beside = spectrum(noise(9), lines=[(1030.0, -100.0)])
    assert compared(quiet, quiet).compared - 1 == compared(beside, beside).compared


@pytest.mark.parametrize(
    "curve",
    [
        replace(spectrum(noise(9)), x=np.empty(0), y=np.empty(0), uncertainty=None),
        replace(spectrum(noise(9)), uncertainty=None),
    ],
)
def test_what_was_not_measured_or_has_no_uncertainty_cannot_be_told(curve):
    base = profile(spectrum(noise(9)))
    change = compare_profiles(
        profile_of(curve, base.lattice, "less"), base, "less", margin=3.0, sigmas=SIGMAS
    )
    assert (change.answer, change.verdict, change.compared) == (Answer.CANNOT_TELL, Verdict.INVALID, 0)


def test_curves_without_a_band_in_common_cannot_be_told():
    curve = spectrum(noise(9))
    low, high = (
        replace(curve, x=X[part], y=curve.y[part], uncertainty=curve.uncertainty[part])
        for part in (X < 1000.0, X > 2000.0)
    )
    assert compared(low, high).verdict is Verdict.INVALID


def test_noise_alone_raises_no_alarm():
    """Densities of 4 degrees of freedom, which scatter in dB with heavy tails; the margin is as good as none."""
    alarms = 0
    base = profile(spectrum(noise(100, 4.0), 4.0))
    for seed in range(101, 401):
        new = profile(spectrum(noise(seed, 4.0), 4.0))
        alarms += compare_profiles(new, base, "less", 1e-6, SIGMAS).answer is Answer.WORSE
        base = new
    assert alarms <= 3


def test_the_stated_uncertainty_of_a_band_is_not_less_than_its_spread():
    profiles = [profile(spectrum(noise(seed, 8.0), 8.0)) for seed in range(80)]
    spread = np.std([one.inner[0] for one in profiles], axis=0, ddof=1)
    stated = np.mean([one.uncertainty[0] for one in profiles], axis=0)
    assert np.mean(spread**2) <= np.mean(stated**2)
    assert np.mean(stated**2) <= 4.0 * np.mean(spread**2)


@given(
    st.lists(st.floats(1.0, 1e5), min_size=2, max_size=300, unique=True),
    st.sampled_from(["more", "less", "nominal"]),
    st.booleans(),
    st.integers(0, 1000),
)
def test_a_profile_is_small_and_has_the_worst_of_everything(places, better, log_x, seed):
    x = np.sort(np.array(places))
    random = np.random.default_rng(seed)
    curve = Curve(
        "c", None, x, "Hz", random.normal(0.0, 30.0, len(x)), "dB", 1.0, random.uniform(0.1, 2.0, len(x))
    )
    found = profile(curve, better, log_x)
    assert isinstance(found, Profile)
    assert found.comparisons <= MAX_POINTS
    assert np.all(np.diff(found.keys) > 0)
    if better != "more":
        assert found.inner[-1].max() == curve.y.max()
        assert np.all(found.outer[-1] >= found.inner[-1])
    if better != "less":
        assert found.inner[0].min() == curve.y.min()
        assert np.all(found.outer[0] <= found.inner[0])
    assert np.array_equal(found.lattice.keys(found.lattice.centre(found.keys)), found.keys)
    again = compare_profiles(found, found, better, 1.0, SIGMAS)
    assert again.answer in (Answer.UNCHANGED, Answer.CANNOT_TELL)


def test_bands_lie_where_they_always_lie():
    """A twelfth of an octave around 1 kHz, as the preferred frequencies of IEC 61260-1 do with base 2."""
    lattice = Lattice(per_octave=12)
    assert lattice.keys(np.array([997.0, 1000.0, 1029.0, 1030.0, 500.0])).tolist() == [0, 0, 0, 1, -12]
    assert lattice.centre(np.array([12])).tolist() == [2000.0]
