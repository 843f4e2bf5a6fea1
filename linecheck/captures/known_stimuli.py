"""The stimuli that captures are judged by: known by length and hash, once made for all sets that a process judges.

A judgement plays nothing. It only has to know whether what was played is what would be played now, and making half
a minute of stimuli at 192 kHz takes a fifth of the time of judging their captures.
"""

from __future__ import annotations

import threading
from collections.abc import Hashable
from dataclasses import dataclass, replace

import numpy as np

from linecheck.checks.base import Stimulus
from linecheck.limits.model import Check, LimitFile
from linecheck.run.plan import Plan, PlannedCheck, make_plan, playing_order

__all__ = ["judging_plan"]

#: More than any line has; a process that goes on for long must not grow.
MAX_KNOWN = 4096

_lock = threading.Lock()
_known: dict[Hashable, _Known] = {}


@dataclass(frozen=True)
class _Known:
    """All that is kept of a stimulus."""

    frames: int
    channels: int
    rate_hz: int
    bits: int
    sha256: str | None

    def planned(self, check: Check) -> PlannedCheck:
        """Return the check with a silent stand-in as long as its stimulus, which takes no memory."""
        samples = np.broadcast_to(np.int32(0), (self.frames, self.channels))
        return PlannedCheck(check, Stimulus(samples, self.rate_hz, self.bits), self.sha256)


def judging_plan(limits: LimitFile, *, ramp_seconds: float) -> Plan:
    """Return the plan that captures are held against, with stimuli that nothing can play.

    Parameters
    ----------
    limits : LimitFile
    ramp_seconds : float
        How long every stimulus took to start and to stop.

    Raises
    ------
    UsageError
        A stimulus cannot be made.
    """
    ordered = playing_order(limits.checks)
    keys = [_key(check, len(limits.channels), ramp_seconds) for check in ordered]
    with _lock:
        found = {key: _known[key] for key in keys if key in _known}
    lacking = {key: check for key, check in zip(keys, ordered, strict=True) if key not in found}
    if lacking:
        found |= _made(limits, lacking, ramp_seconds)
    checks = (found[key].planned(check) for key, check in zip(keys, ordered, strict=True))
    return Plan(limits, tuple(checks))


def _key(check: Check, channels: int, ramp_seconds: float) -> Hashable:
    """Return all that a stimulus depends on."""
    return type(check.kind), check.kind.name, check.stimulus.model_dump_json(), channels, ramp_seconds


def _made(limits: LimitFile, lacking: dict[Hashable, Check], ramp_seconds: float) -> dict[Hashable, _Known]:
    """Make stimuli and keep what has to be known of them."""
    plan = make_plan(replace(limits, checks=tuple(lacking.values())), ramp_seconds=ramp_seconds)
    by_name = {planned.check.name: planned for planned in plan.checks}
    made = {key: _kept(by_name[check.name]) for key, check in lacking.items()}
    with _lock:
        if len(_known) + len(made) > MAX_KNOWN:
            _known.clear()
        _known.update(made)
    return made


def _kept(planned: PlannedCheck) -> _Known:
    stimulus = planned.stimulus
    frames, channels = stimulus.samples.shape
    return _Known(frames, channels, stimulus.rate_hz, stimulus.bits, planned.stimulus_sha256)
