"""What a run will play, in which order, and what is refused before anything is played."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from linecheck.audio.file import samples_sha256
from linecheck.checks.base import Stimulus
from linecheck.errors import UsageError
from linecheck.limits.model import Check, LimitFile
from linecheck.limits.serial_pattern import LONGEST_SERIAL, serial_matches
from linecheck.run.setup_order import setup_order
from linecheck.station.config.station import StationConfig
from linecheck.station.setup_control import made_by_hand

__all__ = ["DEFAULT_RAMP_SECONDS", "Plan", "PlannedCheck", "check_serial", "make_plan", "playing_order"]

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


def check_serial(serial: str, limits: LimitFile) -> str:
    """Return a serial number that may become a path, a query and XML.

    Raises
    ------
    UsageError
        It has characters that no serial number has, or does not match the limit file's ``serial_pattern``.
    """
    shown = ascii(serial[:80])
    if not serial:
        raise UsageError("the serial number is empty")
    if len(serial) > LONGEST_SERIAL:
        raise UsageError(f"the serial number {shown} has more than {LONGEST_SERIAL} characters")
    if not serial.isprintable() or set(serial) & set("/\\") or not serial.strip("."):
        raise UsageError(f"the serial number {shown} has characters that no serial number may have")
    if not serial_matches(limits.serial_pattern, serial):
        raise UsageError(
            f"the serial number {shown} is not one of model {limits.model}: "
            f"it must match {limits.serial_pattern}"
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


def _setting_order(limits: LimitFile, station: StationConfig | None) -> tuple[Check, ...]:
    """Return the checks as a station plays them: the unit is set as seldom as can be."""
    if station is None:
        return playing_order(limits.checks)
    groups = setup_order(limits.checks, lambda setting: made_by_hand(station, setting))
    return tuple(check for group in groups for check in playing_order(group))


def make_plan(
    limits: LimitFile,
    station: StationConfig | None = None,
    *,
    ramp_seconds: float = DEFAULT_RAMP_SECONDS,
) -> Plan:
    """Return the plan of a run.

    Parameters
    ----------
    limits : LimitFile
    station : StationConfig, optional
        The station that is to play it; without one, nothing about playing is refused.
    ramp_seconds : float
        How long every stimulus takes to start and to stop, where there is no station to say so.

    Raises
    ------
    UsageError
        A stimulus is louder than the station may play, at a rate that it does not play, or for more
        channels than it has; all of these at once.
    """
    ramp = ramp_seconds if station is None else station.protection.ramp_seconds
    refused = [] if station is None else list(_channel_refusals(limits, station))
    if station is not None:
        for check in limits.checks:
            refused += _level_refusals(check, check.kind.peak_dbfs(check.stimulus), station)
    if refused:
        raise UsageError(_listed(refused))
    planned = []
    ordered = _setting_order(limits, station)
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
        if station is not None:
            refused += _rate_refusals(check, entry.stimulus, station)
            refused += _level_refusals(check, _sample_peak_dbfs(entry.stimulus), station)
    if refused:
        raise UsageError(_listed(refused))
    return Plan(limits, tuple(planned))


def _made(check: Check, channels: int, ramp_seconds: float) -> PlannedCheck:
    stimulus = check.kind.stimulus(check.stimulus, channels, ramp_seconds)
    return PlannedCheck(check, stimulus, samples_sha256(stimulus.samples))


def _listed(refused: list[str]) -> str:
    return "nothing is played:\n" + "\n".join(f"  {line}" for line in dict.fromkeys(refused))


def _channel_refusals(limits: LimitFile, station: StationConfig) -> Iterator[str]:
    wanted = len(limits.channels)
    sides = {
        "playback.channels": len(station.playback.channels or ()),
        "capture.channels": len(station.capture.channels or ()),
        "capture.full_scale_volts": len(station.capture.full_scale_volts or ()),
    }
    for name, there in sides.items():
        if there not in (0, wanted):
            yield f"the limit file has {wanted} channels, {name} of station {station.station} {there}"


def _rate_refusals(check: Check, stimulus: Stimulus, station: StationConfig) -> Iterator[str]:
    rates = station.playback.rates_hz
    if stimulus.rate_hz not in rates:
        known = ", ".join(str(rate) for rate in rates)
        yield f"check {check.name} plays at {stimulus.rate_hz} Hz, station {station.station} at {known} Hz"


def _level_refusals(check: Check, level_dbfs: float, station: StationConfig) -> Iterator[str]:
    highest = station.protection.highest_level_dbfs
    if not level_dbfs <= highest:
        yield (
            f"check {check.name} peaks at {level_dbfs:.2f} dBFS; station {station.station} may play at "
            f"{highest:g} dBFS at most (protection.highest_level_dbfs)"
        )


def _sample_peak_dbfs(stimulus: Stimulus) -> float:
    """Return the peak of the samples themselves, less what dither and rounding may have added."""
    steps = float(np.max(np.abs(stimulus.samples.astype(np.int64)))) / 2.0 ** (32 - stimulus.bits)
    peak = (steps - STEPS_ABOVE_PEAK) / (2.0 ** (stimulus.bits - 1) - 1.0)
    return 20.0 * math.log10(peak) if peak > 0.0 else -math.inf
