"""``linecheck run``: test one unit, or unit after unit, on a station."""

from __future__ import annotations

import atexit
import gc
import importlib
import sys
import threading
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from linecheck.cli.set_options import result_options
from linecheck.cli.unit_facts import said_facts, unit_options
from linecheck.errors import UsageError
from linecheck.results.files import ResultFiles
from linecheck.results.formats import result_formats

if TYPE_CHECKING:
    from linecheck.line.session import Session
    from linecheck.station.config.station import Station, StationConfig
    from linecheck.station.interfaces.interface import Interface
    from linecheck.station.interfaces.sound.launch import Launched

__all__ = ["check_faults", "command", "opened_session"]


@click.command(name="run")
@click.option("--station", "station_path", required=True, metavar="FILE", help="Station config (TOML).")
@click.option(
    "--limits", "limits_path", required=True, metavar="FILE", help="Limit file of the model (YAML)."
)
@click.option("--serial", metavar="S", help="Serial number of the unit.")
@click.option("--scan", is_flag=True, help="Wait for serial numbers on standard input, unit after unit.")
@unit_options
@click.option("--out", metavar="DIR", help="Folder for the files of every run [default: the station's].")
@result_options(as_well=True)
@click.option("--fault", "faults", multiple=True, metavar="NAME", help="Give the simulated unit a fault.")
@click.option("--keep-captures", is_flag=True, help="Keep the captures, whatever the verdict.")
def command(
    station_path: str,
    limits_path: str,
    serial: str | None,
    scan: bool,
    out: str | None,
    files: ResultFiles,
    strict: bool,
    faults: tuple[str, ...],
    keep_captures: bool,
    **said: str | None,
) -> None:
    """Test one unit (--serial), or unit after unit (--scan), on a station.

    Every run is recorded in the station's log before its verdict is shown. Its result (JSON, JUnit XML) and
    the captures that are kept go to DIR/SERIAL/TIME-RUN; captures go to the archive where the station has one.
    Paths, also those in the station config, are relative to the folder that the command is started in.

    Exit status: 0 pass or marginal, 1 fail, 2 a wrong command or file (nothing was run), 3 invalid or
    aborted. With --scan: 1 where any unit failed, else 3 where any run was invalid or aborted or nothing was
    run, else 0.
    """
    if (serial is None) == (not scan):
        raise UsageError("give either --serial S or --scan")
    if scan and files.paths:
        *others, last = (f"--{name}" for name in result_formats())
        raise UsageError(
            f"{', '.join(others)} and {last} name one file each; with --scan every run's files go to --out"
        )
    facts = said_facts(**said)
    if scan and facts.override is not None:
        raise UsageError("--override lets one run of one unit take place: give it with --serial")

    # Opening devices takes as long as everything else that comes before a run, so both happen at once.
    with ExitStack() as stack:
        _spare_the_collector(stack)
        launched = None if scan else _launched(stack, station_path)
        from linecheck.cli.sending import sending
        from linecheck.station.config.station import load_station
        from linecheck.station.interfaces.open import prepared_interface

        station = load_station(station_path)
        check_faults(station.config, faults)
        prepared = None if scan else stack.enter_context(prepared_interface(station.config, launched))
        _import_beside("linecheck.log")
        session = opened_session(
            stack,
            station,
            limits_path,
            serial,
            files=files,
            out=_path(out),
            faults=faults,
            strict=strict,
            keep_captures=keep_captures,
            prepared=prepared,
        )
        gc.freeze()
        gc.enable()
        tell_of_sending = stack.enter_context(sending(station.config, one_unit=serial is not None))
        if serial is not None:
            status = session.test(serial, facts, serial)
        else:
            from linecheck.cli.scan import scan_units

            status = scan_units(session, facts, tell_of_sending)
    click.get_current_context().exit(status)


def _launched(stack: ExitStack, station_path: str) -> Launched | None:
    """Start the process that opens sound devices before anything slow is imported, if it looks as if it were needed."""
    from linecheck.station.interfaces.sound.launch import has_sound_interface, launch

    if not has_sound_interface(station_path):
        return None
    launched = launch()
    stack.callback(launched.kill)
    return launched


def _import_beside(*modules: str) -> None:
    """Import modules that are needed soon, beside what the main thread does; a fault in one shows where it is used."""
    # Each array operation of the main thread would else wait up to 5 ms for the imports to let it go on.
    sys.setswitchinterval(5e-4)

    def load() -> None:
        for module in modules:
            with suppress(Exception):
                importlib.import_module(module)

    threading.Thread(target=load, name="imports", daemon=True).start()


def _spare_the_collector(stack: ExitStack) -> None:
    """Keep it from searching what imports make, now and once more at the end: a tenth of a second in all."""
    gc.disable()
    stack.callback(gc.enable)
    atexit.register(gc.freeze)


def opened_session(
    stack: ExitStack,
    station: Station,
    limits_path: str,
    serial: str | None,
    *,
    files: ResultFiles,
    out: Path | None,
    faults: tuple[str, ...],
    strict: bool,
    keep_captures: bool,
    prepared: Interface | None,
) -> Session:
    """Make everything else ready; what must be closed again is left to the stack."""
    from linecheck.cli.settings_prompt import Prompt
    from linecheck.files.write import check_can_write
    from linecheck.limits.load import load_limits
    from linecheck.line.session import Session
    from linecheck.log import Log
    from linecheck.measure.executors import analysis_executor
    from linecheck.run.plan import check_serial
    from linecheck.station.planning import station_plan

    config, limits = station.config, load_limits(limits_path)
    if serial is not None:
        check_serial(serial, limits)
    plan = station_plan(limits, config)
    folder = out if out is not None else Path(config.records.folder)
    files.check((limits_path,))
    check_can_write(folder / "result.json")
    executor = stack.enter_context(analysis_executor(own_process=config.described.own_process))
    return Session(
        station=station,
        plan=plan,
        log=stack.enter_context(Log(config.records.database)),
        executor=executor,
        folder=folder,
        faults=faults,
        strict=strict,
        keep="all" if keep_captures else config.records.captures,
        files=files,
        prepared=prepared,
        one_unit=serial is not None,
        operator=Prompt(),
    )


def _path(text: str | None) -> Path | None:
    return Path(text) if text is not None else None


def check_faults(config: StationConfig, faults: tuple[str, ...]) -> None:
    """Refuse faults before anything is made ready."""
    if faults:
        from linecheck.station.interfaces.open import open_interface

        open_interface(config, serial="", faults=faults)
