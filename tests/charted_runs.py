"""Runs with one metric each, so that a log of hundreds is made in a moment."""

import numpy as np
from made_runs import made_check, made_reading, made_run

from linecheck.limits.verdict import Verdict

STATION = "line-1"


def charted(value, serial, *, verdict=None, is_bound=False, check="tone", **facts):
    """Return a run of a unit with this SINAD; None was not measured."""
    if value is None:
        return made_run(made_check(made_reading(Verdict.INVALID, None), name=check), serial=serial, **facts)
    word = verdict or (Verdict.PASS if value >= 112.0 else Verdict.FAIL)
    reading = made_reading(word, float(value))
    if is_bound:
        reading = type(reading)(
            type(reading.reading)("sinad", "left", float(value), "dB", 0.03, is_bound=True),
            word,
            margin=reading.margin,
            limit=112.0,
            fail_limit=108.0,
            side="min",
        )
    facts = {"station": STATION, "software": "linecheck 0.1.0", **facts}
    return made_run(made_check(reading, name=check), serial=serial, **facts)


def units(values, first=0, **facts):
    """Return a run of a unit each."""
    return [charted(value, f"PR3-{first + number:06d}", **facts) for number, value in enumerate(values)]


def steady(count, seed=1, centre=115.0, sigma=0.2):
    """Return values that do not move."""
    return centre + sigma * np.random.default_rng(seed).standard_normal(count)
