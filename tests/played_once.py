"""Runs of simulated units, shared: what was made, simulated or measured once is not made again.

Stimuli, the simulated interfaces and the measurement of a capture give equal results for equal arguments, bit for bit
(``tests/station/test_every_interface.py``, ``tests/captures``), so that tests of what is *done* with runs lose nothing.
Tests of the simulation or of readings do not use this.
"""

import threading
from collections import OrderedDict

from linecheck.audio.file import samples_sha256
from linecheck.measure import measure
from linecheck.run import plan
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.loop import SimulatedLoop
from linecheck.station.self_check import plays
from linecheck.station.self_check import run as self_check

#: Captures that are kept: about 2 MB each.
MAX_CAPTURES = 300


class _Kept:
    """What a function returned, by its arguments; the least recently used go first."""

    def __init__(self, most):
        self._most, self._kept, self._lock = most, OrderedDict(), threading.Lock()

    def get(self, key, make):
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        made = make()
        with self._lock:
            self._kept[key] = made
            if len(self._kept) > self._most:
                self._kept.popitem(last=False)
        return made


_stimuli, _captures, _measured = _Kept(MAX_CAPTURES), _Kept(MAX_CAPTURES), _Kept(10 * MAX_CAPTURES)


def _making(make):
    def made(kind, parameters, channels, ramp_seconds):
        key = (repr((kind, parameters)), channels, ramp_seconds)
        return _stimuli.get(key, lambda: make(kind, parameters, channels, ramp_seconds))

    return made


def _playing(play):
    def played(self, check, stimulus):
        key = (repr(sorted(vars(self).items())), check, stimulus.rate_hz, samples_sha256(stimulus.samples))
        number = self._plays + 1
        capture = _captures.get(key, lambda: play(self, check, stimulus))
        self._plays = number
        return capture

    return played


def _measuring(take):
    def taken(analysis):
        check, capture = analysis.check, analysis.capture
        of_check = (check.name, check.kind, check.stimulus, check.analysis, check.masks)
        of_capture = (
            capture.rate_hz,
            capture.full_scale_volts,
            capture.bits,
            capture.mains_hz,
            capture.events,
        )
        of_run = (
            analysis.channels,
            analysis.reference,
            analysis.volts_uncertainty,
            analysis.driven,
            analysis.loop,
        )
        key = repr((of_check, of_capture, samples_sha256(capture.samples), of_run))
        return _measured.get(key, lambda: take(analysis))

    return taken


def share(monkeypatch):
    """Share stimuli, captures and measurements from here to the test's end with every other test that does so."""
    making = _making(plan.made_stimulus)
    for module in (plan, plays):
        monkeypatch.setattr(module, "made_stimulus", making)
    for interface in (SimulatedInterface, SimulatedLoop):
        monkeypatch.setattr(interface, "play", _playing(interface.play))
    taking = _measuring(measure.take_measurement)
    for module in (measure, self_check):
        monkeypatch.setattr(module, "take_measurement", taking)
