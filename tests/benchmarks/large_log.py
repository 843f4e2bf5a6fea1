"""Logs as large as those of years: made in seconds, with rows as the log itself stores them, but without its chain.

::

    python tests/benchmarks/large_log.py PATH --runs 100000    # 60 readings a run, 6,000,000 in all

The readings are the first that the demonstration limit file judges; ``large_limits`` has the masks of these, and no
others. Their values are normal, a few standard deviations
inside the masks, so that most units pass; a few values are missing, and a few units are tested again. The hashes are
made up: ``linecheck log verify`` finds such a log wrong at its first record.
"""

import argparse
import contextlib
import json
import sqlite3
import sys
import time
import uuid
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

from made_runs import made_check, made_run

from linecheck.checks.base import Curve
from linecheck.files.times import utc_text
from linecheck.limits.loading.load import load_limits
from linecheck.limits.verdict import JudgedCurve, Verdict
from linecheck.log import Log
from linecheck.log.curves import curve_rows
from linecheck.log.rows import record_rows
from linecheck.log.schema import PARTS
from linecheck.run.settle import settled

DEMO = Path(__file__).parents[2] / "limits" / "pellow-r3.yaml"
BEGINNING = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)
#: A line with one unit a minute.
TAKT = timedelta(seconds=60)
#: So many standard deviations lie between the usual value and the pass mask.
SIGMAS = 4.0
MISSING = 1e-5
AGAIN = 0.02
_BATCH = 2000
_VERDICTS = ("pass", "marginal", "invalid", "fail")


@dataclass(frozen=True)
class Slot:
    """One reading of every run: whose it is, its limits, its usual value and how it scatters."""

    check: int
    position: int
    metric: str
    channel: str | None
    unit: str
    bounds: tuple[float, float, float, float]
    usual: float
    scatter: float


def large_limits(*, readings=60, curves=False):
    """Return the demonstration limit file with the masks of so many readings, and with those of curves if wanted."""
    limits = load_limits(DEMO)
    judged = {(slot.check, slot.metric) for slot in _slots(limits, readings)}
    checks = []
    for at, check in enumerate(limits.checks):
        names = {spec.name for spec in check.kind.curves} if curves else set()
        masks = {name: mask for name, mask in check.masks.items() if (at, name) in judged or name in names}
        checks.append(replace(check, masks=masks))
    return replace(limits, checks=tuple(checks))


def make_large_log(path, runs, *, readings=60, seed=1, curve_points=0):
    """Make a log of so many runs and return its path; curves only where they are given points."""
    limits = large_limits(readings=readings, curves=bool(curve_points))
    slots = _slots(limits, readings)
    rng = np.random.default_rng(seed)
    with Log(path) as log:
        place = log.path
    outcome = made_run(
        *(
            made_check(name=check.name, kind=check.kind.name, setup=dict(check.setup))
            for check in limits.checks
        ),
        limits=limits,
    )
    template = record_rows(settled(outcome))
    with contextlib.closing(sqlite3.connect(place, isolation_level=None)) as connection:
        # Nothing of it is worth keeping through a loss of power, and its rows are right as they are made.
        for pragma in ("synchronous=OFF", "journal_mode=MEMORY", "ignore_check_constraints=ON"):
            connection.execute(f"PRAGMA {pragma}").fetchall()
        connection.execute("BEGIN")
        connection.execute(
            "INSERT INTO limits VALUES (?, ?)", (template.run["limits_digest"], template.limits.decode())
        )
        units, made, curves = 0, 0, _curves(limits, curve_points)
        while made < runs:
            count = min(_BATCH, runs - made)
            again = rng.random(count) < AGAIN
            again[0] = False
            numbers = units + np.cumsum(~again)
            units = int(numbers[-1])
            values, verdicts = _values(slots, count, rng)
            _insert_runs(connection, template.run, made, numbers, again, verdicts)
            _insert_parts(connection, template.parts["checks"], slots, made, values, verdicts)
            _insert_curves(connection, curves, made, count, rng)
            made += count
        connection.execute("COMMIT")
        connection.execute("PRAGMA journal_mode=WAL").fetchall()
    return place


def _slots(limits, readings):
    """Return the readings of a run: those that masks judge, then others."""
    found = []
    for wanted in (True, False):
        for at, check in enumerate(limits.checks):
            for position, spec in enumerate(check.kind.metrics):
                if (spec.name in check.masks) is wanted:
                    for place, channel in enumerate(limits.channels if spec.per_channel else (None,)):
                        found.append(_slot(at, 2 * position + place, check, spec, channel))
    if len(found) < readings:
        raise ValueError(f"the limit file has only {len(found)} readings")
    return sorted(found[:readings], key=lambda slot: (slot.check, slot.position))


def _slot(at, position, check, spec, channel):
    mask = check.masks.get(spec.name)
    if mask is None:
        bounds = (-np.inf, np.inf, -np.inf, np.inf)
    else:
        outer = mask.fail or mask.pass_
        bounds = (
            *(
                end if limit is None else limit
                for limit, end in ((mask.pass_.min, -np.inf), (mask.pass_.max, np.inf))
            ),
            *(end if limit is None else limit for limit, end in ((outer.min, -np.inf), (outer.max, np.inf))),
        )
    lower, upper = bounds[:2]
    ends = [limit for limit in (lower, upper) if np.isfinite(limit)]
    scatter = (upper - lower) / (2.0 * SIGMAS) if len(ends) == 2 else 0.01 * abs(ends[0] if ends else 1.0)
    usual = sum(ends) / 2.0 if len(ends) == 2 else (ends[0] if ends else 0.0)
    if len(ends) == 1:
        usual += SIGMAS * scatter * (1.0 if np.isfinite(lower) else -1.0)
    return Slot(at, position, spec.name, channel, spec.unit, bounds, usual, scatter or 0.01)


def _values(slots, count, rng):
    """Return values and their verdicts, shape (runs, slots); a missing value is NaN and invalid."""
    usual, scatter = (np.array([getattr(slot, name) for slot in slots]) for name in ("usual", "scatter"))
    low, high, fail_low, fail_high = np.array([slot.bounds for slot in slots]).T
    values = usual + scatter * rng.standard_normal((count, len(slots)))
    values[rng.random(values.shape) < MISSING] = np.nan
    verdicts = np.where((values < low) | (values > high), 1, 0)
    verdicts[(values < fail_low) | (values > fail_high)] = 3
    verdicts[np.isnan(values)] = 2
    return values, verdicts


def _insert_runs(connection, row, made, numbers, again, verdicts):
    """Insert rows of ``run``; a unit that is tested again has one attempt more than its run before."""
    names = [*row, "sequence", "attempt", "recorded", "previous_hash", "record_hash"]
    attempt, rows = 1, []
    for at, (number, repeated) in enumerate(zip(numbers.tolist(), again.tolist(), strict=True)):
        attempt = attempt + 1 if repeated else 1
        sequence = made + at + 1
        finished = utc_text(BEGINNING + TAKT * sequence)
        changed = {
            "run_id": str(uuid.UUID(int=sequence * 0x9E3779B97F4A7C15F39CC0605CEDC835 % 2**128)),
            "serial": f"PR3-{number:06d}",
            "verdict": _VERDICTS[int(verdicts[at].max(initial=0))],
            "started": finished,
            "finished": finished,
        }
        hashes = (f"{sequence - 1:064x}", f"{sequence:064x}")
        rows.append((*{**row, **changed}.values(), sequence, attempt, finished, *hashes))
    _insert(connection, "run", names, rows)


def _insert_parts(connection, checks, slots, made, values, verdicts):
    """Insert rows of ``run_check`` and ``reading``, and of ``problem`` for what is missing."""
    sequences = range(made + 1, made + 1 + len(values))
    rows = [(sequence, *check.values()) for sequence in sequences for check in checks]
    _insert(connection, "run_check", ["sequence", *checks[0]], rows)
    facts = [(slot.check, slot.position, slot.metric, slot.channel, slot.unit) for slot in slots]
    judged = [bool(np.isfinite(slot.bounds).any()) for slot in slots]
    names = [
        "sequence",
        "check_position",
        "position",
        "metric",
        "channel",
        "unit",
        "value",
        "uncertainty",
        "verdict",
        "is_bound",
    ]
    rows = [
        (sequence, *fact, value if value == value else None, 0.03, _VERDICTS[verdict] if masked else None, 0)
        for sequence, run_values, run_verdicts in zip(
            sequences, values.tolist(), verdicts.tolist(), strict=True
        )
        for fact, value, verdict, masked in zip(facts, run_values, run_verdicts, judged, strict=True)
    ]
    _insert(connection, "reading", names, rows)
    names = ["sequence", "position", "check_name", "channel", "code", "message", "blocks", "metrics"]
    rows = [
        (
            made + 1 + int(run),
            int(slot),
            checks[slots[slot].check]["name"],
            slots[slot].channel,
            "not_measured",
            f"{slots[slot].metric} could not be measured",
            0,
            json.dumps([slots[slot].metric]),
        )
        for run, slot in np.argwhere(np.isnan(values))
    ]
    _insert(connection, "problem", names, rows)


def _curves(limits, points):
    """Return the curves of a run by their check's place; of kinds whose curves have a mask, in every channel."""
    if not points:
        return {}
    x = np.round(np.geomspace(20.0, 20_000.0, points), 2)
    return {
        at: [
            Curve(spec.name, channel, x, spec.x_unit, np.zeros(points), spec.unit, 5.0)
            for spec in check.kind.curves
            if spec.name in check.masks
            for channel in limits.channels
        ]
        for at, check in enumerate(limits.checks)
        if {spec.name for spec in check.kind.curves} & check.masks.keys()
    }


def _insert_curves(connection, curves, made, count, rng):
    for run in range(count if curves else 0):
        judged = [
            (at, [JudgedCurve(replace(one, y=_levels(rng, len(one.x))), Verdict.PASS) for one in of_check])
            for at, of_check in curves.items()
        ]
        for part, rows in curve_rows(judged).items():
            table = PARTS[part][0].name
            names = ["sequence", *rows[0]]
            _insert(connection, table, names, [(made + 1 + run, *row.values()) for row in rows])


def _levels(rng, points):
    return np.round(-130.0 + rng.standard_normal(points), 3)


def _insert(connection, table, names, rows):
    places = ", ".join("?" * len(names))
    connection.executemany(f"INSERT INTO {table} ({', '.join(names)}) VALUES ({places})", rows)


def main():
    """Make a log where the command line says."""
    parser = argparse.ArgumentParser(prog="large_log", description=__doc__.partition("\n")[0])
    parser.add_argument("path", type=Path)
    parser.add_argument("--runs", type=int, default=100_000)
    parser.add_argument("--readings", type=int, default=60)
    parser.add_argument("--curve-points", type=int, default=0)
    given = parser.parse_args()
    begun = time.perf_counter()
    made = make_large_log(given.path, given.runs, readings=given.readings, curve_points=given.curve_points)
    print(
        f"{made}: {given.runs} runs, {made.stat().st_size / 1e6:.0f} MB, {time.perf_counter() - begun:.1f} s"
    )


if __name__ == "__main__":
    main()
