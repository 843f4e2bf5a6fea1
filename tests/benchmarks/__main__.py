"""How fast linecheck is, as ratios against a floor that is measured in the same minute on the same machine.

::

    python tests/benchmarks            # everything, a few minutes
    python tests/benchmarks --quick    # a first look, as CI takes it
    python tests/benchmarks startup    # one of them

Each line says what was measured, the figure, the floor that it is compared with, and the target. Nothing here
passes or fails by time: a slow machine is no fault, and a ratio that has grown is for a person to look at. Each
is the best of several, since what else runs on the machine only ever adds. A benchmark is a module beside this
one with ``rows(quick)``.
"""

import argparse
import importlib
import sys
from pathlib import Path

BENCHMARKS = (
    "startup",
    "analysis_speed",
    "naming",
    "many_sets",
    "many_units",
    "sound_run",
    "log_commit",
    "log_queries",
    "rejudge",
    "sending",
)


def main():
    """Measure and print the table."""
    sys.path.insert(1, str(Path(__file__).parents[1]))
    parser = argparse.ArgumentParser(prog="benchmarks", description=__doc__.partition("\n")[0])
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"any of {', '.join(BENCHMARKS)}")
    parser.add_argument("--quick", action="store_true", help="fewer repeats, shorter audio")
    arguments = parser.parse_args()
    unknown = set(arguments.names) - set(BENCHMARKS)
    if unknown:
        parser.error(f"no such benchmark: {', '.join(sorted(unknown))}")
    table = [("what", "figure", "floor", "ratio", "target")]
    for name in arguments.names or BENCHMARKS:
        table += importlib.import_module(name).rows(arguments.quick)
    widths = [max(len(row[column]) for row in table) for column in range(5)]
    for row in table:
        print("  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip())


if __name__ == "__main__":
    main()
