"""``linecheck stimuli``: write what a run would play, so that captures can be made anywhere."""

from __future__ import annotations

from pathlib import Path

import click

from linecheck.audio.file import write_audio
from linecheck.captures.capture_set import plain_file_name
from linecheck.cli.options import limits_option
from linecheck.files.durable import make_folder
from linecheck.limits.loading.load import load_limits
from linecheck.run.plan import make_plan

CAUTION = (
    "Caution: these signals reach full scale and may hold ultrasound, which cannot be heard and still "
    "destroys tweeters. Disconnect headphones, amplifiers and loudspeakers before you play them."
)


@click.command(name="stimuli")
@limits_option
@click.option("--out", required=True, metavar="DIR", help="Folder for the files.")
def command(limits_path: str, out: str) -> None:
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
