"""Whether a process outlives the parent that started it and was killed."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

PATIENCE_SECONDS = 20.0


def is_left_behind(parent: str, folder: Path) -> bool:
    """Run a program that starts a process and writes its number; kill it, and see what becomes of that process."""
    (folder / "parent.py").write_text(parent, encoding="utf-8")
    with subprocess.Popen([sys.executable, "parent.py"], cwd=folder, stdout=subprocess.PIPE) as running:
        assert running.stdout is not None
        worker = int(running.stdout.readline())
        running.kill()
    end = time.monotonic() + PATIENCE_SECONDS
    while _lives(worker):
        if time.monotonic() > end:
            return True
        time.sleep(0.05)
    return False


def _lives(process: int) -> bool:
    try:
        stat = Path(f"/proc/{process}/stat").read_text(encoding="ascii")
    except OSError:
        return False
    return stat.rpartition(")")[2].split()[0] != "Z"
