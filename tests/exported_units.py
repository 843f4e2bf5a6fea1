"""Very many units as an export would have them: tests of what many units tell write no log of a million runs."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from linecheck.statistics.columns import Place

BEGIN = datetime(2026, 11, 2, 6, 0, tzinfo=UTC)


def exported(folder, readings, failed=None, every_seconds=25.0, **facts):
    """Write runs and readings of units as an export has them; return the place.

    ``readings`` are values by (check, metric, channel), ``facts`` texts, one for each unit or the same for all;
    ``failed`` says of which units those readings failed, by the same key.
    """
    folder.mkdir(parents=True, exist_ok=True)
    units = len(next(iter(readings.values())))
    number = np.arange(1, units + 1)
    failed = failed or {}
    any_failed = np.any(list(failed.values()), axis=0) if failed else np.zeros(units, bool)
    times = pa.array(
        [BEGIN + timedelta(seconds=every_seconds * at) for at in range(units)], pa.timestamp("us", "UTC")
    )
    told = {"station": "line-1", "model": "pellow-r3", "purpose": "unit", **facts}
    run = {
        "record": number,
        "run": [f"{at:08x}" for at in number],
        "serial": told.pop("serial", None) or [f"PR3-{at:06d}" for at in number],
        "attempt": np.ones(units, np.int64),
        "verdict": np.where(any_failed, "fail", "pass"),
        "recorded": times,
        "started": times,
        "finished": times,
        "released": ~any_failed,
        **{name: [text] * units if isinstance(text, str) else list(text) for name, text in told.items()},
    }
    parquet.write_table(pa.table(run), folder / "runs.parquet")
    tables = []
    for (check, metric, channel), values in readings.items():
        verdict = np.where(failed.get((check, metric, channel), np.zeros(units, bool)), "fail", "pass")
        same = {"check": check, "metric": metric, "channel": channel, "unit": "dB", "side": "min"}
        own = {name: pa.array([text] * units, pa.string()) for name, text in same.items()}
        tables.append(
            pa.table(
                {
                    "record": number, **own, "value": np.asarray(values, float), "uncertainty": np.full(units, 0.03),
                    "is_bound": np.zeros(units, bool), "verdict": verdict, "margin": np.ones(units),
                    "pass_limit": np.zeros(units), "fail_limit": np.zeros(units),
                }
            )
        )  # fmt: skip
    parquet.write_table(pa.concat_tables(tables), folder / "readings.parquet")
    return Place(parquet=(str(folder),))
