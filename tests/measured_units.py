"""Units with readings of their own in a log: SINAD in both channels, THD, and a spectrum with its points."""

from datetime import UTC, datetime, timedelta

import numpy as np
from made_runs import made_check, made_run
from small_run import small_check, small_limits

from linecheck.checks.base import Curve, Reading
from linecheck.limits.decision import judge_curve, judge_reading
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import JudgedReading, Verdict
from linecheck.log import Log

BEGIN = datetime(2026, 11, 2, 6, 0, tzinfo=UTC)
MASKS = {
    "sinad": Mask(Bounds(112.0), Bounds(108.0)),
    "thd": Mask(Bounds(None, -110.0), Bounds(None, -105.0)),
    "spectrum": Mask(Bounds(None, ((20.0, -110.0), (20000.0, -110.0)))),
}
LIMITS = small_limits(small_check("tone", "tone", MASKS))
X = np.geomspace(20.0, 20000.0, 60)


def read(metric, value, channel="left", *, is_bound=False, uncertainty=0.05):
    """Return a judged reading; None is one that was not measured."""
    if value is None:
        return JudgedReading(Reading(metric, channel, None, "dB", None), Verdict.INVALID)
    better = "less" if metric == "thd" else "more"
    reading = Reading(metric, channel, float(value), "dB", uncertainty, is_bound=is_bound)
    return judge_reading(MASKS[metric], reading, "simple", better)


def spectrum(y, channel="left"):
    """Return a judged spectrum."""
    curve = Curve("spectrum", channel, X, "Hz", np.asarray(y, float), "dB", 5.0, np.full(len(X), 0.1))
    return judge_curve(MASKS["spectrum"], curve, True, "simple")


def unit(serial, *items, at=0, **facts):
    """Return a run of one unit, so many minutes after the first."""
    when = BEGIN + timedelta(minutes=at)
    return made_run(
        made_check(*items),
        serial=serial,
        started=when,
        finished=when + timedelta(seconds=20),
        limits=LIMITS,
        **facts,
    )


def file_text(sinad="{pass: {min: 112}, fail: {min: 108}}"):
    """Return the limit file of these units, as its author wrote it."""
    return f"""# Limits of a unit that is tested briefly.
format: 1
model: pellow-r3
revision: 4
channels: [left, right]
serial_pattern: "PR3-[0-9]{{6}}"
decision: simple
checks:
  tone:
    kind: tone
    stimulus: {{seconds: 0.25}}
    masks:
      sinad: {sinad}   # what the data sheet says
      thd: {{pass: {{max: -110}}, fail: {{max: -105}}}}
      spectrum: {{pass: {{max: [[20, -110], [20000, -110]]}}}}
"""


def log_of(path, runs):
    """Write runs into a log."""
    with Log(path) as log:
        for run in runs:
            log.append(run)
    return str(path)
