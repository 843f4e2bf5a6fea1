"""Limits proposed from units whose truth is known."""

import math

import numpy as np
import pytest
from measured_units import LIMITS, MASKS, X, log_of, read, spectrum, unit
from repeats import assert_held, repeats
from scipy import stats

from linecheck.limits.bulk import level_of
from linecheck.limits.masks import limit_at
from linecheck.limits.verdict import Verdict
from linecheck.log import RunFilter
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.curve_bands import (
    CurveSet,
    band,
    check_curves,
    deviations,
    propose_curve,
    read_curve_sets,
)
from linecheck.statistics.decisive import JudgedUnits, alike, dominated, judged_units, mask_costs, outcome
from linecheck.statistics.fits import Sample
from linecheck.statistics.propose import Wanted, propose, tolerance_of
from linecheck.statistics.readings import COLUMNS, MetricReadings, count_units, read_metrics
from linecheck.statistics.risks import global_risks, guard_for

REPEATS = repeats(16, 1000)
WANTED = Wanted(0.98, 0.001, 0.001, masks=2)
TONE = LIMITS.checks[0]


def metric(values, name="sinad", channel="left", uncertainty=0.05, bounds=None, **more):
    spec = next(spec for spec in TONE.kind.specs if spec.name == name)
    sample = Sample.of(np.asarray(values, float), bounds, {"more": 1, "less": -1, "nominal": 0}[spec.better])
    facts = {"missing": 0, "void": 0, **more}
    return MetricReadings(
        "tone",
        name,
        channel,
        "dB",
        spec,
        MASKS[name],
        sample,
        False,
        uncertainty=uncertainty,
        within=None,
        **facts,
    )


def assert_told(design, count, made, outside, share, sides, most=0.97):
    """Assert that a tolerance interval holds its share of all units in 95 % of repeats."""
    random = np.random.default_rng(8)
    found = [tolerance_of(made(random), sides, share) for _ in range(count)]
    told = [span for span in found if not isinstance(span, str)]
    assert len(told) >= 0.9 * count
    name = f"tolerance interval, {100 * share:g} % within {'both limits' if all(sides) else 'one limit'}"
    # Of fewer than all a soak still tells as much.
    assert_held(design, {name: [outside(span.low, span.high) <= 1.0 - share for span in told]}, most=most)


@pytest.mark.parametrize("count", REPEATS)
@pytest.mark.parametrize("sides", [(True, False), (True, True)])
@pytest.mark.parametrize("bounded", [False, True])
def test_a_tolerance_interval_holds_its_share_with_its_confidence(bounded, sides, count):
    def made(random):
        values = random.standard_normal(40)
        told = values < (1.0 if bounded else math.inf)
        return Sample.of(values[told], np.full(int(np.sum(~told)), 1.0) if bounded else None, 1)

    design = "40 units, normal" + (", 16 % bounds" if bounded else "")
    assert_told(design, count, made, lambda low, high: stats.norm.cdf(low) + stats.norm.sf(high), 0.99, sides)


@pytest.mark.parametrize("count", REPEATS)
@pytest.mark.parametrize("sides", [(False, True), (True, True)])
def test_order_statistics_hold_any_distribution(sides, count):
    """Two humps: neither a normal nor a skewed fit stands, and 700 units are enough for 99 %.

    Order statistics come in steps: at least as sure as wanted.
    """

    def made(random):
        return Sample.of(np.where(random.random(700) < 0.5, -3.0, 3.0) + 0.3 * random.standard_normal(700))

    def outside(low, high):
        humps = stats.norm(-3.0, 0.3), stats.norm(3.0, 0.3)
        return 0.5 * sum(hump.cdf(low) + hump.sf(high) for hump in humps)

    assert_told("700 units, two humps, order statistics", count, made, outside, 0.99, sides, most=1.0)


@pytest.mark.parametrize("count", REPEATS)
@pytest.mark.parametrize("sides", [(False, True), (True, True)])
def test_a_skewed_tolerance_limit_holds_its_share(sides, count):
    skew = 0.5

    def made(random):
        return Sample.of(np.expm1(skew * random.standard_normal(200)) / skew)

    def outside(low, high):
        at_low = np.log1p(max(skew * low, -1.0 + 1e-12)) / skew
        return stats.norm.cdf(at_low) + stats.norm.sf(np.log1p(skew * high) / skew)

    assert_told(f"200 units, log-normal with g {skew}", count, made, outside, 0.995, sides)


def test_too_few_units_for_any_distribution_is_said():
    values = np.tile([-3.0, 3.0], 50) + 0.1 * np.random.default_rng(1).standard_normal(100)
    found = tolerance_of(Sample.of(values), (False, True), 0.999)
    # ln 0.05 / ln 0.999.
    assert "order statistics takes 2995 units, and there are 100" in found
    assert "8" in tolerance_of(Sample.of(np.arange(5.0)), (True, False), 0.9)


@pytest.mark.parametrize("count", repeats(2, 40))
def test_risks_of_proposed_masks_are_as_predicted(count):
    """A million units made after the proposal: passed and beyond the fail mask, and within it and failed."""
    random = np.random.default_rng(20)
    own, error = 0.4, 0.2
    wanted = Wanted(0.98, 0.002, 0.004, masks=1)
    for _ in range(count):
        measured = 113.0 + own * random.standard_normal(150) + error * random.standard_normal(150)
        (found,) = propose([metric(measured, uncertainty=error)], wanted, {})
        inner, outer = found.mask.pass_.min, found.mask.fail.min
        true = 113.0 + own * random.standard_normal(1_000_000)
        seen = true + error * random.standard_normal(1_000_000)
        consumer = np.mean((true < outer) & (seen >= inner))
        producer = np.mean((true >= outer) & (seen < outer))
        expected = (
            global_risks(113.0, own, error, (outer, math.inf), (inner, math.inf)).consumer,
            global_risks(113.0, own, error, (outer, math.inf), (outer, math.inf)).producer,
        )
        assert (consumer, producer) == pytest.approx(expected, abs=4.0 * math.sqrt(0.004 / 1e6))
        assert np.mean(seen >= inner) >= 0.975


def test_a_guard_is_the_smallest_that_keeps_both_risks():
    wanted = {"consumer": 0.001, "producer": 0.002}
    guard = guard_for(0.0, 1.0, 0.3, (-2.0, 2.0), **wanted)

    def risks(of):
        outer = (-2.0 - of, 2.0 + of)
        return global_risks(0.0, 1.0, 0.3, outer, (-2.0, 2.0)).consumer, global_risks(
            0.0, 1.0, 0.3, outer, outer
        ).producer

    assert risks(guard)[0] <= 0.001 * (1 + 1e-9)
    assert risks(guard)[1] <= 0.002 * (1 + 1e-9)
    inside = risks(guard - 1e-6)
    assert inside[0] > 0.001 or inside[1] > 0.002
    assert guard_for(0.0, 1.0, 0.3, (-9.0, 9.0), **wanted) == 0.0


@pytest.mark.parametrize(("spread", "error"), [(1.0, 0.25), (0.4, 0.4), (1.0, 0.0), (0.0, 0.5)])
def test_global_risks_are_those_of_many_units(spread, error):
    random = np.random.default_rng(3)
    true = 0.1 + spread * random.standard_normal(400_000)
    seen = true + error * random.standard_normal(400_000)
    good, taken = (true >= -1.0) & (true <= 1.2), (seen >= -0.9) & (seen <= 1.0)
    found = global_risks(0.1, spread, error, (-1.0, 1.2), (-0.9, 1.0))
    counted = np.mean(~good & taken), np.mean(good & ~taken), np.mean(good)
    assert (found.consumer, found.producer, found.conforming) == pytest.approx(counted, abs=0.003)


def test_a_mask_holds_all_channels_and_is_rounded_outward():
    z = stats.norm.ppf((np.arange(60) + 0.5) / 60)
    left, right = metric(113.0 + 0.4 * z), metric(112.5 + 0.3 * z, channel="right", missing=3)
    (found,) = propose([left, right], WANTED, {})
    low = min(each.span.low for each in found.channels)
    assert found.mask.pass_.max is None
    assert low - 0.011 <= found.mask.pass_.min <= low
    assert found.mask.fail.min <= found.mask.pass_.min
    assert found.notes == ("right: 3 units are not measured, and in no limit",)


def test_without_an_uncertainty_the_fail_mask_keeps_its_distance():
    z = stats.norm.ppf((np.arange(60) + 0.5) / 60)
    (found,) = propose([metric(113.0 + 0.4 * z, uncertainty=None)], WANTED, {})
    assert found.mask.pass_.min - found.mask.fail.min == pytest.approx(4.0, abs=0.011)
    assert "no uncertainty is known" in found.notes[0]
    (gauged,) = propose([metric(113.0 + 0.4 * z, uncertainty=None)], WANTED, {("tone", "sinad", "left"): 0.2})
    assert 0.0 < gauged.mask.pass_.min - gauged.mask.fail.min < 2.0


def test_failed_units_move_the_limit():
    z = stats.norm.ppf((np.arange(60) + 0.5) / 60)
    (whole,) = propose([metric(113.0 + 0.4 * z)], WANTED, {})
    (with_fails,) = propose([metric(np.append(113.0 + 0.4 * z, [107.0, 107.5]))], WANTED, {})
    # They refute a normal fit, and so few units tell no limit; none that leaves them out is proposed.
    assert whole.mask is not None
    assert with_fails.mask is None or with_fails.mask.pass_.min < whole.mask.pass_.min


def levels(*rows):
    return np.array([[level_of(Verdict(word)) for word in row.split()] for row in rows], np.int8)


KEYS = (("a", "m", "left"), ("a", "m", "right"), ("b", "m", None), ("c", "m", None))


def test_what_masks_cost_and_which_decide():
    after = levels(
        "fail pass fail pass",
        "pass fail fail pass",
        "fail fail fail pass",
        "pass pass fail pass",
        "pass pass pass marginal",
    )
    units = JudgedUnits(KEYS, np.zeros((5, 4)), after, after)
    costs, failed = mask_costs(units, after)
    assert failed == 4
    assert [(cost.check, cost.failed, cost.alone, cost.not_passed) for cost in costs] == [
        ("b", 4, 1, 4),
        ("a", 3, 0, 3),
        ("c", 0, 0, 1),
    ]
    assert dominated(units, after) == [(("a", "m"), ("b", "m"), 3)]


def test_of_two_masks_that_fail_the_same_one_is_named():
    after = levels(*["pass pass fail fail"] * 3)
    assert dominated(JudgedUnits(KEYS, np.zeros((3, 4)), after, after), after) == [
        (("c", "m"), ("b", "m"), 3)
    ]


def test_metrics_that_say_the_same():
    random = np.random.default_rng(2)
    values = random.standard_normal((50, 4))
    values[:, 2] = -3.0 * values[:, 0] + 0.05 * random.standard_normal(50)
    values[::9, 1] = np.nan
    found = list(alike(JudgedUnits(KEYS, values, levels(), levels())))
    assert [(one, other, units) for one, other, _, units in found] == [(KEYS[0], KEYS[2], 50)]
    assert found[0][2] == pytest.approx(np.corrcoef(values[:, 0], values[:, 2])[0, 1])


def opened(tmp_path, runs):
    return open_columns(
        Place(logs=(log_of(tmp_path / "log.sqlite", runs),)), RunFilter(purpose="unit"), columns=COLUMNS
    )


def test_old_units_by_other_masks(tmp_path):
    from linecheck.limits.model import Bounds, Mask

    runs = [
        unit("A", read("sinad", 113.0), read("thd", -120.0)),
        unit("B", read("sinad", 110.0), read("thd", -120.0)),
        unit("C", read("sinad", 100.0), read("thd", -120.0)),
        unit("D", read("sinad", 113.0), read("thd", -120.0, is_bound=True)),
    ]
    with opened(tmp_path, runs) as columns:
        count_units(columns, LIMITS)
        found = judged_units(columns, LIMITS, {("tone", "sinad"): Mask(Bounds(109.0), Bounds(108.0))})
        same = judged_units(columns, LIMITS, {})
    assert outcome(found) == {
        (Verdict.PASS, Verdict.PASS): 2,
        (Verdict.MARGINAL, Verdict.PASS): 1,
        (Verdict.FAIL, Verdict.FAIL): 1,
    }
    assert all(was is now for was, now in outcome(same))


def curves(units, seed=1):
    """Return spectra with a common shift and noise of their own at each point."""
    random = np.random.default_rng(seed)
    slope = -130.0 + 5.0 * np.linspace(0.0, 1.0, len(X))
    return slope + 0.5 * random.standard_normal((units, 1)) + 0.4 * random.standard_normal((units, len(X)))


def curve_set(y, channel="left"):
    return CurveSet(TONE, check_curves(TONE)[0], channel, X, y, 0, 0, 0.1)


@pytest.mark.parametrize("count", repeats(8, 1000))
def test_a_band_holds_whole_curves(count):
    """Of curves made later, at least the share that is wanted lies below the mask as a whole.

    A mask is made of straight lines that lie above the band, and of rounded corners: it is safer than wanted.
    """
    fresh, held = curves(4000, seed=999), []
    for seed in range(count):
        found = propose_curve([curve_set(curves(120, seed))], Wanted(0.95, 0.01, 0.01, masks=1))
        if found.mask is not None:
            limit = limit_at(found.mask.pass_.max, X, True)
            held.append(np.mean(np.all(fresh <= limit, axis=1)) >= 0.95)
    assert len(held) >= 0.9 * count
    assert_held("120 curves of 60 points", {"band, 95 % of whole curves": held}, most=1.0)


@pytest.mark.parametrize("count", repeats(8, 1000))
def test_a_band_without_its_mask_holds_whole_curves_as_often_as_it_says(count):
    """The edge itself, at each point."""
    fresh, held, wanted = curves(4000, seed=999), [], Wanted(0.95, 0.01, 0.01, masks=1)
    for seed in range(count):
        found = band(curve_set(curves(120, seed)), "max", wanted)
        if not isinstance(found, str):
            held.append(np.mean(np.all(fresh <= found[0], axis=1)) >= 0.95)
    assert_held("120 curves of 60 points", {"edge of a band, 95 % of whole curves": held})


def test_deviations_are_from_all_other_curves():
    y = curves(30)
    found, middle, _ = deviations(y, "max")
    others = np.delete(y, 4, axis=0)
    assert found[4] == pytest.approx(
        np.max((y[4] - np.mean(others, axis=0)) / np.std(others, axis=0, ddof=1)), rel=1e-9
    )
    assert middle == pytest.approx(np.mean(y, axis=0))
    assert deviations(-y, "min")[0] == pytest.approx(found)


def test_a_curve_mask_goes_as_far_as_the_present_one(tmp_path):
    y = curves(40)
    runs = [unit(f"U{at:02d}", spectrum(y[at]), read("sinad", 113.0)) for at in range(40)]
    with opened(tmp_path, runs) as columns:
        count_units(columns, LIMITS)
        (found,) = read_curve_sets(columns, LIMITS)
    assert found.y.shape == (40, len(X))
    assert found.uncertainty == pytest.approx(0.1)
    proposal = propose_curve([found], Wanted(0.95, 0.01, 0.01, masks=1))
    corners = proposal.mask.pass_.max
    assert (corners[0][0], corners[-1][0]) == (20.0, 20000.0)
    assert np.all(limit_at(corners, X, True) >= np.max(y, axis=0) - 1.0)
    assert np.all(limit_at(proposal.mask.fail.max, X, True) > limit_at(corners, X, True))


def test_too_few_curves_have_no_band():
    found = propose_curve([curve_set(curves(12))], WANTED)
    assert found.mask is None
    assert "12 curves" in found.why


def test_a_whole_proposal_from_a_log(tmp_path):
    random = np.random.default_rng(7)
    runs = [unit(f"U{at:03d}", read("sinad", 113.0 + 0.4 * random.standard_normal())) for at in range(60)]
    runs[5] = unit("U005", read("sinad", 107.0))
    with opened(tmp_path, runs) as columns:
        counted = count_units(columns, LIMITS)
        found = propose(read_metrics(columns, LIMITS, counted.units), WANTED, {})
    assert counted.units == 60
    # One failed unit is not left out: a normal fit is refuted with it.
    assert [each.metric for each in found] == ["sinad"]
    assert found[0].channels[0].readings.sample.beyond(108.0, None) == 1
