"""Runs made up by hand, so that what is written of a run is tested without measuring anything."""

import uuid
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from small_run import small_check, small_limits

from linecheck.checks.base import Curve, Problem, Reading
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.recorded import limits_content, recorded_limits
from linecheck.limits.verdict import JudgedCurve, JudgedMeasurement, JudgedReading, Verdict
from linecheck.run.model import CheckOutcome, Run
from linecheck.run.settle import settled

LIMITS = small_limits(
    small_check(
        "tone",
        "tone",
        {
            "sinad": Mask(Bounds(112.0), Bounds(108.0)),
            "spectrum": Mask(Bounds(None, ((20.0, -120.0), (20000.0, -110.0)))),
        },
    )
)


def made_reading(verdict=Verdict.PASS, value=113.2, metric="sinad", channel="left", unit="dB", **judged):
    """Return a judged SINAD; its limits are 112 dB (pass) and 108 dB (fail)."""
    if verdict in (Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL):
        judged = {"margin": value - 112.0, "limit": 112.0, "fail_limit": 108.0, "side": "min", **judged}
    return JudgedReading(
        Reading(metric, channel, value, unit, 0.03 if value is not None else None), verdict, **judged
    )


def made_curve(verdict=Verdict.PASS, points=5, channel="left", uncertainty=None, **judged):
    """Return a judged spectrum whose worst point is its last."""
    x = np.geomspace(20.0, 20000.0, points) if points else np.empty(0)
    y = -130.0 + 0.1234567890123 * np.arange(points)
    if verdict in (Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL):
        worst = {
            "worst_x": float(x[-1]),
            "worst_y": float(y[-1]),
            "margin": 19.5,
            "limit": -110.0,
            "side": "max",
        }
        judged = {**worst, **judged}
    return JudgedCurve(Curve("spectrum", channel, x, "Hz", y, "dB", 5.0, uncertainty), verdict, **judged)


def made_check(*items, name="tone", kind="tone", problems=(), **changes):
    """Return a check of these judged readings and curves."""
    readings = tuple(item for item in items if isinstance(item, JudgedReading))
    curves = tuple(item for item in items if isinstance(item, JudgedCurve))
    check = CheckOutcome(
        check=name,
        kind=kind,
        setup={"input": "usb", "filter": "sharp"},
        judged=JudgedMeasurement(readings, curves, tuple(problems)),
        seconds=1.25,
        stimulus_sha256="5a" * 32,
        capture_sha256="c3" * 32,
    )
    return replace(check, **changes)


def made_run(*checks, **changes):
    """Return a run of these checks; of one that passes where none are given and nothing is missing."""
    if not checks and "checks" not in changes and not changes.get("missing"):
        checks = (made_check(made_reading(), made_reading(channel="right"), made_curve()),)
    run = Run(
        run_id=str(uuid.uuid4()),
        serial="PR3-004711",
        model="pellow-r3",
        firmware="1.4.2",
        operator="A. Operator",
        station="line-2-nest-a",
        limits=LIMITS,
        software="linecheck 0.1.0",
        started=datetime(2026, 11, 20, 8, 15, 0, tzinfo=UTC),
        finished=datetime(2026, 11, 20, 8, 15, 12, 345678, tzinfo=UTC),
        duration_seconds=12.3456,
        checks=checks,
        station_config_sha256="57" * 32,
        calibration={"due": "2027-01-31"},
        interface={"kind": "simulated"},
    )
    return replace(run, **changes)


def recorded_check(name="tone", kind="tone", masks=None, stimulus=None, analysis=None):
    """Return what a record says of a check of the limit file."""
    content = {"name": name, "kind": kind, "setup": {}, "reference": None, "masks": {}}
    content |= {"stimulus": stimulus or {}, "analysis": analysis or {}}
    limits = {**limits_content(LIMITS), "checks": [content]}
    (check,) = recorded_limits(limits, LIMITS).checks
    return replace(check, masks=masks or {})


def with_checks(run, *checks):
    """Return a run whose limit file has these checks."""
    return replace(run, limits=replace(run.limits, checks=checks))


def looked_at(run, source):
    """Return a run as a command looks at it."""
    return replace(settled(run), source=source)


def runs_of_every_verdict():
    """Return a run of every verdict, by verdict."""
    dropout = Problem("dropout", "the sound broke off at 0.31 s", "left")
    return {
        Verdict.PASS: made_run(),
        Verdict.MARGINAL: made_run(made_check(made_reading(Verdict.MARGINAL, 110.0), made_curve())),
        Verdict.FAIL: made_run(
            made_check(made_reading(Verdict.FAIL, 105.3), made_curve(Verdict.FAIL, margin=-3.0))
        ),
        Verdict.INVALID: made_run(made_check(made_reading(Verdict.INVALID, None), problems=(dropout,))),
        Verdict.ABORTED: made_run(aborted=True, missing=("quiet",), checks=(made_check(made_reading()),)),
    }


def large_run(checks=12, points=2000):
    """Return a run as a production line would record it: 60 readings, and 6 curves of ``points``."""
    made = []
    for at in range(checks):
        items = [made_reading(metric=f"harmonic_{n}", value=113.0 + n / 7.0) for n in range(60 // checks)]
        if at < 6:
            items.append(made_curve(points=points))
        made.append(made_check(*items, name=f"check_{at}"))
    return made_run(*made)
