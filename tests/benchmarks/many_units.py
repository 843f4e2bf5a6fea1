"""What many units tell, from an export as Parquet, over reading the same columns once with the engine.

The cost is to be linear in runs: the ratios of the larger export are those of the smaller one. Times are of calls of
the library, without the start of a process. The floor of yield is the columns of the runs, that of the others also all
values of the readings, each summed or compared, so that nothing is left out of what must be read.
"""

import tempfile
import time
from pathlib import Path

import duckdb
import numpy as np
from exported_units import exported

from linecheck.limits.loading.load import load_limits
from linecheck.log import RunFilter
from linecheck.statistics import readings, yields
from linecheck.statistics.capability import capability_of
from linecheck.statistics.columns import THREADS, Place, open_columns
from linecheck.statistics.line import COLUMNS, line_of

UNITS, QUICK_UNITS = (50_000, 200_000), (20_000, 40_000)
TARGETS = {"yield": 30.0, "capability of all metrics": 30.0, "a line at a glance": 30.0}
REPEATS = 3
_CHECKS, _METRICS = 10, ("thd", "sinad", "noise")
_LIMITS = """format: 1
model: pellow-r3
revision: 1
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
checks:
"""
_MASKS = """  tone_%d:
    kind: tone
    masks:
      thd: {pass: {max: -113}, fail: {max: -106}}
      sinad: {pass: {min: 112}, fail: {min: 108}}
      noise: {pass: {max: -115}, fail: {max: -110}}
"""


def rows(quick):
    """Return the table's lines."""
    lines = []
    with tempfile.TemporaryDirectory(prefix="linecheck-benchmark-") as name:
        folder = Path(name)
        file = folder / "limits.yaml"
        file.write_text(_LIMITS + "".join(_MASKS % number for number in range(_CHECKS)), encoding="utf-8")
        for units in QUICK_UNITS if quick else UNITS:
            parquet = _made(folder / str(units), units)
            place = Place(parquet=(str(parquet),), limits=str(file))
            runs, values = _best(lambda: _floor(parquet, "runs")), _best(lambda: _floor(parquet, "readings"))  # noqa: B023
            for what, asked, floor in (
                ("yield", _yield, runs),
                ("capability of all metrics", _capability, runs + values),
                ("a line at a glance", _line, runs + values),
            ):
                took = _best(lambda: asked(place))  # noqa: B023 - called at once
                figures = (f"{took:.2f} s", f"{floor:.3f} s", f"{took / floor:.1f}", f"< {TARGETS[what]:g}")
                lines.append((f"{what}, {units} units of {6 * _CHECKS} readings", *figures))
    return lines


def _made(folder, units):
    random = np.random.default_rng(1)
    middle = {"thd": -116.0, "sinad": 114.0, "noise": -118.0}
    values = {
        (f"tone_{number}", metric, channel): random.normal(middle[metric], 0.8, units)
        for number in range(_CHECKS)
        for metric in _METRICS
        for channel in ("left", "right")
    }
    failed = {key: values[key] > -113.0 for key in list(values)[:2]}
    stations = [f"line-{at % 5}" for at in range(units)]
    lots = [f"L{at // 400}" for at in range(units)]
    exported(folder, values, failed, station=stations, nest=["ab"[at % 2] for at in range(units)], lot=lots)
    return folder


def _floor(folder, table):
    with duckdb.connect(config={"threads": THREADS}) as engine:
        source = f"read_parquet('{folder}/{table}.parquet')"
        columns = engine.execute(f"DESCRIBE SELECT * FROM {source}").fetchall()
        read = ", ".join(
            f'sum("{name}")' if kind in ("DOUBLE", "BIGINT") else f'max("{name}")'
            for name, kind, *_ in columns
        )
        engine.execute(f"SELECT {read} FROM {source}").fetchall()


def _yield(place):
    with open_columns(place, RunFilter(), columns=yields.COLUMNS) as columns:
        assert yields.yields_of(columns).units


def _capability(place):
    with open_columns(place, RunFilter(purpose="unit"), columns=readings.COLUMNS) as columns:
        limits = load_limits(place.limits)
        units = readings.count_units(columns, limits).units
        found = readings.read_metrics(columns, limits, units)
        assert len([capability_of(each.sample, each.tolerance()) for each in found]) == 6 * _CHECKS


def _line(place):
    with open_columns(place, RunFilter(purpose="unit"), columns=COLUMNS) as columns:
        assert line_of(columns).stations


def _best(call):
    times = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        call()
        times.append(time.perf_counter() - begun)
    return min(times)
