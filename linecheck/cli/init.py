"""``linecheck init``: the files of a new model, or of the demonstration."""

from __future__ import annotations

import math
import re
import shlex
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from linecheck.cli.display.messages import tell
from linecheck.errors import StationError, UsageError
from linecheck.files.text import visible
from linecheck.registry import NAME
from linecheck.starter.answers import CI_SERVICES, CLASSES, Answers, DeviceClass, serial_pattern
from linecheck.starter.files import demo_files, model_files, write_new
from linecheck.station.interfaces.sound.devices import (
    Direction,
    choose_device,
    list_devices,
    load_portaudio,
)

#: Model and station, which become names of files.
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,62}")


@click.command(name="init")
@click.option(
    "--demo", is_flag=True, help="Write the demonstration's limit files and station configs instead."
)
@click.option("--out", "folder", default=".", metavar="DIR", help="Folder to write into.")
@click.option("--model", metavar="NAME", help="Model, as it is to be in limit file and log.")
@click.option(
    "--class", "device_class", metavar="|".join(CLASSES), help="What the unit is: masks begin there."
)
@click.option("--serial", metavar="S", help="A serial number as an example: PR3-000123.")
@click.option("--channels", metavar="A,B", help="Names of the outputs, in order [default: left,right].")
@click.option("--rates", metavar="HZ,HZ", help="Rates that the unit's input takes; the first one is played.")
@click.option("--bits", metavar="N", help="Word length of the stimuli: 8 to 32.")
@click.option("--output-volts", metavar="V", help="V rms of a full-scale sine at the output.")
@click.option("--station", metavar="NAME", help="Name of the station [default: bench].")
@click.option(
    "--playback", metavar="DEVICE", help="Sound device that plays; without it the station is simulated."
)
@click.option("--capture", metavar="DEVICE", help="Sound device that captures.")
@click.option("--ci", metavar="|".join(CI_SERVICES), help="Write a build job for this service.")
def command(demo: bool, folder: str, **given: Any) -> None:  # noqa: ANN401 - each option's value
    """Write what a new model begins with: a limit file, a station config, a build job.

    Asks for what no option says, and lists the sound devices that are there. The masks are those of a class of devices,
    reachable at the word length that is played: a start, to be tightened by what your own units read.
    """
    if demo:
        used = [name for name, value in given.items() if value is not None]
        if used:
            option = used[0].removeprefix("device_").replace("_", "-")
            raise UsageError(f"--demo asks for nothing: leave out --{option}")
        texts = demo_files()
    else:
        answers = _answers(given)
        texts = model_files(answers)
    for path in write_new(Path(folder), texts):
        click.echo(str(path))
    _tell_next(folder, None if demo else answers)


@dataclass(frozen=True)
class _Question:
    """What is asked: ``accept`` turns the text of an answer into what it means, or refuses it."""

    words: str
    accept: Callable[[str], Any]
    #: What an empty answer means, by the class of the device; None where something must be said.
    default: Callable[[DeviceClass], str] | None = None


def _always(text: str) -> Callable[[DeviceClass], str]:
    return lambda _: text


def _questions() -> dict[str, _Question]:
    classes = "; ".join(f"{name} = {each.text}" for name, each in CLASSES.items())
    return {
        "model": _Question("Model (letters, digits, '.', '_', '-')", _name("--model")),
        "device_class": _Question(
            f"What is it: {classes}", _one_of("--class", CLASSES), _always("converter")
        ),
        "serial": _Question("A serial number as an example", _serial),
        "channels": _Question("Outputs, in order", _channels, _always("left,right")),
        "rates": _Question(
            "Rates of its input, Hz; the first one is played", _rates, lambda of: str(of.rate_hz)
        ),
        "bits": _Question("Word length of the stimuli", _bits, lambda of: str(of.bits)),
        "output_volts": _Question("Output of a full-scale sine, V rms", _volts, _always("2.0")),
        "station": _Question("Name of the station", _name("--station"), _always("bench")),
        "ci": _Question(
            f"Build service ({', '.join(CI_SERVICES)})", _one_of("--ci", CI_SERVICES), _always("none")
        ),
    }


def _answers(given: dict[str, str | None]) -> Answers:
    """Return what was given, and what is asked for; where nobody can be asked, what is missing is said at once.

    What was given is looked at before anything is asked, and each answer when it is given: none is lost at the end.

    Raises
    ------
    UsageError
        An answer is missing or makes no sense.
    """
    asked = sys.stdin.isatty()
    questions = _questions()
    missing = [name for name, each in questions.items() if each.default is None and given[name] is None]
    if missing and not asked:
        raise UsageError(f"give {', '.join(f'--{name}' for name in missing)}: nobody can be asked here")
    said: dict[str, Any] = {
        name: each.accept(text) for name, each in questions.items() if (text := given[name]) is not None
    }
    for name, each in questions.items():
        if name in said:
            continue
        default = each.default(CLASSES[said.get("device_class", "converter")]) if each.default else None
        said[name] = (
            click.prompt(each.words, default=default, value_proc=_again(each.accept))
            if asked
            else each.accept(default or "")
        )
    playback, capture = _devices(
        given["playback"], given["capture"], asked=asked, channels=len(said["channels"])
    )
    return Answers(playback=playback, capture=capture, rates_hz=said.pop("rates"), **said)


def _again(accept: Callable[[str], Any]) -> Callable[[str], Any]:
    """Have a refused answer told and asked for anew."""

    def value_of(text: str) -> Any:  # noqa: ANN401 - what the question accepts
        try:
            return accept(text)
        except (UsageError, StationError) as error:
            raise click.UsageError(str(error)) from None

    return value_of


def _devices(
    playback: str | None, capture: str | None, *, asked: bool, channels: int
) -> tuple[str | None, str | None]:
    """Return the sound devices that play and capture; None for a simulated station.

    A device that was named by an option need not be here: the config may be for another machine.
    """
    if bool(playback) != bool(capture):
        raise UsageError("give --playback and --capture, or neither for a simulated station")
    if not playback and not asked:
        return None, None
    try:
        devices = list_devices(load_portaudio())
    except StationError as error:
        tell(f"no sound devices here: {error}")
        devices = ()

    def chosen(direction: Direction) -> Callable[[str], str]:
        return lambda name: name and str(choose_device(devices, name, direction, channels))

    if playback and capture:
        sides: tuple[tuple[str, Direction], ...] = ((playback, "playback"), (capture, "capture"))
        for name, direction in sides:
            try:
                chosen(direction)(name)
            except StationError as error:
                tell(f"note: on this machine {error}")
        return playback, capture
    direct = [device for device in devices if device.direct]
    if not direct:
        tell("no sound device here reaches its hardware directly: the station is simulated")
        return None, None
    for device in direct:
        click.echo(f"  {visible(str(device))}", err=True)
    words = "Device that plays (empty: a simulated station)"
    playback = click.prompt(words, default="", show_default=False, value_proc=_again(chosen("playback")))
    if not playback:
        return None, None
    return playback, click.prompt(
        "Device that captures", default=playback, value_proc=_again(chosen("capture"))
    )


def _serial(example: str) -> str:
    pattern = serial_pattern(example)
    tell(
        f"serial numbers: {pattern} matches {visible(example)}, and nothing shorter, longer or in other letters"
    )
    return example


def _one_of(option: str, choices: Iterable[str]) -> Callable[[str], str]:
    def accept(text: str) -> str:
        if text not in choices:
            raise UsageError(f"{option}: {visible(text[:40])!r} is none of {', '.join(choices)}")
        return text

    return accept


def _name(option: str) -> Callable[[str], str]:
    def accept(text: str) -> str:
        if _NAME.fullmatch(text) is None:
            raise UsageError(
                f"{option}: {visible(text[:40])!r} is no name: letters, digits, '.', '_' and '-'"
            )
        return text

    return accept


def _bits(text: str) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) <= 2 and 8 <= int(text) <= 32):
        raise UsageError(f"--bits: {visible(text[:40])!r}: give a word length from 8 to 32")
    return int(text)


def _volts(text: str) -> float:
    try:
        volts = float(text)
    except ValueError:
        volts = math.nan
    # A comparison with nan is false, so that it is refused too.
    if not 0.001 <= volts <= 100.0:
        raise UsageError(
            f"--output-volts: {visible(text[:40])!r}: give volts rms from 0.001 to 100, like 2.1"
        )
    return volts


def _channels(text: str) -> tuple[str, ...]:
    names = tuple(name.strip() for name in text.split(","))
    if len(set(names)) != len(names) or not all(NAME.fullmatch(name) for name in names):
        raise UsageError(
            f"--channels: {visible(text[:60])!r}: give different names of lower-case letters, digits and '_', with "
            "commas between"
        )
    return names


def _rates(text: str) -> tuple[int, ...]:
    rates = [int(rate) for rate in text.split(",") if len(rate) < 10 and rate.strip().isdecimal()]
    if len(rates) != len(text.split(",")) or not all(44_100 <= rate <= 768_000 for rate in rates):
        raise UsageError(
            f"--rates: {visible(text[:60])!r}: give rates in hertz, from 44100 to 768000, with commas between"
        )
    return tuple(rates)


def _tell_next(folder: str, answers: Answers | None) -> None:
    """Say the next commands; a station that plays through hardware shows first that it may judge."""
    model, station, serial = (
        ("pellow-r3", "demo", "PR3-000001")
        if answers is None
        else (answers.model, answers.station, answers.serial)
    )
    where = "" if folder == "." else f"cd {shlex.quote(folder)} && "
    limits, config = f"limits/{model}.yaml", f"station_configs/{station}.toml"
    tell("next:")
    is_real = answers is not None and answers.playback is not None
    for line in (
        f"{where}linecheck limits check {limits} --strict",
        *([f"linecheck station check --station {config}"] if is_real else []),
        f"linecheck run --station {config} --limits {limits} --serial {shlex.quote(serial)}",
        f"linecheck report {shlex.quote(serial)} --station {config} --out {shlex.quote(serial)}.html",
    ):
        click.echo(f"  {line}", err=True)
