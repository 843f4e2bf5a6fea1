"""``linecheck init``: the files of a new model, or of the demonstration."""

from __future__ import annotations

import re
import shlex
import sys
from pathlib import Path
from typing import Any

import click

from linecheck.cli.display.messages import tell
from linecheck.errors import StationError, UsageError
from linecheck.files.text import visible
from linecheck.registry import NAME
from linecheck.starter.answers import CI_SERVICES, CLASSES, Answers, serial_pattern
from linecheck.starter.files import demo_files, model_files, write_new

#: Model and station, which become names of files.
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,62}")


@click.command(name="init")
@click.option(
    "--demo", is_flag=True, help="Write the demonstration's limit files and station configs instead."
)
@click.option("--out", "folder", default=".", show_default=True, metavar="DIR", help="Folder to write into.")
@click.option("--model", metavar="NAME", help="Model, as it is to be in limit file and log.")
@click.option(
    "--class", "device_class", type=click.Choice(list(CLASSES)), help="What the unit is: masks begin there."
)
@click.option("--serial", metavar="S", help="A serial number as an example: PR3-000123.")
@click.option("--channels", metavar="A,B", help="Names of the outputs, in order [default: left,right].")
@click.option("--rates", metavar="HZ,HZ", help="Rates that the unit's input takes; the first one is played.")
@click.option("--bits", type=click.IntRange(8, 32), help="Word length of the stimuli.")
@click.option(
    "--output-volts", type=click.FloatRange(0.001, 100.0), help="V rms of a full-scale sine at the output."
)
@click.option("--station", metavar="NAME", help="Name of the station [default: bench].")
@click.option(
    "--playback", metavar="DEVICE", help="Sound device that plays; without it the station is simulated."
)
@click.option("--capture", metavar="DEVICE", help="Sound device that captures.")
@click.option("--ci", type=click.Choice(list(CI_SERVICES)), help="Write a build job for this service.")
def command(demo: bool, folder: str, **given: Any) -> None:  # noqa: ANN401 - each option's value
    """Write what a new model begins with: a limit file, a station config, a build job.

    Asks for what no option says, and lists the sound devices that are there. The masks are those of a class of devices,
    reachable at the word length that is played: a start, to be tightened by what your own units read.
    """
    if demo:
        _refuse_answers(given)
        texts = demo_files()
    else:
        answers = _answers(given)
        texts = model_files(answers)
    for path in write_new(Path(folder), texts):
        click.echo(str(path))
    _tell_next(folder, None if demo else answers)


def _classes() -> str:
    return "; ".join(f"{name} = {each.text}" for name, each in CLASSES.items())


def _refuse_answers(given: dict[str, Any]) -> None:
    used = [name for name, value in given.items() if value is not None]
    if used:
        raise UsageError(f"--demo asks for nothing: leave out --{used[0].replace('_', '-')}")


def _answers(given: dict[str, Any]) -> Answers:
    """Return what was given, and what is asked for; where nobody can be asked, what is missing is said at once.

    Raises
    ------
    UsageError
        An answer is missing or makes no sense.
    """
    needed = {
        "model": ("Model (letters, digits, '.', '_', '-')", None),
        "device_class": (
            f"What is it: {'; '.join(f'{name} = {each.text}' for name, each in CLASSES.items())}",
            "converter",
        ),
        "serial": ("A serial number as an example", None),
    }
    asked = sys.stdin.isatty()
    if not asked:
        missing = [name for name, (_, default) in needed.items() if default is None and given[name] is None]
        if missing:
            raise UsageError(f"give {', '.join(f'--{name}' for name in missing)}: nobody can be asked here")
    said: dict[str, Any] = {
        name: given[name]
        if given[name] is not None
        else click.prompt(words, default=default)
        if asked
        else default
        for name, (words, default) in needed.items()
    }
    if said["device_class"] not in CLASSES:
        raise UsageError(
            f"--class: {visible(str(said['device_class'])[:40])!r} is none of {', '.join(CLASSES)}"
        )
    of_class = CLASSES[said["device_class"]]
    _tell_pattern(said["serial"])
    defaults: dict[str, Any] = {
        "channels": "left,right",
        "rates": str(of_class.rate_hz),
        "bits": of_class.bits,
        "output_volts": 2.0,
        "station": "bench",
        "ci": "none",
    }
    words = {
        "channels": "Outputs, in order",
        "rates": "Rates of its input, Hz; the first one is played",
        "bits": "Word length of the stimuli",
        "output_volts": "Output of a full-scale sine, V rms",
        "station": "Name of the station",
        "ci": f"Build service ({', '.join(CI_SERVICES)})",
    }
    for name, default in defaults.items():
        value = given[name]
        said[name] = (
            value if value is not None else click.prompt(words[name], default=default) if asked else default
        )
    playback, capture = given["playback"], given["capture"]
    if asked and playback is None and capture is None:
        playback, capture = _asked_devices()
    if (playback is None) != (capture is None):
        raise UsageError("give --playback and --capture, or neither for a simulated station")
    return Answers(
        model=_name(said["model"], "--model"),
        station=_name(said["station"], "--station"),
        serial=said["serial"],
        channels=_channels(said["channels"]),
        device_class=said["device_class"],
        rates_hz=_rates(said["rates"]),
        bits=int(said["bits"]),
        output_volts=float(said["output_volts"]),
        playback=playback,
        capture=capture,
        ci=said["ci"],
    )


def _tell_pattern(serial: str) -> None:
    pattern = serial_pattern(serial)
    tell(
        f"serial numbers: {pattern} matches {visible(serial)}, and nothing shorter, longer or in other letters"
    )


def _asked_devices() -> tuple[str | None, str | None]:
    """List the sound devices that are there, and ask for two; a simulated station where none is named."""
    from linecheck.station.interfaces.sound.devices import list_devices, load_portaudio

    try:
        devices = [str(each) for each in list_devices(load_portaudio()) if each.direct]
    except StationError as error:
        tell(f"no sound devices: {error}")
        devices = []
    for device in devices:
        click.echo(f"  {visible(device)}", err=True)
    playback = click.prompt("Device that plays (empty: a simulated station)", default="", show_default=False)
    if not playback:
        return None, None
    return playback, click.prompt("Device that captures", default=playback)


def _name(text: str, option: str) -> str:
    if _NAME.fullmatch(text) is None:
        raise UsageError(f"{option}: {visible(text[:40])!r} is no name: letters, digits, '.', '_' and '-'")
    return text


def _channels(text: str) -> tuple[str, ...]:
    names = tuple(name.strip() for name in text.split(","))
    if len(set(names)) != len(names) or not all(NAME.fullmatch(name) for name in names):
        raise UsageError(
            f"--channels: {visible(text[:60])!r}: give different names of lower-case letters, digits and '_', with "
            "commas between"
        )
    return names


def _rates(text: str) -> tuple[int, ...]:
    rates = [int(rate) for rate in text.split(",") if rate.strip().isdecimal()]
    if len(rates) != len(text.split(",")) or not all(44_100 <= rate <= 768_000 for rate in rates):
        raise UsageError(
            f"--rates: {visible(text[:60])!r}: give rates in hertz, from 44100 to 768000, with commas between"
        )
    return tuple(rates)


def _tell_next(folder: str, answers: Answers | None) -> None:
    """Say the next three commands."""
    model, station, serial = (
        ("pellow-r3", "demo", "PR3-000001")
        if answers is None
        else (answers.model, answers.station, answers.serial)
    )
    where = "" if folder == "." else f"cd {shlex.quote(folder)} && "
    limits, config = f"limits/{model}.yaml", f"station_configs/{station}.toml"
    tell("next:")
    for line in (
        f"{where}linecheck limits check {limits} --strict",
        f"linecheck run --station {config} --limits {limits} --serial {shlex.quote(serial)}",
        f"linecheck report {shlex.quote(serial)} --station {config} --out {shlex.quote(serial)}.html",
    ):
        click.echo(f"  {line}", err=True)
