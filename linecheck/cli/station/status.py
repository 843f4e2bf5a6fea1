"""``linecheck station status``: where a station stands: its gates, its lock, its calibration and its assets."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import nullcontext
from datetime import UTC, date, datetime

import click

from linecheck.checks.base import Problem
from linecheck.cli.display.messages import one_line, print_table
from linecheck.cli.options import limits_file_option, log_reader, station_option
from linecheck.errors import ExitStatus
from linecheck.gates.gatekeeper import Gatekeeper, Standing
from linecheck.gates.gates import GateState
from linecheck.limits.loading.load import load_limits
from linecheck.station.config.load import load_station
from linecheck.station.config.station import StationConfig


@click.command("status")
@station_option
@limits_file_option(help="Limit file of the model; without it, changed limits are not noticed.")
def status_command(station_path: str, limits_path: str | None) -> ExitStatus:
    """Show whether the station may judge units now.

    Lists each gate with its last result, the calibration and the assets with the days on which they are due, and what
    keeps units out.

    Exit status: 0 units may be judged, 2 a wrong command or file, 3 they may not.
    """
    station = load_station(station_path)
    limits = None if limits_path is None else load_limits(limits_path)
    now = datetime.now(UTC)
    with log_reader(station.config) or nullcontext() as log:
        standing = Gatekeeper(log, station, limits).standing(now)
    _show_gates(standing)
    overdue = _show_due(station.config, now.date())
    may = standing.may_judge and not any(problem.blocks for problem in overdue)
    _show_answer(standing, overdue, may)
    return ExitStatus.PASS if may else ExitStatus.INVALID


def _show_gates(standing: Standing) -> None:
    if not standing.gates:
        click.echo("this station has no gates: no [golden], no [challenge], no self-check")
        return
    headings = ("gate", "state", "unit", "since (UTC)", "holds until (UTC)", "record")
    rows = [
        (
            state.name,
            _state(state),
            state.about or "–",
            _time(state.since),
            _time(state.until if state.is_met else None),
            str(state.record or "–"),
        )
        for state in standing.gates
    ]
    print_table(headings, rows, right=(5,))
    click.echo()


def _state(state: GateState) -> str:
    word = state.state.value if state.lets_in else state.state.value.upper()
    return word if state.is_needed else f"{word} (not needed)"


def _show_due(config: StationConfig, today: date) -> tuple[Problem, ...]:
    """Show when what the station rests on is due; return what is overdue."""
    rows = list(_due_rows(config, today))
    if rows:
        print_table(("calibrated", "id", "due", "state"), [row for row, _ in rows], right=())
        click.echo()
    return tuple(problem for _, problems in rows for problem in problems)


def _due_rows(config: StationConfig, today: date) -> Iterator[tuple[tuple[str, ...], tuple[Problem, ...]]]:
    calibration = config.calibration
    known = calibration.uncertainty_percent is not None or config.capture.full_scale_volts is None
    if calibration.due is not None or calibration.performed is not None or not known:
        problems = calibration.problems(today)
        due, state = _due(calibration.due, problems)
        state = state if known else f"{state}, uncalibrated: uncertainty_percent is not stated"
        yield ("calibration", calibration.certificate or "–", due, state), problems
    for role, asset in config.assets.items():
        problems = asset.problems(role, today)
        yield (role, asset.id, *_due(asset.due, problems)), problems


def _due(due: date | None, problems: tuple[Problem, ...]) -> tuple[str, str]:
    if due is None:
        return "–", "never due"
    if not problems:
        return str(due), "in time"
    return str(due), "OVERDUE, units are refused" if problems[0].blocks else "OVERDUE"


def _show_answer(standing: Standing, overdue: tuple[Problem, ...], may: bool) -> None:
    click.echo("● units may be judged" if may else "✖ units may not be judged")
    told = [standing.locked_why] if standing.lock.locked else []
    told += [standing.signals_why] if standing.signals else []
    told += [state.words for state in standing.gates if not state.lets_in]
    told += [standing.path.refusal] if standing.path.refusal is not None else []
    told += [problem.message for problem in standing.path.problems]
    for line in (*told, *(problem.message for problem in overdue)):
        click.echo(f"  - {one_line(line)}")


def _time(moment: datetime | None) -> str:
    return "–" if moment is None else f"{moment.astimezone(UTC):%Y-%m-%d %H:%M}"
