"""The command line: thin, and instant to start.

In: arguments, and what people type. Out: texts on the screen and an exit status; no rule of the line stands here.

Every command lives in a module of its own that is imported when it is called.
"""

from __future__ import annotations

import os
import sys

import click

from linecheck import __version__
from linecheck.cli.display.streams import forgiving_streams
from linecheck.cli.lazy import LazyGroup
from linecheck.errors import ExitStatus, LinecheckError

__all__ = ["cli", "main"]

#: command -> (module, one-line help)
COMMANDS = {
    "archive": ("linecheck.cli.archive", "Say what captures are kept, remove what is past its time, verify."),
    "baseline": ("linecheck.cli.baseline", "Accept readings as what later firmware is compared with."),
    "compare": ("linecheck.cli.compare", "Hold runs and capture sets against each other."),
    "countersign": ("linecheck.cli.countersign", "Confirm or contradict a sign-off, as a second person."),
    "cut": ("linecheck.cli.cut", "Cut a recording of a test programme into a capture set."),
    "judge": ("linecheck.cli.judge", "Judge capture sets."),
    "limits": ("linecheck.cli.limits", "Check limit files; say what they mean."),
    "log": ("linecheck.cli.log", "List, show, export and verify what is in the log."),
    "plot": ("linecheck.cli.plot", "Write the figures of a run, a capture set or a comparison."),
    "programme": (
        "linecheck.cli.programme",
        "Write all checks as one test programme, for a standalone player.",
    ),
    "regress": ("linecheck.cli.regress", "Compare capture sets with a baseline."),
    "report": ("linecheck.cli.report", "Write a run, a capture set or a comparison as one page."),
    "run": ("linecheck.cli.run", "Test one unit, or unit after unit, on a station."),
    "schema": ("linecheck.cli.schema", "Print the JSON Schema of limit files, or of results."),
    "signoff": ("linecheck.cli.signoff", "Record who accepts or rejects what a comparison showed."),
    "station": (
        "linecheck.cli.station",
        "Verify the station: self-check, golden and challenge units, status.",
    ),
    "stimuli": ("linecheck.cli.stimuli", "Write the stimulus of every check as a WAV file."),
    "sync": ("linecheck.cli.sync", "Send the log to the central server."),
}


@click.group(
    cls=LazyGroup,
    lazy={name: (f"{module}:command", text) for name, (module, text) in COMMANDS.items()},
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
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
            _complain(f"standard output cannot be written: {output.failure.strerror or output.failure}")
            status = status or ExitStatus.INVALID
    sys.exit(status)


def _status() -> int:
    """Run the command line and return its exit status."""
    try:
        status = cli.main(standalone_mode=False)
    except LinecheckError as error:
        _complain(str(error))
        return error.exit_status
    except click.ClickException as error:
        error.show()
        return ExitStatus.WRONG_INPUT
    except (click.Abort, KeyboardInterrupt):
        _complain("stopped")
        return ExitStatus.INVALID
    except MemoryError:
        _complain(
            "this machine has too little memory for that: close other programs, or use shorter captures"
        )
        return ExitStatus.INVALID
    return status if isinstance(status, int) else ExitStatus.PASS


def _complain(message: str) -> None:
    from linecheck.files.text import visible

    click.echo(f"linecheck: {visible(message)}", err=True)
