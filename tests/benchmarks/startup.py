"""Starting: ``linecheck --version`` over an interpreter that does nothing."""

import subprocess
import sys
import time

TARGET = 8.0


def _best(command, repeats):
    walls = []
    for _ in range(repeats):
        begun = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        walls.append(time.perf_counter() - begun)
    return min(walls)


def rows(quick):
    """Return the table's lines."""
    repeats = 5 if quick else 30
    floor = _best([sys.executable, "-c", "pass"], repeats)
    version = _best([sys.executable, "-m", "linecheck", "--version"], repeats)
    return [
        (
            "linecheck --version",
            f"{1e3 * version:.0f} ms",
            f"python -c pass {1e3 * floor:.0f} ms",
            f"{version / floor:.1f}",
            f"at most {TARGET:g}",
        )
    ]
