"""Captures of one unit compared pair by pair: noise raises no alarm, and twice a margin is found."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import pytest
from small_run import simulated, small_check, small_limits

from linecheck.history.baseline.accept import accept_runs
from linecheck.history.baseline.file import Baseline
from linecheck.history.baseline.regression import compare_outcome
from linecheck.limits.verdict import Verdict
from linecheck.measure.executors import InlineExecutor
from linecheck.run.plan import make_plan
from linecheck.station.runner import RunFacts, run_unit

MARGINS = {
    "tone": {
        "level": 0.02,
        "clock_error": 1.0,
        "sinad": 0.6,
        "thd": 0.6,
        "noise": 0.6,
        "dc_offset": 0.1,
        "spectrum": 15.0,
    },
    "low_level_tone": {"dynamic_range": 0.6, "spectrum": 15.0},
    "quiet": {"noise": 0.5, "snr": 0.6},
}
CHECKS = [
    replace(small_check(name, name, reference="tone" if name == "quiet" else None), regression=margins)
    for name, margins in MARGINS.items()
]
LIMITS = small_limits(*CHECKS)
#: Every metric above by twice its margin; white noise of the unit is all but 0.6 dB of what is captured.
TWICE = {
    "channel_gain_db": (-0.0874, -0.1174),
    "clock_ppm": 14.0,
    "noise_db": -115.93,
    "harmonics_db": (-116.8, -118.3, -128.8, -124.8),
    "dc_offset_mv": (0.805, -0.195),
}
#: A whistle between the harmonics, 30 dB above what is there.
WHISTLE = {"added_lines": ((7500.0, -108.0),)}
CHANGED = 2


def captured(count, seed, **unit):
    plan = make_plan(LIMITS)
    with InlineExecutor() as executor:
        return [
            run_unit(plan, RunFacts("PR3-004711"), simulated(seed=seed + number, **unit), executor).outcome
            for number in range(count)
        ]


def baseline(run):
    file = accept_runs([run], by="A", reason="r", on=run.started, software="linecheck").file
    return Baseline("baseline.toml", "0" * 64, file)


@pytest.fixture(scope="module", params=[7, pytest.param(14, marks=pytest.mark.soak)])
def runs(request):
    """Captures of one unit, each with the baseline that it makes."""
    return [(run, baseline(run)) for run in captured(request.param, 1000)]


def test_no_pair_raises_an_alarm(runs):
    # By noise alone one pair in 200 has an alarm (alarm_sigmas): one in ten of 21 pairs, with these seeds none.
    pairs = list(combinations(runs, 2))
    verdicts = [{entry.verdict for entry in compare_outcome(new, old)} for (_, old), (new, _) in pairs]
    assert sum(Verdict.FAIL in found for found in verdicts) == 0
    assert sum(Verdict.INVALID in found for found in verdicts) <= 1


def worse_in_every_pair(runs, changed):
    """What is worse of every changed run against every baseline."""
    alarms = [
        {(entry.check, entry.metric) for entry in compare_outcome(new, old) if entry.verdict is Verdict.FAIL}
        for _, old in runs
        for new in changed
    ]
    return set.intersection(*alarms)


def test_twice_every_margin_is_found_in_every_pair(runs):
    worse = worse_in_every_pair(runs, captured(CHANGED, 2000, **TWICE))
    expected = {(name, metric) for name, metrics in MARGINS.items() for metric in metrics}
    assert worse >= {(name, metric) for name, metric in expected if metric != "spectrum"}


def test_a_whistle_is_found_in_every_pair(runs):
    worse = worse_in_every_pair(runs, captured(CHANGED, 3000, **WHISTLE))
    assert worse >= {("tone", "spectrum"), ("low_level_tone", "spectrum")}
