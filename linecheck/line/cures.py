"""What lets a station judge units again, in the words of somebody who has a scanner, and what is due next."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING

from linecheck.gates.gates import State
from linecheck.gates.statements import SELF_CHECK
from linecheck.line.codes import Code, Order

if TYPE_CHECKING:
    from linecheck.gates.gatekeeper import Standing
    from linecheck.station.config.station import StationConfig


def cures(standing: Standing, config: StationConfig) -> tuple[str, ...]:
    """Return what lets the station judge again, a sentence each, in the order in which it is done.

    What was tried and did not help is not asked for again: an engineer is fetched, and told what to look at.
    """
    return tuple(dict.fromkeys(_cures(standing, config)))


def _cures(standing: Standing, config: StationConfig) -> Iterator[str]:
    failed = {state.gate: state for state in standing.gates if state.state is State.NOT_MET}
    wanted = {state.gate for state in standing.gates if not state.lets_in} - set(failed)
    for gate in failed.values():
        about = f" {gate.about}" if gate.about else ""
        then = "Show him the gates' page."
        if gate.gate == SELF_CHECK:
            then = f"Once that is put right, scan {Code(Order.CHECK).text}."
        yield f"Fetch an engineer: {gate.name}{about} is not met. {then}"
    if standing.signals:
        yield "Fetch an engineer: a control chart signals, and somebody has to answer that."
    if standing.path.refusal is not None:
        yield "Fetch an engineer: the station's own path cannot decide all masks."
    if standing.lock.locked:
        wanted.add(SELF_CHECK if config.loop is not None else "golden")
    if SELF_CHECK in wanted:
        yield f"Scan {Code(Order.CHECK).text}: the station checks itself."
    if "golden" in wanted and config.golden is not None:
        yield f"Connect golden unit {' or '.join(config.golden.serials)} and scan it."
    units = config.challenge.units if config.challenge is not None else {}
    for name, unit in units.items():
        if wanted & {f"challenge.{name}", "challenge"}:
            yield f"Connect known-bad unit {unit.serial} and scan it."


def due_next(standing: Standing, config: StationConfig) -> str:
    """Return what of the station is due next, and when by this computer's clock; empty where nothing ever is.

    Parameters
    ----------
    standing : Standing
    config : StationConfig
    """
    dues = [
        (state.until, state.name)
        for state in standing.gates
        if state.is_met and state.is_needed and state.until is not None
    ]
    calibrated = {"calibration": config.calibration.due} | {
        f"calibration of {role}": asset.due for role, asset in config.assets.items()
    }
    # A calibration holds to the end of its day.
    dues += [
        (datetime.combine(day + timedelta(days=1), time(), datetime.now().astimezone().tzinfo), name)
        for name, day in calibrated.items()
        if day is not None
    ]
    if not dues:
        return ""
    moment, name = min(dues)
    here, today = moment.astimezone(), datetime.now().astimezone().date()
    if here.date() == today:
        return f"{name} due {here:%H:%M}"
    if here.date() == today + timedelta(days=1):
        return f"{name} due tomorrow {here:%H:%M}"
    return f"{name} due {here:%Y-%m-%d}"
