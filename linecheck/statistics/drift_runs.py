"""A series of values as what has moved is told from: nests, golden units and mating cycles by number."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linecheck.statistics.drift import Runs
from linecheck.statistics.series import Series


def drift_runs(
    series: Series, worn: Sequence[Collection[tuple[int, int]]] = ()
) -> tuple[Runs, NDArray[np.int64]]:
    """Return the measured values of units and golden units, and the number of each in the series.

    ``worn`` are the runs of each asset whose contacts wear, as log and record: each of them is a mating cycle.
    """
    known = np.isin(series.purpose, ("unit", "golden")) & series.measured
    kept = np.flatnonzero(known)
    stations, station = _numbered(series.station[kept])
    places = [
        f"{where}/{nest}" if nest else where
        for where, nest in zip(series.station[kept], series.nest[kept], strict=True)
    ]
    nests, nest = _numbered(np.array(places, dtype=object))
    is_golden = series.purpose[kept] == "golden"
    goldens, golden = _numbered(series.serial[kept][is_golden])
    of_golden = np.full(len(kept), -1)
    of_golden[is_golden] = golden
    return (
        Runs(
            series.value[kept],
            station,
            nest,
            of_golden,
            _cycles(series, kept, worn),
            stations,
            nests,
            goldens,
        ),
        kept,
    )


def _numbered(names: NDArray[Any]) -> tuple[list[str], NDArray[np.int64]]:
    found, number = np.unique(names.astype(str), return_inverse=True)
    return [str(each) or "not said" for each in found], number.reshape(-1)


def _cycles(
    series: Series, kept: NDArray[np.int64], worn: Sequence[Collection[tuple[int, int]]]
) -> NDArray[np.float64]:
    """Return how often the asset of each run had been used before; NaN where no asset that wears is known."""
    cycles = np.full(len(kept), np.nan)
    if not worn:
        return cycles
    place = {
        run: at
        for at, run in enumerate(zip(series.log[kept].tolist(), series.record[kept].tolist(), strict=True))
    }
    for asset in worn:
        # All runs of the asset wear it, also those that measured nothing here.
        for used, run in enumerate(sorted(asset)):
            if run in place:
                cycles[place[run]] = used
    return cycles
