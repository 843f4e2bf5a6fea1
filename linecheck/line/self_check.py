"""The station's self-check at the line: patched, played, and in the log before anyone hears what came of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from linecheck.errors import LinecheckError, RecordError
from linecheck.gates.path_change import compared_with_last
from linecheck.gates.statements import SELF_CHECK
from linecheck.line.cures import cures
from linecheck.line.events import SelfCheckEnded, SelfCheckPlays
from linecheck.line.stop_signals import StopSignals
from linecheck.station.interfaces import interface_of, open_loop
from linecheck.station.self_check.plays import Play, loop_path
from linecheck.station.self_check.result import MET, SelfCheck
from linecheck.station.self_check.run import run_self_check

if TYPE_CHECKING:
    from linecheck.line.session import Session
    from linecheck.log import Head, Log
    from linecheck.station.config.loop import LoopCommand
    from linecheck.station.config.station import Station

CAUTIONS: Final = (
    "Disconnect headphones, amplifiers and loudspeakers: tones and noise are played at up to {level:g} dBFS, and they "
    "can harm ears and tweeters."
)
PATCH: Final = "Disconnect the unit and patch the station's output to its input, channel by channel"
UNPATCH: Final = "take the loop out again before a unit is tested"

_PUT_RIGHT: Final = "Put that right and check again, or fetch an engineer."


def cautions(station: Station) -> str:
    """Return what must be disconnected before the loop is played; empty of a simulated one, which is silent."""
    if not interface_of(station.config).is_real:
        return ""
    return CAUTIONS.format(level=loop_path(station.config).highest_dbfs)


def is_patched_by_hand(station: Station) -> bool:
    """Return whether somebody has to patch the loop, and to take it out again."""
    loop = station.config.loop
    return loop is not None and loop.close is None and interface_of(station.config).is_real


def played_loop(
    station: Station,
    playing: Callable[[Play, int, int], None],
    patch: Callable[[], str | None] | None,
    faults: tuple[str, ...] = (),
) -> SelfCheck:
    """Patch the loop, play it and measure; ``patch`` has it patched by hand where the station's command does not."""
    loop = station.config.loop
    assert loop is not None
    with StopSignals() as stop:
        found = run_self_check(
            station,
            lambda opening: open_loop(station.config, opening=opening, faults=faults),
            playing,
            close_loop=patch if patch is not None else _commanded(loop.close),
            undo_loop=_commanded(loop.open),
        )
        stop.hold()
    return found


def recorded_check(found: SelfCheck, log: Log) -> tuple[SelfCheck, Head]:
    """State in the log what came of a self-check, beside the last one; return it, and its place.

    Raises
    ------
    RecordError
        It could not be recorded, so it counts for nothing.
    """
    found = compared_with_last(found, log)
    try:
        return found, log.state(SELF_CHECK, found.station, found.content())
    except RecordError as error:
        raise RecordError(f"the self-check was not recorded, so it counts for nothing: {error}") from error


def check_at_line(session: Session) -> None:
    """Check the station between two units; whoever listens hears what is played, and then what came of it."""
    station, tell = session.station, session.listener
    if station.config.loop is None:
        tell(SelfCheckEnded(None, "This station has no loop to check itself by.", "Fetch an engineer."))
        return

    def playing(play: Play, number: int, count: int) -> None:
        tell(SelfCheckPlays(play.name, number, count, count * play.stimulus.seconds))

    by_hand = is_patched_by_hand(station)
    try:
        found, _ = recorded_check(
            played_loop(station, playing, (lambda: _ask_to_patch(session)) if by_hand else None), session.log
        )
    except LinecheckError as error:
        tell(SelfCheckEnded(None, str(error), _PUT_RIGHT))
        return
    session.follow_charts()
    # Not in the act: what stands there follows from the gates, which may lapse meanwhile.
    undone = f"{UNPATCH[:1].upper()}{UNPATCH[1:]}." if by_hand else ""
    if found.verdict == MET:
        standing = session.gatekeeper.standing()
        act = "Next unit." if standing.may_judge else " ".join(cures(standing, station.config))
        tell(SelfCheckEnded(True, undone, act))
        return
    worst = found.worst_first()[0]
    tell(SelfCheckEnded(False, f"{worst.name}: {worst.sentence}. {undone}".rstrip(), _PUT_RIGHT))


def _ask_to_patch(session: Session) -> str | None:
    if session.people is None:
        return "nobody is there to patch it"
    return session.people.confirm(f"{cautions(session.station)} {PATCH}".strip())


def _commanded(command: LoopCommand | None) -> Callable[[], str | None]:
    """Return what runs one of the loop's commands; nothing where there is none."""
    if command is None:
        return lambda: None
    return lambda: command.run()[0]
