"""What a run will play, in which order, and what is refused before it plays."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from linecheck.audio.file import samples_sha256
from linecheck.checks.base import Stimulus
from linecheck.checks.contract import made_stimulus
from linecheck.errors import UsageError
from linecheck.limits.guarding import uncalibrated_refusal
from linecheck.limits.model import Check, LimitFile
from linecheck.limits.serial_pattern import MAX_SERIAL_LENGTH, pattern_in_words, serial_hint, serial_matches
from linecheck.run.ramps import abrupt
from linecheck.run.setup_order import setup_order

DEFAULT_RAMP_SECONDS = 0.01

#: How far dither and rounding may lift a peak above the level that a kind states, in quantising steps.
STEPS_ABOVE_PEAK = 2.0


@dataclass(frozen=True)
class PlannedCheck:
    """A check with its stimulus, made before the first one is played.

    ``stimulus_sha256`` is over the samples that are played, None where nobody knows what was.
    """

    check: Check
    stimulus: Stimulus
    stimulus_sha256: str | None


@dataclass(frozen=True)
class Plan:
    """Everything that a run plays; ``checks`` are in the order of playing."""

    limits: LimitFile
    checks: tuple[PlannedCheck, ...]

    @property
    def seconds(self) -> float:
        """Playing time of all stimuli."""
        return sum(planned.stimulus.seconds for planned in self.checks)


@dataclass(frozen=True)
class PlayingRules:
    """What a station may play, as far as a plan needs it.

    Attributes
    ----------
    station : str
    channels : mapping of str to int
        How many channels each part of the station's config has, by its key; parts that do not say are left out.
    rates_hz : tuple of int
    highest_level_dbfs : float
    ramp_seconds : float
        How long every stimulus takes to start and to stop.
    made_by_hand : callable
        Whether an operator has to make a setting of the unit.
    volts_uncertainty : float or None
        Relative standard uncertainty of its captures' full scale in volts; None where nobody states it.
    """

    station: str
    channels: Mapping[str, int]
    rates_hz: tuple[int, ...]
    highest_level_dbfs: float
    ramp_seconds: float
    made_by_hand: Callable[[str], bool]
    volts_uncertainty: float | None


def check_serial(serial: str, limits: LimitFile) -> str:
    """Return a serial number that is safe as a path, a query and XML.

    Raises
    ------
    UsageError
        It has characters that no serial number has, or does not match the limit file's ``serial_pattern``.
    """
    shown = ascii(serial[:80])
    if not serial:
        raise UsageError("the serial number is empty")
    if len(serial) > MAX_SERIAL_LENGTH:
        raise UsageError(f"the serial number {shown} has more than {MAX_SERIAL_LENGTH} characters")
    if not serial.isprintable() or set(serial) & set("/\\") or not serial.strip("."):
        raise UsageError(f"the serial number {shown} has characters that no serial number may have")
    if not serial_matches(limits.serial_pattern, serial):
        raise UsageError(
            f"the serial number {shown} is not one of model {limits.model}: "
            f"expected {pattern_in_words(limits.serial_pattern)}{serial_hint(limits.serial_pattern, serial)}"
        )
    return serial


def playing_order(checks: Iterable[Check]) -> tuple[Check, ...]:
    """Return the checks in the file's order, but each after the one that it refers to."""
    checks = tuple(checks)
    by_name = {check.name: check for check in checks}
    ordered: dict[str, Check] = {}
    for check in checks:
        chain = [check]
        while (name := chain[-1].reference) is not None and name in by_name and by_name[name] not in chain:
            chain.append(by_name[name])
        for entry in reversed(chain):
            ordered.setdefault(entry.name, entry)
    return tuple(ordered.values())


def make_plan(
    limits: LimitFile,
    rules: PlayingRules | None = None,
    *,
    ramp_seconds: float = DEFAULT_RAMP_SECONDS,
) -> Plan:
    """Return the plan of a run.

    Parameters
    ----------
    limits : LimitFile
    rules : PlayingRules, optional
        Of the station that is to play it; without them, nothing about playing is refused.
    ramp_seconds : float
        How long every stimulus takes to start and to stop, where no rules say so.

    Raises
    ------
    UsageError
        A stimulus is louder than the station may play, starts or stops faster, is at a rate that it does not play, or
        for more channels than it has; or a mask needs what the station does not state. All of these at once.
    """
    ramp = ramp_seconds if rules is None else rules.ramp_seconds
    refused: list[str] = []
    if rules is not None:
        refused += _station_refusals(limits, rules)
        for check in limits.checks:
            refused += _level_refusals(check, check.kind.peak_dbfs(check.stimulus), rules)
    if refused:
        raise UsageError(_listed(refused))
    planned = []
    # A station plays so that the unit is set as seldom as can be.
    groups = [limits.checks] if rules is None else setup_order(limits.checks, rules.made_by_hand)
    ordered = [check for group in groups for check in playing_order(group)]
    # Arrays all the way, so threads gain: a plan of half a minute at 192 kHz takes half a second of one processor.
    with ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:
        made = [pool.submit(_made, check, len(limits.channels), ramp) for check in ordered]
    for check, future in zip(ordered, made, strict=True):
        try:
            entry = future.result()
        except ValueError as error:
            refused.append(f"check {check.name}: its stimulus cannot be made: {error}")
            continue
        planned.append(entry)
        if rules is not None:
            refused += _rate_refusals(check, entry.stimulus, rules)
            refused += _level_refusals(check, _sample_peak_dbfs(entry.stimulus), rules)
            refused += _ramp_refusals(check, entry.stimulus, limits.channels, rules)
    if refused:
        raise UsageError(_listed(refused))
    return Plan(limits, tuple(planned))


def _made(check: Check, channels: int, ramp_seconds: float) -> PlannedCheck:
    stimulus = made_stimulus(check.kind, check.stimulus, channels, ramp_seconds)
    return PlannedCheck(check, stimulus, samples_sha256(stimulus.samples))


def _listed(refused: list[str]) -> str:
    return "nothing is played:\n" + "\n".join(f"  {line}" for line in dict.fromkeys(refused))


def _station_refusals(limits: LimitFile, rules: PlayingRules) -> Iterator[str]:
    wanted = len(limits.channels)
    for name, there in rules.channels.items():
        if there != wanted:
            yield f"the limit file has {wanted} channels, {name} of station {rules.station} has {there}"
    refusal = uncalibrated_refusal(limits, rules.volts_uncertainty, f"the config of station {rules.station}")
    if refusal is not None:
        yield refusal


def _rate_refusals(check: Check, stimulus: Stimulus, rules: PlayingRules) -> Iterator[str]:
    if stimulus.rate_hz not in rules.rates_hz:
        known = ", ".join(str(rate) for rate in rules.rates_hz)
        yield f"check {check.name} plays at {stimulus.rate_hz} Hz, station {rules.station} at {known} Hz"


def _level_refusals(check: Check, level_dbfs: float, rules: PlayingRules) -> Iterator[str]:
    if not level_dbfs <= rules.highest_level_dbfs:
        yield (
            f"check {check.name} peaks at {level_dbfs:.2f} dBFS; station {rules.station} may play at "
            f"{rules.highest_level_dbfs:g} dBFS at most (protection.highest_level_dbfs)"
        )


def _ramp_refusals(
    check: Check, stimulus: Stimulus, channels: tuple[str, ...], rules: PlayingRules
) -> Iterator[str]:
    allowed = min(rules.ramp_seconds, check.kind.max_ramp_seconds(check.stimulus))
    found = abrupt(stimulus, allowed)
    if found is not None:
        yield (
            f"check {check.name} {'starts' if found.starts else 'stops'} within {1e3 * found.ramp_seconds:.3g} ms, at "
            f"{found.seconds:.3f} s in {channels[found.channel]}; station {rules.station} plays nothing faster than "
            f"{1e3 * allowed:.3g} ms (protection.ramp_seconds). That is a fault of the check kind {check.kind.name!r}, "
            "which may declare that it must be abrupt"
        )


def _sample_peak_dbfs(stimulus: Stimulus) -> float:
    """Return the peak of the samples themselves, less what dither and rounding may have added."""
    steps = float(np.max(np.abs(stimulus.samples.astype(np.int64)))) / 2.0 ** (32 - stimulus.bits)
    peak = (steps - STEPS_ABOVE_PEAK) / (2.0 ** (stimulus.bits - 1) - 1.0)
    return 20.0 * math.log10(peak) if peak > 0.0 else -math.inf
