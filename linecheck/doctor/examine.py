"""The examinations, one function each; each yields nothing where it does not apply."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from linecheck.doctor.finding import Finding, State
from linecheck.errors import LinecheckError
from linecheck.files.text import visible
from linecheck.log.archive.free_space import disk_of, room_for_record
from linecheck.report.pdf import browser
from linecheck.station.command import split_command
from linecheck.station.config.station import StationConfig
from linecheck.station.config.table import CommandTable
from linecheck.station.interfaces import interface_of
from linecheck.station.interfaces.sound.devices import list_devices, load_portaudio

#: Packages that an extra brings: what it is for, and the package that is looked for.
_EXTRAS: Final = {
    "postgres": ("the central server (linecheck sync)", "psycopg"),
    "parquet": ("exports as Parquet", "pyarrow"),
    "statistics": ("what many units tell (linecheck statistics)", "duckdb"),
    "interactive": ("pages with interactive figures", "bokeh"),
    "web": ("the station's screen in the browser (linecheck serve)", "starlette"),
    "sign": ("records signed by the station", "cryptography"),
    "cluster": ("judging on a cluster", "distributed"),
}
_SOUND_SERVERS: Final = ("pulse/native", "pipewire-0")
_SECONDS: Final = 5.0
#: The systems on which a cure for Linux helps.
_LINUX: Final = ("debian", "fedora", "other")


def examine(config: StationConfig | None) -> Iterator[Finding]:
    """Yield what was found of everything that linecheck, or one station, uses.

    Parameters
    ----------
    config : StationConfig or None
        What it needs and is not there is ``missing``; without one, that is a ``note``.
    """
    yield Finding("Python", State.OK, f"{'.'.join(map(str, sys.version_info[:3]))} at {sys.executable}")
    yield from _sound(config)
    yield from _sound_rights(config)
    yield from _sound_server()
    yield from _clock()
    yield from _room(config)
    yield from _commands(config)
    yield from _chromium()
    yield from _extras(config)


def _lacking(needed: bool) -> State:
    return State.MISSING if needed else State.NOTE


def _plays(config: StationConfig | None) -> bool:
    """Return whether a station plays through real devices."""
    return config is not None and interface_of(config).is_real


def _sound(config: StationConfig | None) -> Iterator[Finding]:
    """Yield whether PortAudio is there, and which devices it lists."""
    needed = _plays(config)
    try:
        devices = list_devices(load_portaudio())
    except (LinecheckError, OSError) as error:
        cures = {
            "debian": "apt-get install libportaudio2",
            "fedora": "dnf install portaudio",
            "macos": "python -m pip install --force-reinstall sounddevice",
            "windows": "python -m pip install --force-reinstall sounddevice",
        }
        yield Finding("PortAudio", _lacking(needed), str(error), cures)
        return
    yield Finding("PortAudio", State.OK, "is there")
    direct = [each for each in devices if each.direct]
    named = ", ".join(str(each) for each in direct[:6]) + (", …" if len(direct) > 6 else "")
    if direct:
        yield Finding("sound devices", State.OK, f"{len(direct)} without a converter in the way: {named}")
        return
    text = f"none without a converter in the way, of {len(devices)} that PortAudio lists"
    cure = "plug the interface in, and see that its driver lists it (Linux: aplay -l)"
    yield Finding("sound devices", _lacking(needed), text, {"": cure})


def _sound_rights(config: StationConfig | None) -> Iterator[Finding]:
    """Yield whether this user may open the sound devices of the kernel (Linux)."""
    nodes = sorted(Path("/dev/snd").glob("pcm*")) if sys.platform.startswith("linux") else []
    closed = [node.name for node in nodes if not os.access(node, os.R_OK | os.W_OK)]
    if not nodes:
        return
    if not closed:
        yield Finding("rights", State.OK, f"this user may open all {len(nodes)} sound devices")
        return
    text = f"this user may not open {len(closed)} of {len(nodes)} sound devices ({closed[0]})"
    cures = dict.fromkeys(_LINUX, "usermod -a -G audio USER, then log in again")
    yield Finding("rights", _lacking(_plays(config)), text, cures)


def _sound_server() -> Iterator[Finding]:
    """Yield whether a sound server may hold the devices, or convert what is played."""
    folder = Path(
        os.environ.get("XDG_RUNTIME_DIR", f"/run/user/{os.getuid() if hasattr(os, 'getuid') else 0}")
    )
    # Path.exists raises where nobody may look, as in the folder of another user.
    running = [name.partition("/")[0] for name in _SOUND_SERVERS if os.path.exists(folder / name)]
    if not running:
        yield Finding("sound server", State.OK, "none of this user's is in the way")
        return
    text = (
        f"{' and '.join(running)} runs: it may hold an interface, or convert rates. A device with (hw:…) in its name "
        "goes past it"
    )
    cure = "on a station, systemctl --user mask --now pipewire.socket pipewire-pulse.socket pulseaudio.socket"
    yield Finding("sound server", State.NOTE, text, dict.fromkeys(_LINUX, cure))


def _clock() -> Iterator[Finding]:
    """Yield whether the clock is set by a time server, as far as systemd knows."""
    command = ["timedatectl", "show", "--property=NTPSynchronized", "--value"]
    try:
        said = subprocess.run(command, capture_output=True, text=True, timeout=_SECONDS, check=False).stdout
    except (OSError, subprocess.TimeoutExpired):
        said = ""
    if said.strip() == "yes":
        yield Finding("clock", State.OK, "set by a time server")
    elif said.strip() == "no":
        text = "not set by a time server: records have the time that it shows"
        yield Finding("clock", State.NOTE, text, dict.fromkeys(_LINUX, "timedatectl set-ntp true"))
    else:
        yield Finding("clock", State.UNKNOWN, "nothing here says whether a time server sets it")


def _room(config: StationConfig | None) -> Iterator[Finding]:
    """Yield whether the disk of the log has room for a run."""
    place = "." if config is None else config.records.database
    try:
        disk = disk_of(place)
    except LinecheckError as error:
        yield Finding("room", State.UNKNOWN, str(error))
        return
    short = room_for_record(disk)
    free = f"{disk.free_bytes / 1e9:.0f} GB free where the log is ({disk.path})"
    yield Finding("room", State.OK if short is None else State.MISSING, free if short is None else short)


def _commands(config: StationConfig | None) -> Iterator[Finding]:
    """Yield whether the programs that a station runs are there."""
    if config is None:
        return
    tables: dict[str, CommandTable | None] = {
        name: getattr(config, name) for name in ("identify", "conditions", "before", "after")
    }
    tables["screen.unit_present"] = config.screen.unit_present
    tables |= {f"setup.{name}": table for name, table in config.setup.items()}
    for name, table in tables.items():
        program = None if table is None else split_command(table.command)[0]
        if program is None or "{" in program:
            continue
        found = shutil.which(program)
        if found is not None:
            yield Finding(f"[{name}]", State.OK, f"{found} is there")
        else:
            text = f"{visible(program)} is no program that this user may start"
            cure = "give its whole path, or install it; a script needs its first line (#!) and chmod +x"
            yield Finding(f"[{name}]", State.MISSING, text, {"": cure})


def _chromium() -> Iterator[Finding]:
    """Yield whether pages can be printed."""
    try:
        yield Finding("Chromium", State.OK, f"{browser()}: prints pages (--pdf)")
    except LinecheckError as error:
        cures = {
            "debian": "apt-get install chromium",
            "fedora": "dnf install chromium",
            "macos": "install Chrome, and set LINECHECK_CHROMIUM to its program",
            "windows": "install Chrome, and set LINECHECK_CHROMIUM to its program",
        }
        yield Finding("Chromium", State.NOTE, str(error), cures)


def _extras(config: StationConfig | None) -> Iterator[Finding]:
    """Yield which optional packages are there."""
    needed = {
        "postgres": config is not None and config.sync.to is not None,
        "sign": config is not None and config.sign is not None,
    }
    for extra, (purpose, package) in _EXTRAS.items():
        there = importlib.util.find_spec(package) is not None
        state = State.OK if there else _lacking(needed.get(extra, False))
        cure = {} if there else {"": f"python -m pip install 'linecheck[{extra}]'"}
        yield Finding(package, state, f"{'for' if there else 'is not there, for'} {purpose}", cure)
