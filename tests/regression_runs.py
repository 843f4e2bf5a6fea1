"""Runs and baselines made up by hand, so that comparisons are tested without measuring anything."""

import re
import uuid
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from made_runs import made_check, made_run
from small_run import small_check, small_limits

from linecheck.checks.base import Curve, Reading
from linecheck.history.baseline.accept import accept_runs
from linecheck.history.baseline.file import Baseline, baseline_bytes, sha256_of
from linecheck.limits.verdict import JudgedCurve, JudgedReading

ACCEPTED = datetime(2026, 11, 20, 8, 15, tzinfo=UTC)
MARGINS = {"tone": {"sinad": 0.5, "level": 0.02, "hum": 2.0, "spectrum": 6.0}, "quiet": {"noise_a": 0.3}}
UNITS = {"level": "V", "noise_a": "µV"}
UNCERTAINTIES = {"level": 1e-4}


def limits_with(margins=None):
    """Return a limit file of these checks; ``margins`` by check."""
    chosen = MARGINS if margins is None else margins
    checks = [replace(small_check(name, name), regression=chosen.get(name, {})) for name in ("tone", "quiet")]
    return small_limits(*checks)


def reading(metric, channel, value, uncertainty=0.03, verdict=None, *, bound=False):
    """Return a judged reading."""
    unit = UNITS.get(metric, "dB")
    return JudgedReading(Reading(metric, channel, value, unit, uncertainty, bound), verdict)


def curve(channel="left", lift=0.0, at=None):
    """Return a judged spectrum, lifted at one frequency or everywhere."""
    x = np.geomspace(20.0, 20_000.0, 400)
    y = -150.0 + (lift if at is None else np.where(np.abs(np.log2(x / at)) < 0.02, lift, 0.0))
    return JudgedCurve(Curve("spectrum", channel, x, "Hz", y + np.zeros(400), "dB", 5.0, np.full(400, 0.3)))


def unit_run(changes=None, *, limits=None, lines=(), without=(), digest=None, **about):
    """Return a run of both checks with usual values, some of them changed, by ``(metric, channel)``."""
    usual = {"sinad": 112.84, "level": 4.0, "hum": -133.5}
    changes = dict(changes or {})

    def made(metric, channel, value):
        found = changes.get((metric, channel), value)
        return (
            found
            if isinstance(found, JudgedReading)
            else reading(metric, channel, found, UNCERTAINTIES.get(metric, 0.03))
        )

    channels = ("left", "right")
    tone = [made(metric, channel, value) for metric, value in usual.items() for channel in channels]
    tone += [dict(lines).get(channel, curve(channel)) for channel in channels]
    quiet = [made("noise_a", channel, 4.55) for channel in channels]
    # No two captures are the same, unless a test says so.
    hashes = [uuid.uuid4().hex * 2 if digest is None else digest for _ in range(2)]
    checks = [
        made_check(*tone, capture_sha256=hashes[0]),
        made_check(*quiet, name="quiet", kind="quiet", capture_sha256=hashes[1]),
    ]
    kept = tuple(check for check in checks if check.check not in without)
    return made_run(checks=kept, limits=limits or limits_with(), missing=tuple(without), **about)


def baseline_of(*runs, path="baselines/pellow-r3.toml", replaced=None, reason="release 1.4.2"):
    """Return the baseline that runs make."""
    file = accept_runs(
        runs, by="A. Engineer", reason=reason, on=ACCEPTED, software="linecheck 0.1.0", replaced=replaced
    ).file
    return Baseline(path, sha256_of(baseline_bytes(file)), file)


def without_digest(text):
    """Return a baseline's text as it was before there were digests."""
    return re.sub(r'(?m)^digest = "[0-9a-f]{64}"\n', "", text)
