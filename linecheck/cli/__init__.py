"""The command line: thin, and instant to start.

In: arguments, and what people type. Out: texts on the screen and an exit status; no rule of the line stands here.

Every command lives in a module of its own that is imported when it is called.
"""

from __future__ import annotations

import os
import sys

import click

from linecheck import __version__
from linecheck.cli.display.messages import tell
from linecheck.cli.display.streams import forgiving_streams
from linecheck.cli.lazy import LazyGroup
from linecheck.errors import ExitStatus, LinecheckError

__all__ = ["cli", "main"]

#: command -> (place in this package, one-line help)
COMMANDS = {
    "archive": ("archive:command", "Show, retain and verify the archived captures."),
    "baseline": ("baseline:command", "Accept readings as the baseline for later firmware."),
    "compare": ("compare:command", "Compare runs and capture sets with each other."),
    "countersign": ("signoff:countersign_command", "Confirm or contradict a sign-off, as a second person."),
    "cut": ("cut:command", "Cut a recording of a test programme into a capture set."),
    "doctor": ("doctor:command", "Tell what this machine lacks, and how to get it."),
    "gauge": ("gauge:command", "Study how much of what is measured is the station: plan, and result."),
    "init": ("init:command", "Write what a new model begins with, or the demonstration."),
    "judge": ("judge:command", "Judge capture sets."),
    "limits": ("limits:command", "Check limit files, explain them, and propose masks from units."),
    "manual": ("manual:command", "Show the manual, or write it as pages."),
    "log": ("log:command", "List, show, export and verify what is in the log."),
    "plot": ("plot:command", "Write the figures of a run, a capture set or a comparison."),
    "programme": (
        "programme:programme_command",
        "Write all checks as one test programme, for a standalone player.",
    ),
    "regress": ("regress:command", "Compare capture sets with a baseline."),
    "repair": ("repair:command", "Record what was found at a unit that did not pass, and what was done."),
    "report": ("report:command", "Write a run, a capture set or a comparison as one page."),
    "run": ("run:command", "Test one unit, or unit after unit, on a station."),
    "serve": ("serve:command", "Test unit after unit, with a screen in the browser."),
    "schema": ("schema:command", "Print the JSON Schema of limit files, or of results."),
    "signoff": ("signoff:command", "Record who accepts or rejects what a comparison showed."),
    "statistics": ("statistics:command", "Tell what many units tell: yield, capability, charts, drift."),
    "station": ("station:command", "Verify the station: self-check, golden and challenge units, status."),
    "stimuli": ("programme:stimuli_command", "Write the stimulus of every check as a WAV file."),
    "sync": ("sync:command", "Send the log to the central server."),
}


@click.group(
    cls=LazyGroup,
    package=__name__,
    lazy=COMMANDS,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100, "show_default": True},
)
@click.version_option(__version__, prog_name="linecheck")
def cli() -> None:
    """Test audio converters, disc players and streamers at the end of the line.

    Exit status: 0 pass or marginal, 1 fail, 2 a wrong command or file (nothing was run), 3 invalid or aborted.
    """


def main() -> None:
    """Run the command line; a user's mistake ends in a message, never in a traceback."""
    # The products here are small: on more threads BLAS waits for itself, most of all while sound and analysis share the
    # cores (three times slower, as measured on two).
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    with forgiving_streams() as output:
        status = _status()
        output.flush()
        if output.failure is not None:
            tell(f"standard output cannot be written: {output.failure.strerror or output.failure}")
            status = status or ExitStatus.INVALID
    sys.exit(status)


def _status() -> int:
    """Run the command line and return its exit status."""
    try:
        status = cli.main(standalone_mode=False)
    except LinecheckError as error:
        tell(str(error))
        return error.exit_status
    except click.ClickException as error:
        error.show()
        return ExitStatus.WRONG_INPUT
    except (click.Abort, KeyboardInterrupt):
        tell("stopped")
        return ExitStatus.INVALID
    except MemoryError:
        tell("this machine has too little memory for that: close other programs, or use shorter captures")
        return ExitStatus.INVALID
    return status if isinstance(status, int) else ExitStatus.PASS
