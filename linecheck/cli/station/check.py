"""``linecheck station check``: prove a station's path by its loop, record what came of it, then show it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from linecheck.errors import ExitStatus, RecordError, UsageError

if TYPE_CHECKING:
    from linecheck.limits.model import LimitFile
    from linecheck.log import Log
    from linecheck.station.budget.assessment import Assessment
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
@click.option(
    "--limits",
    "limits_path",
    metavar="FILE",
    help="Limit file of a model: say which of its masks this path can decide.",
)
@click.option("--budget", is_flag=True, help="Print the budget of uncertainty of each of these masks.")
@click.option("--json", "json_path", metavar="FILE", help="Write the result there as well, as JSON.")
@click.option("--patched", is_flag=True, help="The loop is closed already: ask nobody.")
@click.option("--fault", "faults", multiple=True, metavar="NAME", help="Give the simulated loop a fault.")
@click.pass_context
def check(
    context: click.Context,
    station_path: str,
    limits_path: str | None,
    budget: bool,
    json_path: str | None,
    patched: bool,
    faults: tuple[str, ...],
) -> None:
    """Check a station against its loop: its output patched to its own input.

    Proves that nothing on the way changes what is measured: the devices, levels, noise, distortion, response, clock,
    hidden processing, word length. What came of it is recorded in the station's log before it is shown.

    With --limits every mask is held against what the path itself adds: its noise, distortion, hum, jitter, crosstalk,
    flatness. Nothing of that is subtracted; what becomes of a mask that it hides is for the station config's
    loop.undecided to say.

    Exit status: 0 met, 2 a wrong command or file (nothing was played), 3 not met, not all of it could be measured, or
    loop.undecided refuses the masks of --limits.
    """
    from linecheck.cli.display.messages import tell
    from linecheck.files.write import check_can_write
    from linecheck.limits.loading.load import load_limits
    from linecheck.log import Log
    from linecheck.station.config.load import load_station
    from linecheck.station.interfaces import interface_of, open_loop
    from linecheck.station.self_check.plays import loop_path

    station = load_station(station_path)
    limits = None if limits_path is None else load_limits(limits_path)
    if budget and limits is None:
        raise UsageError("--budget is of the masks of a limit file: give --limits as well")
    path = loop_path(station.config)
    open_loop(station.config, faults=faults)  # refuses faults before anything is written
    target = None if json_path is None else Path(json_path)
    if target is not None:
        _refuse_inputs(target, station_path, limits_path)
        check_can_write(target)
    with Log.of_station(station.config) as log:
        if interface_of(station.config).is_real:
            tell(CAUTIONS.format(level=path.highest_dbfs))
        found = _checked(station, faults, patched)
        context.exit(_record_and_show(found, log, target, _Holding(station, limits, budget)))


def _refuse_inputs(target: Path, *inputs: str | None) -> None:
    for path in inputs:
        if path is not None and target.resolve() == Path(path).resolve():
            raise UsageError(f"--json names {path} itself: write the result somewhere else")


@dataclass(frozen=True)
class _Holding:
    """The limit file that a self-check is held against, where one was given."""

    station: Station
    limits: LimitFile | None
    budget: bool

    def held(self, found: SelfCheck) -> Assessment | None:
        """Return what came of it; None without a limit file, or where the loop says nothing of the path."""
        from linecheck.gates.path import station_path
        from linecheck.station.budget.assessment import assess

        if self.limits is None or not found.figures:
            return None
        return assess(self.limits, station_path(self.station.config, found.figures, found.rate_hz))

    def show(self, held: Assessment | None) -> None:
        """Print it."""
        from linecheck.cli.display.budget import show_budgets, show_held

        if self.limits is None:
            return
        if held is None:
            click.echo(
                f"This loop says nothing of noise and distortion: no mask of {self.limits.model} is held."
            )
            return
        if self.budget:
            show_budgets(held)
        show_held(held, self.limits.model)

    def refuses(self, held: Assessment | None) -> bool:
        """Return whether the station tests no unit by what came of it."""
        loop = self.station.config.loop
        return (
            loop is not None
            and loop.undecided == "refuse"
            and held is not None
            and bool(held.undecided or held.unmeasured)
        )


def _checked(station: Station, faults: tuple[str, ...], patched: bool) -> SelfCheck:
    from linecheck.line.stop_signals import StopSignals
    from linecheck.station.interfaces import interface_of, open_loop
    from linecheck.station.self_check.run import run_self_check

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
        from linecheck.cli.display.messages import tell

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
    from linecheck.cli.display.messages import tell

    tell(f"playing {number} of {count}: {play.name.replace('_', ' ')}, {play.stimulus.seconds:.1f} s")


def _record_and_show(found: SelfCheck, log: Log, target: Path | None, holding: _Holding) -> ExitStatus:
    """Record a self-check, write its file, show it; one that could not be recorded shows nothing of a station."""
    from linecheck.cli.display.messages import tell
    from linecheck.cli.display.self_check import show_self_check
    from linecheck.files.write import write_atomically
    from linecheck.gates.path_change import compared_with_last
    from linecheck.gates.statements import SELF_CHECK
    from linecheck.station.self_check.result import MET

    found = compared_with_last(found, log)
    content = found.content()
    try:
        head = log.state(SELF_CHECK, found.station, content)
    except RecordError as error:
        raise RecordError(f"the self-check was not recorded, so it counts for nothing: {error}") from error
    held = holding.held(found)
    status = ExitStatus.PASS if found.verdict == MET and not holding.refuses(held) else ExitStatus.INVALID
    if target is not None:
        record = {"sequence": head.sequence, "hash": head.record_hash}
        masks = (
            {}
            if held is None
            else {
                "masks": [mask.content() for mask in held.masks],
                "unmeasured": list(held.unmeasured),
                "unheld": list(held.unheld),
            }
        )
        text = json.dumps(content | masks | {"record": record}, ensure_ascii=False, indent=1, allow_nan=False)
        try:
            write_atomically(target, text.encode() + b"\n")
        except OSError as error:
            tell(f"{target} could not be written: {error}")
            status = ExitStatus.INVALID
    show_self_check(found, head.sequence, held is not None and bool(held.undecided))
    holding.show(held)
    return status
