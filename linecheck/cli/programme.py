"""``linecheck stimuli`` and ``linecheck programme``: what a run plays, as a file a check, or as one long file."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np

from linecheck.audio.file import write_audio, write_audio_blocks
from linecheck.audio.flac import write_flac
from linecheck.audio.sample_bytes import SampleForm
from linecheck.captures.capture_set import plain_file_name
from linecheck.captures.programme.programme import Programme, check_names, make_programme
from linecheck.captures.setups import chosen_setup, read_settings
from linecheck.cli.display.messages import counted, print_table, tell
from linecheck.cli.options import limits_option, setup_option, without_option
from linecheck.errors import UsageError
from linecheck.files.durable import make_folder
from linecheck.limits.loading.load import load_limits
from linecheck.limits.mask_warnings import out_of_reach
from linecheck.run.plan import make_plan

CAUTION = (
    "Caution: these signals reach full scale and may hold ultrasound, which cannot be heard and still "
    "destroys tweeters. Disconnect headphones, amplifiers and loudspeakers before you play them."
)


@click.command(name="stimuli")
@limits_option
@click.option("--out", required=True, metavar="DIR", help="Folder for the files.")
def stimuli_command(limits_path: str, out: str) -> None:
    """Write the stimulus of every check as DIR/CHECK.wav, sample for sample what a run plays."""
    plan = make_plan(load_limits(limits_path))
    folder = Path(out)
    make_folder(folder)
    for planned in plan.checks:
        stimulus = planned.stimulus
        path = folder / f"{plain_file_name(planned.check.name)}.wav"
        write_audio(path, stimulus.samples, stimulus.rate_hz, stimulus.bits)
        click.echo(f"{path}: {stimulus.rate_hz} Hz, {stimulus.bits} bits, {stimulus.seconds:.3f} s")
    click.echo(CAUTION, err=True)


@click.command(name="programme")
@limits_option
@click.option("--out", required=True, metavar="FILE", help="The programme: FILE.wav or FILE.flac.")
@click.option("--rate", "rate_hz", type=int, metavar="HZ", help="Play every check at this rate.")
@click.option("--bits", type=int, metavar="N", help="Play every check at this word length.")
@without_option(help="Leave out this check; repeatable.")
@setup_option(help="Setup for the checks that have several; repeatable.")
@click.option("--tracks", metavar="DIR", help="Also write each segment to its own file in DIR, for a disc.")
def programme_command(
    limits_path: str,
    out: str,
    rate_hz: int | None,
    bits: int | None,
    without: tuple[str, ...],
    settings: tuple[str, ...],
    tracks: str | None,
) -> None:
    """Write the checks of a limit file as one test programme, for a standalone player or streamer.

    Every check is a segment of its own behind a coded mark. Play it in any order, start recording first, and let
    "linecheck cut" make a capture set of the recording. A disc takes --rate 44100 --bits 16, and masks for
    16 bits: those that no unit can pass at the programme's word length are named.

    Nothing can set the unit while the programme plays: where checks have several setups, --setup says which one. Make a
    programme for each of the others.

    The same limit file gives the same samples every time.
    """
    if Path(out).suffix.lower() not in (".wav", ".flac"):
        raise UsageError(f"--out {out}: a test programme is a .wav or a .flac file")
    limits = chosen_setup(load_limits(limits_path), read_settings(settings))
    left_out = check_names(without, limits)
    programme = make_programme(limits, rate_hz, bits)
    _refuse_impossible(programme, left_out)
    _write(programme, left_out, Path(out))
    _show(programme, left_out, out)
    if tracks is not None:
        _write_tracks(programme, left_out, Path(tracks), Path(out).suffix)
    for line in (*_setups(programme, left_out), *_out_of_reach(programme, left_out)):
        tell(line)
    click.echo(CAUTION, err=True)


def _refuse_impossible(programme: Programme, left_out: frozenset[str]) -> None:
    """Refuse to leave a check out, or one that nobody could judge in, that nobody wants left out."""
    refused = {**programme.impossible, **programme.unjudged}
    lines = [f"  {name}: {why}" for name, why in refused.items() if name not in left_out]
    if lines:
        names = " ".join(f"--without {name}" for name in refused if name not in left_out)
        raise UsageError(
            f"not every check can be in a programme of {programme.rate_hz} Hz and {programme.bits} bits:\n"
            + "\n".join(lines)
            + f"\nleave out what cannot: {names}"
        )
    if not programme.layout(left_out):
        raise UsageError("every check is left out, so that nothing would be played")


def _write(programme: Programme, left_out: frozenset[str], path: Path) -> None:

    blocks = programme.blocks(left_out)
    if path.suffix.lower() == ".flac":
        write_flac(path, np.concatenate(list(blocks)), programme.rate_hz, _file_bits(programme.bits))
        return
    frames, bits = programme.frames(left_out), _file_bits(programme.bits)
    form = SampleForm(programme.rate_hz, programme.channels, frames, bits, np.dtype(np.int32))
    write_audio_blocks(path, blocks, form)


def _file_bits(bits: int) -> int:
    """Return the word length of the file: one that every player takes, with zeros below the programme's own."""
    return next(usual for usual in (16, 24, 32) if bits <= usual)


def _write_tracks(programme: Programme, left_out: frozenset[str], folder: Path, suffix: str) -> None:

    make_folder(folder)
    write = write_flac if suffix.lower() == ".flac" else write_audio
    placed = programme.layout(left_out)
    width = max(2, len(str(len(placed))))
    for number, entry in enumerate(placed, 1):
        path = folder / f"{number:0{width}}-{plain_file_name(entry.segment.name)}{suffix}"
        write(path, programme.track(entry.segment, left_out), programme.rate_hz, _file_bits(programme.bits))
    click.echo(f"{folder}: {len(placed)} tracks, one a segment")


def _setups(programme: Programme, left_out: frozenset[str]) -> Iterator[str]:
    """Yield which segments want the unit set otherwise than the programme's others."""
    common = programme.limits.setup
    for entry in programme.layout(left_out):
        setup = entry.segment.planned.check.setup
        differing = [f"{key} {value}" for key, value in setup.items() if common.get(key) != value]
        if differing:
            yield (
                f"{entry.segment.name} wants the unit set to {', '.join(differing)} while it plays, and nothing here "
                "can do that: set it by hand, or leave it out with --without"
            )


def _out_of_reach(programme: Programme, left_out: frozenset[str]) -> Iterator[str]:
    """Yield the masks that a perfect player would not pass with this programme."""
    lines = [
        f"  {check.name} {line}"
        for check in (entry.segment.planned.check for entry in programme.layout(left_out))
        for line in out_of_reach(check)
    ]
    if lines:
        listed = "\n".join(lines)
        yield (
            f"{programme.limits.path} has masks that no unit can pass at {programme.bits} bits:\n{listed}\n"
            "Make a limit file with masks for this word length, or leave these checks out with --without"
        )


def _show(programme: Programme, left_out: frozenset[str], out: str) -> None:
    """Show what lies where."""
    rate = programme.rate_hz
    rows = [
        (entry.segment.name, *(f"{frame / rate:.3f}" for frame in (entry.mark, entry.start, entry.stop)))
        for entry in programme.layout(left_out)
    ]
    print_table(("segment", "mark at", "stimulus", "to (s)"), rows, right=(1, 2, 3))
    click.echo(
        f"{out}: {rate} Hz, {programme.bits} bits, {counted(programme.channels, 'channel')}, "
        f"{programme.frames(left_out) / rate:.3f} s, programme {programme.ident:06x}"
    )
