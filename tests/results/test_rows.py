"""Rows of a run: the channel that comes off worst, and margins in widths of their masks."""

import math

import pytest
from made_runs import made_check, made_curve, made_reading, made_run
from small_run import small_check, small_limits

from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import Verdict
from linecheck.results.rows import by_verdict, rows_of, unjudged_counts


def row_of(item, mask):
    """Return the row of a judged item under a mask."""
    limits = small_limits(small_check("tone", "tone", {item.measured.metric: mask}))
    (row,) = rows_of(made_run(made_check(item), limits=limits))
    return row


@pytest.mark.parametrize(
    ("mask", "judged", "widths"),
    [
        # From one pass limit to the other where there are two: 4 V, 0.1 V inside of 0.2 V.
        (
            Mask(Bounds(3.9, 4.1)),
            {"value": 4.0, "margin": 0.1, "limit": 3.9, "fail_limit": 3.9, "side": "min"},
            0.5,
        ),
        (
            Mask(Bounds(3.9, 4.1), Bounds(3.8, 4.2)),
            {"value": 4.2, "margin": -0.1, "limit": 4.1, "side": "max"},
            -0.5,
        ),
        # The marginal zone of a one-sided mask.
        (Mask(Bounds(112.0), Bounds(108.0)), {"value": 113.0, "margin": 1.0}, 0.25),
        (Mask(Bounds(112.0), Bounds(108.0)), {"value": 105.3, "margin": -6.7}, -1.675),
        # The limit itself where there is no such zone; one of zero has no size of its own.
        (Mask(Bounds(None, 0.5)), {"margin": 0.1, "limit": 0.5, "fail_limit": None, "side": "max"}, 0.2),
        (Mask(Bounds(None, 0.0)), {"margin": 0.1, "limit": 0.0, "fail_limit": None, "side": "max"}, 0.1),
        # Nor has a pass limit at the fail limit a zone.
        (Mask(Bounds(100.0), Bounds(100.0)), {"margin": 1.0, "limit": 100.0, "fail_limit": 100.0}, 0.01),
        (Mask(Bounds(112.0)), {"margin": None}, math.inf),
    ],
)
def test_a_margin_is_told_in_widths_of_its_mask(mask, judged, widths):
    assert row_of(made_reading(**judged), mask).nearness == pytest.approx(widths)


def test_a_curves_mask_is_as_wide_as_it_is_at_its_worst_place():
    # Over the logarithm of frequency the upper limit is halfway between its corners at 1 kHz.
    mask = Mask(Bounds(-130.0, ((100.0, -120.0), (10_000.0, -110.0))))
    worst = {"worst_x": 1000.0, "worst_y": -129.0, "margin": 1.0, "limit": -130.0, "side": "min"}
    assert row_of(made_curve(**worst), mask).nearness == pytest.approx(1.0 / 15.0)


def test_the_worst_channel_speaks_for_its_row_and_the_worst_verdict_comes_first():
    checks = [
        made_check(made_reading(), made_reading(verdict, 105.0, channel="right"), name=verdict.value)
        for verdict in (Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL)
    ]
    rows = by_verdict(rows_of(made_run(*checks)))
    assert [row.verdict for row in rows] == [Verdict.FAIL, Verdict.MARGINAL, Verdict.PASS]
    assert [row.worst[0] for row in rows] == ["right"] * 3


def test_what_could_not_be_measured_is_counted_apart():
    missing = made_reading(None, None, metric="snr", margin=None)
    rows = rows_of(
        made_run(made_check(made_reading(), made_reading(None, 3.0, metric="thd"), missing, made_curve(None)))
    )
    assert unjudged_counts(rows) == (2, 1)
