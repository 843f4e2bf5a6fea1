"""A page on paper: printed to PDF by a Chromium that is there, without a network."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
from contextlib import suppress
from pathlib import Path

from linecheck.errors import FileError, RecordError, UsageError
from linecheck.files.text import visible
from linecheck.files.write import write_atomically

_NAMES = ("chromium", "chromium-browser", "google-chrome")
_VARIABLE = "LINECHECK_CHROMIUM"
_SECONDS = 60.0
_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--no-first-run",
    "--no-default-browser-check",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--no-pdf-header-footer",
)


def browser() -> str:
    """Return the browser that prints.

    Raises
    ------
    UsageError
        There is none.
    """
    named = os.environ.get(_VARIABLE)
    for name in (named,) if named else _NAMES:
        found = shutil.which(name)
        if found is not None:
            return found
    if named:
        raise UsageError(f"{_VARIABLE}: {named}: there is no such program; name a Chromium, or unset it")
    raise UsageError(
        f"--pdf: needs Chromium to print with, and there is none of {', '.join(_NAMES)}: install one, name it in "
        f"{_VARIABLE}, or print the page from any browser"
    )


def write_pdf(page: str, path: str | Path, *, program: str, seconds: float = _SECONDS) -> None:
    """Print a page to a PDF, which is there whole or not at all.

    Parameters
    ----------
    page : str
        HTML that asks for nothing outside itself.
    path : str or Path
    program : str
        The browser.
    seconds : float
        It is ended where it takes longer.

    Raises
    ------
    RecordError
        The browser has written none, or the file cannot be written.
    """
    with tempfile.TemporaryDirectory(prefix="linecheck-pdf-", ignore_cleanup_errors=True) as folder:
        source, made = Path(folder) / "page.html", Path(folder) / "page.pdf"
        source.write_text(page, encoding="utf-8")
        command = [program, *_FLAGS, f"--user-data-dir={folder}/profile", f"--print-to-pdf={made}"]
        said = _run([*command, source.as_uri()], seconds, str(path), Path(folder) / "said.txt")
        try:
            content = made.read_bytes()
        except OSError as error:
            raise RecordError(
                f"{visible(str(path))}: the browser has printed nothing: {said or 'it said nothing either'}"
            ) from error
    if not content.startswith(b"%PDF-"):
        raise RecordError(f"{visible(str(path))}: what the browser has printed is no PDF")
    write_atomically(path, content)


def _run(command: list[str], seconds: float, path: str, noted: Path) -> str:
    """Run the browser in a process group of its own; return the end of what it said.

    It speaks into a file: a pipe would stay open for as long as anything that it has started.
    """
    with open(noted, "wb") as stream:
        try:
            process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=stream,
                start_new_session=True,
            )
        except OSError as error:
            raise FileError(command[0], f"cannot be started: {error.strerror or error}") from error
        try:
            process.wait(timeout=seconds)
        except subprocess.TimeoutExpired as error:
            raise RecordError(
                f"{visible(path)}: the browser has not printed within {seconds:g} s: print the page by hand"
            ) from error
        finally:
            with suppress(OSError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
    return visible(noted.read_bytes()[-300:].decode("utf-8", "replace").strip())
