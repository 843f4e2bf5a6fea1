"""The captures of a run on their way to verdicts, beside the playing.

A check that refers to another waits for that one's readings, also where that one is played later; playing never waits.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, wait
from dataclasses import dataclass, field, replace

import numpy as np

from linecheck.checks.base import Capture, Measurement, Problem, Reference, Stimulus
from linecheck.limits.decision import judge_measurement
from linecheck.limits.model import Check, LimitFile
from linecheck.limits.verdict import JudgedMeasurement
from linecheck.measure.measure import Analysed, Analysis, analyse, failure_problem, reference_from, unmeasured
from linecheck.measure.path_part import PathParts
from linecheck.measure.silence import LoopCheck
from linecheck.run.model import CheckOutcome
from linecheck.run.plan import PlannedCheck

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())


@dataclass(frozen=True)
class Captured:
    """A check that was played, its capture, and how long that took."""

    planned: PlannedCheck
    capture: Capture
    seconds: float

    @property
    def check(self) -> Check:
        """The check."""
        return self.planned.check


@dataclass
class Analyses:
    """Hands captures to an executor and collects what they come to.

    Parameters
    ----------
    executor : Executor
    limits : LimitFile
    keep : callable
        Called with each outcome as soon as it is known, from whatever thread the executor calls back.
    volts_uncertainty : float or None
        Relative standard uncertainty of the captures' full scale in volts; None where nobody states it.
    path : mapping of str to PathParts
        By check: what of the station's path enters its readings and widens their decisions.
    expected : set of str
        The checks still to come; a check that refers to one of them waits for it.
    loop : LoopCheck
        What is known of the station's own path.
    outcomes : dict
        By check: what is judged.
    """

    executor: Executor
    limits: LimitFile
    keep: Callable[[CheckOutcome], None]
    volts_uncertainty: float | None
    path: Mapping[str, PathParts]
    expected: set[str]
    loop: LoopCheck
    outcomes: dict[str, CheckOutcome] = field(default_factory=dict)
    _waiting: list[Captured] = field(default_factory=list)
    _running: dict[str, tuple[Captured, Future[Analysed]]] = field(default_factory=dict)

    def add(self, captured: Captured) -> None:
        """Take a capture."""
        self.expected.discard(captured.check.name)
        self._waiting.append(captured)
        self.advance()

    def leave_out(self, planned: PlannedCheck, problem: Problem | None = None) -> None:
        """Hear that a check will not be captured; with a problem it has an outcome all the same."""
        self.expected.discard(planned.check.name)
        if problem is not None:
            check = planned.check
            judged = self._judged(check, unmeasured(check, self.limits.channels, problem))
            outcome = CheckOutcome(check.name, check.kind.name, check.setup, judged, 0.0)
            self.outcomes[outcome.check] = outcome
            self.keep(outcome)
        self.advance()

    def advance(self) -> None:
        """Collect what is done and start what can be started, without waiting."""
        for name, (captured, future) in list(self._running.items()):
            if future.done():
                self._collect(captured, future)
                del self._running[name]
        for captured in list(self._waiting):
            needed = captured.check.reference
            held = needed in self._running or needed in self.expected
            if not held and all(item.check.name != needed for item in self._waiting):
                self._start(captured)
                self._waiting.remove(captured)

    def finish(self) -> None:
        """Wait until everything that was taken is judged; nothing more comes."""
        self.expected.clear()
        self.advance()
        while self._running:
            wait([future for _, future in self._running.values()], return_when=FIRST_COMPLETED)
            self.advance()

    def give_up(self) -> None:
        """Keep what is done and leave the rest."""
        self._waiting.clear()
        for _, future in self._running.values():
            future.cancel()
        self.advance()
        self._running.clear()

    def _start(self, captured: Captured) -> None:
        analysis = Analysis(
            check=captured.check,
            capture=captured.capture,
            channels=self.limits.channels,
            decision=self.limits.decision,
            reference=referred(self.limits, self.outcomes, captured.check.reference),
            volts_uncertainty=self.volts_uncertainty,
            path=self.path.get(captured.check.name, {}),
            driven=driven(captured.planned.stimulus),
            loop=self.loop,
        )
        try:
            future = self.executor.submit(analyse, analysis)
        except RuntimeError as error:  # the executor's worker is gone, or it was shut down
            future = Future()
            future.set_exception(error)
        self._running[captured.check.name] = (captured, future)
        future.add_done_callback(lambda done: self._keep_done(captured, done))

    def _keep_done(self, captured: Captured, done: Future[Analysed]) -> None:
        """Keep what an analysis came to at once: playing takes seconds until it is collected."""
        if not done.cancelled() and done.exception() is None:
            self.keep(_outcome(captured, done.result()))

    def _collect(self, captured: Captured, future: Future[Analysed]) -> None:
        try:
            analysed = future.result()
        except CancelledError:
            return
        except Exception as error:
            _log.exception("check %s could not be analysed", captured.check.name)
            failed = Measurement(problems=(failure_problem(error),))
            analysed = Analysed(self._judged(captured.check, failed), 0.0, "")
        self.outcomes[captured.check.name] = _outcome(captured, analysed)

    def _judged(self, check: Check, measurement: Measurement) -> JudgedMeasurement:
        return judge_measurement(check, measurement, self.limits.decision, self.limits.channels)


def referred(limits: LimitFile, outcomes: Mapping[str, CheckOutcome], name: str | None) -> Reference | None:
    """Return what a check may refer to in another, by that one's name; without values where it was not measured."""
    if name is None:
        return None
    if name in outcomes:
        (stimulus,) = (check.stimulus for check in limits.checks if check.name == name)
        found = reference_from(name, outcomes[name].judged, limits.channels)
        return replace(found, stimulus=stimulus)
    unknown = (None,) * len(limits.channels)
    return Reference(name, unknown, unknown)


def driven(stimulus: Stimulus) -> tuple[float, ...]:
    """Return the mean square of a stimulus in each channel, full scale 1."""
    return tuple(float(np.mean(np.square(values * 2.0**-31))) for values in stimulus.samples.T)


def _outcome(captured: Captured, analysed: Analysed) -> CheckOutcome:
    return CheckOutcome(
        check=captured.check.name,
        kind=captured.check.kind.name,
        setup=captured.check.setup,
        judged=analysed.judged,
        seconds=captured.seconds + analysed.seconds,
        stimulus_sha256=captured.planned.stimulus_sha256,
        capture_sha256=analysed.capture_sha256 or None,
    )
