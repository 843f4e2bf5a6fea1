"""The server of the station's screen: on this computer alone, unless another address and a token are given."""

from __future__ import annotations

import ipaddress
import shlex
import socket
import stat
import threading
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from linecheck.errors import FileError, StationError, UsageError
from linecheck.files.text import visible
from linecheck.limits.loading.load import load_limits
from linecheck.limits.serial_pattern import serial_matches
from linecheck.line.codes import refuse_confusable
from linecheck.line.process import StationOrder
from linecheck.line.stop_signals import StopSignals
from linecheck.station.config.load import load_station
from linecheck.station.config.station import Station
from linecheck.station.interfaces import open_interface
from linecheck.station.planning import station_plan

if TYPE_CHECKING:
    from starlette.types import ASGIApp

    from linecheck.web.stations import Stations

#: Shorter ones can be guessed.
MIN_TOKEN_LENGTH: Final = 16
#: Requests at once: watchers, and room for the pages of the log.
MAX_CONNECTIONS: Final = 400


def require_libraries() -> None:
    """Refuse where what the server needs is not installed.

    Raises
    ------
    UsageError
        It is not; the message says how to get it.
    """
    try:
        import barcode  # noqa: F401
        import starlette  # noqa: F401
        import uvicorn  # noqa: F401
    except ImportError as error:
        raise UsageError("serve needs more than is installed: pip install 'linecheck[web]'") from error


def kiosk_command(host: str, port: int) -> str:
    """Return the line that starts Chromium with the screen alone."""
    options = ("--kiosk", "--noerrdialogs", "--disable-infobars", "--incognito")
    return shlex.join(["chromium", *options, address_of(host, port)])


def address_of(host: str, port: int) -> str:
    """Return the address of the screen, as a browser writes it."""
    return f"http://{_as_browsers_write(host)}:{port}/"


def _as_browsers_write(host: str) -> str:
    return f"[{host}]" if ":" in host else host.lower()


def serve(
    orders: Sequence[StationOrder],
    host: str,
    port: int,
    token_file: str | None,
    tell: Callable[[str], None],
) -> None:
    """Serve until somebody ends it; a run under way is stopped and recorded then.

    ``tell`` hears the address once there is somebody at it.

    Raises
    ------
    UsageError
        The stations do not go together, or the server could be reached by anybody.
    FileError
        A file cannot be used.
    StationError
        The address is taken.
    """
    from linecheck.web.app import Line, make_app
    from linecheck.web.stations import Stations

    token = _token(host, token_file)
    stations = _stations(orders)
    limits = load_limits(orders[0].limits_path)
    refuse_confusable(limits)
    for station, order in zip(stations.values(), orders, strict=True):
        station_plan(limits, station.config)
        if order.faults:
            open_interface(station.config, serial="", faults=order.faults)  # refuses names of none
    listening = _listening(host, port)
    tell(address_of(host, port))
    running = Stations(
        dict(zip(stations, orders, strict=True)), partial(serial_matches, limits.serial_pattern)
    )
    app = make_app(Line(stations, limits), running, _hosts(host, port), token)
    _run(app, running, listening)


def _run(app: ASGIApp, running: Stations, listening: socket.socket) -> None:
    """Serve until a signal; in a thread of its own, so that the signal is this program's and not the server's."""
    import uvicorn

    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        limit_concurrency=MAX_CONNECTIONS,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=3,
        server_header=False,
        ws="none",
    )
    server = uvicorn.Server(config)
    ended = threading.Event()

    def run() -> None:
        try:
            server.run(sockets=[listening])
        finally:
            ended.set()

    with StopSignals():
        threading.Thread(target=run, name="server", daemon=True).start()
        try:
            # Not Thread.join: a signal in it makes a thread that still runs count as ended (CPython gh-90882).
            ended.wait()
        except KeyboardInterrupt:
            running.end_streams()
            server.should_exit = True
            ended.wait()
            return
    raise StationError("the server has ended by itself: start it again, and tell who maintains linecheck")


def _stations(orders: Sequence[StationOrder]) -> dict[str, Station]:
    """Return the stations by nest."""
    stations: dict[str, Station] = {}
    for order in orders:
        station = load_station(order.station_path)
        nest = station.config.nest or station.config.station
        if nest in stations:
            raise UsageError(
                f"{order.station_path}: there is a nest {nest} already: give each station config its own nest"
            )
        for other, before in stations.items():
            if before.config.station == station.config.station and (
                _is_proven(before) or _is_proven(station)
            ):
                raise UsageError(
                    f"{order.station_path}: nests {other} and {nest} are both of station {station.config.station}, and "
                    "what proves a station (its loop, golden and known-bad units) counts for all of it: a self-check "
                    "of one nest must not stand for the other. Give each station config a `station` of its own, as in "
                    f'station = "{station.config.station}-{nest}"'
                )
        stations[nest] = station
    databases = {station.config.records.database for station in stations.values()}
    if len(databases) > 1:
        raise UsageError(
            f"the stations have different logs ({', '.join(sorted(databases))}): one screen shows one log"
        )
    return stations


def _is_proven(station: Station) -> bool:
    """Return whether something has to prove a station before it judges units."""
    config = station.config
    return any(table is not None for table in (config.loop, config.golden, config.challenge))


def _token(host: str, token_file: str | None) -> str | None:
    """Return what everybody must know; None where only this computer reaches the server."""
    if host in ("0.0.0.0", "::"):
        raise UsageError(
            f"--host {host}: give the one address or name by which others reach this computer: the server answers to "
            "no other"
        )
    if token_file is None:
        if not _is_loopback(host):
            raise UsageError(
                f"--host {host}: others could operate the station; give --token-file FILE with a secret of at least "
                f"{MIN_TOKEN_LENGTH} characters as well"
            )
        return None
    path = Path(token_file)
    try:
        token = path.read_text("ascii").strip()
        mode = path.stat().st_mode
    except (OSError, UnicodeDecodeError) as error:
        raise FileError(
            visible(token_file), "the token cannot be read: a file with one line of ASCII"
        ) from error
    if len(token) < MIN_TOKEN_LENGTH or not token.isalnum():
        raise FileError(
            visible(token_file),
            f"a token has at least {MIN_TOKEN_LENGTH} letters and digits, and nothing else",
        )
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise FileError(
            visible(token_file), f"others may read the token: chmod 600 {shlex.quote(token_file)}"
        )
    return token


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _hosts(host: str, port: int) -> frozenset[str]:
    """Return the names, with port, that a browser may call the server by."""
    here = {"127.0.0.1", "localhost", "[::1]"}
    names = here if _is_loopback(host) else {_as_browsers_write(host), socket.gethostname().lower()}
    return frozenset(f"{name}:{port}" for name in names) | (frozenset(names) if port == 80 else frozenset())


def _listening(host: str, port: int) -> socket.socket:
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        return socket.create_server((host, port), family=family, backlog=256)
    except OSError as error:
        raise StationError(
            f"{host}:{port} cannot be served ({error.strerror or error}): another program has it, or this computer has "
            "no such address; give another --port or --host"
        ) from error
