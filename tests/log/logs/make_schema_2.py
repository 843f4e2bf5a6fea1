"""How ``schema-2.sqlite`` was made: by the code of commit 11eae46, the last one whose logs had schema 2.

In a checkout of that commit: ``PYTHONPATH=tests python make_schema_2.py FILE SCHEMA_1``, where SCHEMA_1 is
``schema-1.sqlite``. That log's six records (format 1) come first, then a run with a bound and settings, a sign-off,
another run, and a countersignature (format 2). It prints the head, which the tests know.
"""

import shutil
import sqlite3
import sys
from dataclasses import replace
from pathlib import Path

from made_comparisons import made_comparison
from made_runs import made_check, made_curve, made_reading, made_run

from linecheck.checks.base import Problem
from linecheck.log import Log, LogReader
from linecheck.log.signoff import signature
from linecheck.run.model import SettingStep

STEPS = (
    SettingStep("filter", "slow", "command", True, 0.25, "tone", "filter is slow"),
    SettingStep("input", "usb", "operator", False, 3.5, "tone", "nobody answered"),
)


def main(path, older):
    shutil.copy(older, path)
    bound = made_reading(value=125.0)
    bound = replace(bound, reading=replace(bound.reading, is_bound=True))
    explained = Problem("reason", "the filter was set by hand", blocks=False)
    with Log(path) as log:
        log.append(
            made_run(
                made_check(bound, made_curve(), problems=(explained,)), serial="PR3-000002", settings=STEPS
            )
        )
        accept = signature(by="Q. Engineer", role="QA engineer", decision="accept", reason="No audible loss.")
        log.sign(made_comparison(), accept)
        log.append(made_run(serial="PR3-000002"))
        reject = signature(by="P. Manager", role="product manager", decision="reject", reason="It clicks.")
        log.countersign(8, reject)
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")
    connection.close()
    for copy in Path(path).parent.glob(f"{Path(path).stem}.schema-1*"):
        copy.unlink()
    with LogReader(path) as log:
        print(log.head(), log.verify().intact)


if __name__ == "__main__":
    main(*sys.argv[1:])
