"""``linecheck station check``: prove a station's path by its loop, record what came of it, then show it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from linecheck.cli.display import self_check as display
from linecheck.cli.display.messages import tell
from linecheck.cli.options import limits_file_option, station_option
from linecheck.cli.prompts import Prompt
from linecheck.errors import ExitStatus, RecordError, UsageError
from linecheck.files.write import write_atomically
from linecheck.gates.path import station_path
from linecheck.limits.loading.load import load_limits
from linecheck.limits.model import LimitFile
from linecheck.line.self_check import (
    PATCH,
    UNPATCH,
    cautions,
    is_patched_by_hand,
    played_loop,
    recorded_check,
)
from linecheck.log import Head, Log
from linecheck.results.files import ResultFiles
from linecheck.station.budget.assessment import Assessment, assess
from linecheck.station.config.load import load_station
from linecheck.station.config.station import Station
from linecheck.station.interfaces import open_loop
from linecheck.station.self_check.plays import Play, loop_path
from linecheck.station.self_check.result import MET, SelfCheck


@click.command(name="check")
@station_option
@limits_file_option(help="Limit file: show which of its masks this path can decide.")
@click.option("--budget", is_flag=True, help="Print each mask's uncertainty budget.")
@click.option("--json", "json_path", metavar="FILE", help="Also write the result to FILE, as JSON.")
@click.option("--patched", is_flag=True, help="The loop is already patched; do not ask.")
@click.option("--fault", "faults", multiple=True, metavar="NAME", help="Give the simulated loop a fault.")
def check(
    station_path: str,
    limits_path: str | None,
    budget: bool,
    json_path: str | None,
    patched: bool,
    faults: tuple[str, ...],
) -> ExitStatus:
    """Check a station against its loop: its output patched to its own input.

    Proves that nothing on the way changes what is measured: the devices, levels, noise, distortion, response, clock,
    hidden processing, word length. The result is recorded in the station's log before it is shown.

    With --limits every mask is compared with what the path itself adds: its noise, distortion, hum, jitter, crosstalk,
    flatness. None of that is subtracted; the station config's loop.undecided says what becomes of a mask that it hides.

    Exit status: 0 met, 2 a wrong command or file (nothing was played), 3 not met, not all of it could be measured, or
    loop.undecided refuses the masks of --limits.
    """
    station = load_station(station_path)
    limits = None if limits_path is None else load_limits(limits_path)
    if budget and limits is None:
        raise UsageError("--budget is of the masks of a limit file: give --limits as well")
    loop_path(station.config)
    open_loop(station.config, faults=faults)  # refuses faults before anything is written
    target = None if json_path is None else Path(json_path)
    if target is not None:
        ResultFiles({"json": target}).check(filter(None, (station_path, limits_path)))
    with Log.of_station(station.config) as log:
        if caution := cautions(station):
            tell(caution)
        found = _checked(station, faults, patched)
        return _record_and_show(found, log, target, station, limits, budget)


def _checked(station: Station, faults: tuple[str, ...], patched: bool) -> SelfCheck:
    by_hand = not patched and is_patched_by_hand(station)
    found = played_loop(station, _tell_play, (lambda: Prompt().confirm(PATCH)) if by_hand else None, faults)
    if by_hand and found.audio:
        tell(UNPATCH)
    return found


def _tell_play(play: Play, number: int, count: int) -> None:
    tell(f"playing {number} of {count}: {play.name.replace('_', ' ')}, {play.stimulus.seconds:.1f} s")


def _record_and_show(
    found: SelfCheck, log: Log, target: Path | None, station: Station, limits: LimitFile | None, budget: bool
) -> ExitStatus:
    """Record a self-check, write its file, show it; one that could not be recorded shows nothing of a station."""
    found, head = recorded_check(found, log)
    content = found.content()
    held, loop = None, station.config.loop
    if limits is not None and found.figures:  # without figures the loop says nothing of the path
        held = assess(limits, station_path(station.config, found.figures, found.rate_hz))
    refuses = loop is not None and loop.undecided == "refuse"
    refused = refuses and held is not None and bool(held.undecided or held.unmeasured)
    status = ExitStatus.PASS if found.verdict == MET and not refused else ExitStatus.INVALID
    if target is not None and not _written(target, content, head, held):
        status = ExitStatus.INVALID
    display.show_self_check(found, head.sequence, held is not None and bool(held.undecided))
    if limits is not None and held is None:
        click.echo(
            f"This loop says nothing of noise and distortion: no mask of {limits.model} is held against it."
        )
    elif limits is not None and held is not None:
        if budget:
            display.show_budgets(held)
        display.show_held(held, limits.model)
    return status


def _written(target: Path, content: Mapping[str, Any], head: Head, held: Assessment | None) -> bool:
    """Write the result as JSON; return whether it could be."""
    masks = {}
    if held is not None:
        masks = {
            "masks": [mask.content() for mask in held.masks],
            "unmeasured": list(held.unmeasured),
            "unheld": list(held.unheld),
            "unheld_because": dict(held.unheld),
        }
    record = {"sequence": head.sequence, "hash": head.record_hash}
    text = json.dumps({**content, **masks, "record": record}, ensure_ascii=False, indent=1, allow_nan=False)
    try:
        write_atomically(target, text.encode() + b"\n")
    except RecordError as error:
        tell(str(error))
        return False
    return True
