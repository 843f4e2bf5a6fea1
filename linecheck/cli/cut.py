"""``linecheck cut``: a recording of a test programme as a capture set."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import click

from linecheck.audio.stream import open_audio
from linecheck.captures.capture_set import INDEX_NAME
from linecheck.captures.programme.cutting import Piece, SetFacts, Survey, survey, write_pieces
from linecheck.captures.programme.programme import check_names
from linecheck.captures.setups import chosen_setup, read_settings
from linecheck.cli.display.messages import tell
from linecheck.cli.options import limits_file_option, printable, setup_option, without_option
from linecheck.errors import ExitStatus, FileError, UsageError
from linecheck.files.text import visible
from linecheck.limits.loading.load import load_limits
from linecheck.limits.model import LimitFile
from linecheck.limits.serial_pattern import serial_matches
from linecheck.run.plan import check_serial

#: Looking through more than this takes seconds, which is said beforehand.
LONG_SECONDS = 300.0
#: A calibration that is worse is none.
MAX_PERCENT = 10.0


def _percent(_: click.Context, parameter: click.Parameter, given: float | None) -> float | None:
    if given is not None and not 0.0 <= given <= MAX_PERCENT:
        raise UsageError(
            f"{parameter.opts[0]} {given:g}: expected 0 to {MAX_PERCENT:g}, as in 0.2 for a fifth of a per cent"
        )
    return given


def _mains(_: click.Context, parameter: click.Parameter, given: float | None) -> float | None:
    if given is not None and not 0.0 < given <= 1000.0:
        raise UsageError(f"{parameter.opts[0]}: expected a frequency such as 50 or 60, got {given:g}")
    return given


@click.command(name="cut")
@click.argument("recording", metavar="RECORDING")
@limits_file_option(required=True, help="Limit file that the programme was made from (YAML).")
@click.option("--out", required=True, metavar="SET", help="Folder for the capture set.")
@click.option(
    "--serial", metavar="S", help="Serial number of the unit [default: from the name of RECORDING]."
)
@click.option("--firmware", metavar="F", help="Firmware of the unit, for the record.")
@click.option("--station", metavar="NAME", help="Where it was recorded, for the record.")
@click.option(
    "--full-scale-volts", metavar="V,V", help="Peak volts at full scale of each channel of the recorder."
)
@click.option(
    "--volts-uncertainty-percent",
    type=float,
    metavar="P",
    callback=_percent,
    help="Standard uncertainty (k = 1) of these volts; without it they count as uncalibrated.",
)
@click.option(
    "--mains-hz", type=float, metavar="HZ", callback=_mains, help="Mains frequency where it was recorded."
)
@without_option(help="Do not look for this check; repeatable.")
@setup_option(help="Setup the programme was made with; repeatable.")
def command(
    recording: str,
    limits_path: str,
    out: str,
    serial: str | None,
    firmware: str | None,
    station: str | None,
    full_scale_volts: str | None,
    volts_uncertainty_percent: float | None,
    mains_hz: float | None,
    without: tuple[str, ...],
    settings: tuple[str, ...],
) -> ExitStatus:
    """Find the segments of a test programme in RECORDING (WAV or FLAC), and write them as the capture set SET.

    They may come in any order, repeated, with gaps of any length, from a clock that is off by up to 1000 ppm. Missing
    segments are named. Samples are cut and never changed.

    Exit status: 0 all were found, 2 a wrong command or file, or another programme, 3 something was not found: SET then
    holds the rest.
    """
    limits = chosen_setup(load_limits(limits_path), read_settings(settings))
    facts = SetFacts(
        serial=_serial(serial, recording, limits),
        firmware=printable("--firmware", firmware),
        station=printable("--station", station),
        mains_hz=mains_hz,
        full_scale_volts=_volts(full_scale_volts, limits),
        volts_uncertainty_percent=volts_uncertainty_percent,
    )
    left_out = check_names(without, limits)
    if (Path(out) / INDEX_NAME).exists():
        raise FileError(out, "holds a capture set already, which is never written over")
    with open_audio(recording) as stream:
        seconds = stream.frames / stream.rate_hz
        if seconds > LONG_SECONDS:
            tell(f"looking through {_clock(seconds)} of recording")
        found = survey(stream, limits, left_out)
        if found.pieces:
            write_pieces(stream, found, out, facts)
        _show(found, recording, stream.rate_hz)
    if found.pieces:
        _show_set(out, limits_path, facts.serial)
    return ExitStatus.INVALID if found.missing or not found.pieces else ExitStatus.PASS


def _serial(given: str | None, recording: str, limits: LimitFile) -> str | None:
    """Return the serial number that is given, or that the recording is named after."""
    if given is not None:
        return check_serial(given, limits)
    stem = Path(recording).stem
    return check_serial(stem, limits) if serial_matches(limits.serial_pattern, stem) else None


def _volts(text: str | None, limits: LimitFile) -> tuple[float, ...] | None:
    if text is None:
        return None
    try:
        volts = tuple(float(part) for part in text.split(","))
    except ValueError:
        volts = ()
    if len(volts) != len(limits.channels) or not all(math.isfinite(one) and one > 0.0 for one in volts):
        example = ",".join(["4.24"] * len(limits.channels))
        raise UsageError(
            f"--full-scale-volts: expected volts for each of {', '.join(limits.channels)}, as in {example}"
        )
    return volts


def _show(found: Survey, recording: str, rate_hz: int) -> None:
    """Show what was found on standard output, and what was not, or is odd, on standard error."""
    programme = found.programme
    if programme is not None:
        click.echo(
            f"{visible(recording)}: programme {programme.ident:06x}, {programme.rate_hz} Hz, {programme.bits} bits"
        )
    names = [piece.segment.name for piece in found.pieces]
    width = max((len(name) for name in names), default=0)
    for piece in found.pieces:
        click.echo(
            f"  {piece.segment.name:{width}}  stimulus at {_clock(piece.seconds)}, cut from "
            f"{piece.start / rate_hz:.3f} to {piece.stop / rate_hz:.3f} s{_repeats(piece, found.spare)}"
        )
    for line in _complaints(found, recording):
        tell(line)


def _repeats(piece: Piece, spare: Sequence[Piece]) -> str:
    times = [other.seconds for other in spare if other.segment == piece.segment and other.whole]
    return f"; repeated at {', '.join(_clock(time) for time in times[:5])}, not used" if times else ""


def _complaints(found: Survey, recording: str) -> list[str]:
    lines = [f"{recording}: {note}" for note in found.notes]
    if found.programme is None:
        lines.append(
            f"{recording}: no mark of a test programme was found: is it a recording of one, and loud enough? "
            "Marks peak 20 dB below full scale. Nothing was written"
        )
        return lines
    for name in found.left_out:
        why = found.programme.impossible.get(name)
        lines.append(f"{name} is not in this programme" + (f": {why}" if why else ""))
    for name in found.missing:
        cut_off = [piece for piece in found.spare if piece.segment.name == name]
        where = ", ".join(_clock(piece.seconds) for piece in cut_off[:5])
        lines.append(f"{name} is cut off (it begins at {where})" if cut_off else f"{name} was not found")
    if not found.pieces:
        lines.append("no segment is whole, so nothing was written")
    return lines


def _clock(seconds: float) -> str:
    minutes, rest = divmod(seconds, 60.0)
    return f"{int(minutes)}:{rest:06.3f}"


def _show_set(out: str, limits_path: str, serial: str | None) -> None:
    click.echo(
        visible(f"{out}: judge it with: linecheck judge {out} --limits {limits_path}")
        + ("" if serial else " --serial S")
    )
    if serial is None:
        tell(
            "the set has no serial number, since the recording is not named after one: give it to judge, or cut with "
            "--serial"
        )
