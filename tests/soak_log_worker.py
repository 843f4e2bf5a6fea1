"""One nest of the soak: tests small simulated units into a log until it is killed.

    python tests/soak_log_worker.py LOG NEST SEED START

Says on standard output, one line of JSON each, what the log has acknowledged. Ends with its parent.
"""

import datetime as datetimes
import json
import os
import random
import sys
import threading
import time
import uuid
from concurrent.futures import Future
from dataclasses import replace

from small_run import simulated, small_check, small_limits

from linecheck.limits.model import Bounds, Mask
from linecheck.log import Log, statements, store
from linecheck.run.facts import Asset
from linecheck.run.plan import make_plan
from linecheck.station import runner
from linecheck.station.runner import RunFacts, run_unit

SERIALS = 4000
FAULTS = ((), (), (), (), ("hum",), ("dropout",))


class Inline:
    """An executor that does everything at once, in this thread."""

    def submit(self, work, *arguments, **options):
        """Do the work and return what came of it."""
        done = Future()
        try:
            done.set_result(work(*arguments, **options))
        except Exception as error:
            done.set_exception(error)
        return done


class UnsteadyClock(datetimes.datetime):
    """A wall clock that somebody sets."""

    offset = datetimes.timedelta(0)

    @classmethod
    def now(cls, tz=None):
        """Return the time as this clock shows it."""
        return datetimes.datetime.now(tz) + cls.offset


def main():
    path, nest, seed, start = sys.argv[1], *map(int, sys.argv[2:5])
    chance = random.Random(f"{seed} {nest} {start}")
    for module in (runner, store, statements):
        assert hasattr(module, "datetime")
        module.datetime = UnsteadyClock
    threading.Thread(target=end_with_parent, daemon=True).start()
    check = small_check(
        "tone", "tone", {"thd": Mask(Bounds(None, -80.0)), "hum": Mask(Bounds(None, -100.0))}, seconds=0.1
    )
    plan = make_plan(small_limits(check))
    trace = {
        "nest": str(nest),
        "packages": {"numpy": "2"},
        "assets": (Asset("cable", f"CB-{nest}"),),
        "clock": {"synchronised": None},
    }
    with Log(path, busy_seconds=60.0) as log:
        for at in range(10**9):
            if at == 0 or chance.random() < 0.05:
                UnsteadyClock.offset = datetimes.timedelta(seconds=chance.uniform(-86400.0, 86400.0))
            serial = f"PR3-{chance.randrange(SERIALS):06d}"
            unit = simulated(*chance.choice(FAULTS), seed=chance.randrange(2**31))
            outcome = run_unit(plan, RunFacts(serial, "1.4.2", "soak"), unit, Inline()).outcome
            outcome = replace(outcome, run_id=str(uuid.UUID(int=chance.getrandbits(128))), **trace)
            began = time.perf_counter()
            stored = log.append(outcome)
            took = 1e3 * (time.perf_counter() - began)
            say(
                nest=nest,
                sequence=stored.sequence,
                run=outcome.run_id,
                hash=stored.record_hash,
                commit_ms=took,
            )
            if at % 25 == 24:
                log.state("self_check", "soak", {"met": True, "nest": nest, "after": at})


def say(**words):
    """Say a line that fits into the pipe at once, so that it is there whole or not at all."""
    os.write(1, json.dumps(words).encode() + b"\n")


def end_with_parent():
    """Wait for the end of standard input, which is that of the parent."""
    while os.read(0, 4096):
        pass
    os._exit(1)


if __name__ == "__main__":
    main()
