"""``linecheck station check``: prove a station's path by its loop, record what came of it, then show it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from linecheck.errors import ExitStatus, RecordError, UsageError

if TYPE_CHECKING:
    from linecheck.log import Log
    from linecheck.station.config.loop import LoopCommand
    from linecheck.station.config.station import Station
    from linecheck.station.self_check.plays import Play
    from linecheck.station.self_check.result import SelfCheck

__all__ = ["check"]

CAUTIONS = (
    "Disconnect headphones, amplifiers and loudspeakers: tones and noise are played at up to {level:g} dBFS, and they "
    "can harm ears and tweeters."
)
PATCH = "Disconnect the unit and patch the station's output to its input, channel by channel"


@click.command(name="check")
@click.option("--station", "station_path", required=True, metavar="FILE", help="Station config (TOML).")
@click.option("--json", "json_path", metavar="FILE", help="Write the result there as well, as JSON.")
@click.option("--patched", is_flag=True, help="The loop is closed already: ask nobody.")
@click.option("--fault", "faults", multiple=True, metavar="NAME", help="Give the simulated loop a fault.")
@click.pass_context
def check(
    context: click.Context, station_path: str, json_path: str | None, patched: bool, faults: tuple[str, ...]
) -> None:
    """Check a station against its loop: its output patched to its own input.

    Proves that nothing on the way changes what is measured: the devices, levels, noise, distortion, response, clock,
    hidden processing, word length. What came of it is recorded in the station's log before it is shown.

    Exit status: 0 met, 2 a wrong command or file (nothing was played), 3 not met, or not all of it could be measured.
    """
    from linecheck.cli.display.telling import tell
    from linecheck.files.write import check_can_write
    from linecheck.log import Log
    from linecheck.station.config.load import load_station
    from linecheck.station.interfaces import interface_of
    from linecheck.station.interfaces.open import open_loop
    from linecheck.station.self_check.plays import loop_path

    station = load_station(station_path)
    path = loop_path(station.config)
    open_loop(station.config, faults=faults)  # refuses faults before anything is written
    target = None if json_path is None else Path(json_path)
    if target is not None:
        _refuse_inputs(target, station_path)
        check_can_write(target)
    with Log.of_station(station.config) as log:
        if interface_of(station.config).is_real:
            tell(CAUTIONS.format(level=path.highest_dbfs))
        found = _checked(station, faults, patched)
        context.exit(_record_and_show(found, log, target))


def _refuse_inputs(target: Path, station_path: str) -> None:
    if target.resolve() == Path(station_path).resolve():
        raise UsageError("--json names the station config itself: write the result somewhere else")


def _checked(station: Station, faults: tuple[str, ...], patched: bool) -> SelfCheck:
    from linecheck.line.stop_signals import StopSignals
    from linecheck.station.interfaces import interface_of
    from linecheck.station.interfaces.open import open_loop
    from linecheck.station.self_check.course import run_self_check

    loop = station.config.loop
    assert loop is not None
    by_hand = loop.close is None and not patched and interface_of(station.config).is_real
    with StopSignals() as stop:
        found = run_self_check(
            station,
            lambda opening: open_loop(station.config, opening=opening, faults=faults),
            _tell_play,
            close_loop=_asked if by_hand else _commanded(loop.close),
            undo_loop=_commanded(loop.open),
        )
        stop.hold()
    if by_hand and found.audio:
        from linecheck.cli.display.telling import tell

        tell("take the loop out again before a unit is tested")
    return found


def _asked() -> str | None:
    from linecheck.cli.asking.prompt import Prompt

    return Prompt().confirm(PATCH)


def _commanded(command: LoopCommand | None) -> Callable[[], str | None]:
    """Return what runs one of the loop's commands; nothing where there is none."""
    if command is None:
        return lambda: None
    from linecheck.station.command import run_station_command

    def run() -> str | None:
        why, _ = run_station_command(command.command, {}, command.timeout_seconds, {})
        return why

    return run


def _tell_play(play: Play, number: int, count: int) -> None:
    from linecheck.cli.display.telling import tell

    tell(f"playing {number} of {count}: {play.name.replace('_', ' ')}, {play.stimulus.seconds:.1f} s")


def _record_and_show(found: SelfCheck, log: Log, target: Path | None) -> ExitStatus:
    """Record a self-check, write its file, show it; one that could not be recorded shows nothing of a station."""
    from linecheck.cli.display.self_check import show_self_check
    from linecheck.cli.display.telling import tell
    from linecheck.files.write import write_atomically
    from linecheck.gates.statements import SELF_CHECK
    from linecheck.station.self_check.result import MET

    content = found.content()
    try:
        head = log.state(SELF_CHECK, found.station, content)
    except RecordError as error:
        raise RecordError(f"the self-check was not recorded, so it counts for nothing: {error}") from error
    status = ExitStatus.PASS if found.verdict == MET else ExitStatus.INVALID
    if target is not None:
        record = {"sequence": head.sequence, "hash": head.record_hash}
        text = json.dumps(content | {"record": record}, ensure_ascii=False, indent=1, allow_nan=False)
        try:
            write_atomically(target, text.encode() + b"\n")
        except OSError as error:
            tell(f"{target} could not be written: {error}")
            status = ExitStatus.INVALID
    show_self_check(found, head.sequence)
    return status
