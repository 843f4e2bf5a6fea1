"""How ``schema-1.sqlite`` was made: by the code of commit 0f4f147, the last one whose logs had schema 1.

In a checkout of that commit: ``PYTHONPATH=tests python make_schema_1.py FILE``. It prints the head, which the tests
know. Its last run has a reading that was a bound, which schema 1 did not keep.
"""

import sqlite3
import sys
from dataclasses import replace

from made_runs import made_check, made_curve, made_reading, made_run, runs_of_every_verdict

from linecheck.log import Log, LogReader

BOUND = made_reading(value=125.0)


def main(path):
    with Log(path) as log:
        for run in runs_of_every_verdict().values():
            log.append(run)
        bound = replace(BOUND, reading=replace(BOUND.reading, is_bound=True))
        log.append(made_run(made_check(bound, made_curve()), serial="PR3-000001"))
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")
    connection.close()
    with LogReader(path) as log:
        print(log.head(), log.verify().intact)


if __name__ == "__main__":
    main(sys.argv[1])
