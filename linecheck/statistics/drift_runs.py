"""A series of values as what has moved is told from: nests, golden units and mating cycles by number."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linecheck.statistics.drift import Runs
from linecheck.statistics.series import Series
from linecheck.statistics.standouts import FALSE_ALARM, MIN_GROUPS, MIN_SIGMAS, MIN_UNITS, apart_from_others


def drift_runs(
    series: Series, worn: Sequence[Collection[tuple[int, int]]] = ()
) -> tuple[Runs, NDArray[np.int64], tuple[str, ...]]:
    """Return the measured values of units and golden units, the number of each in the series, and what is left out.

    Parameters
    ----------
    series : Series
    worn : sequence of collection of (int, int)
        The runs of each asset whose contacts wear, as log and record: each of them is a mating cycle.

    Returns
    -------
    runs : Runs
    kept : ndarray of int
    apart : tuple of str
        Lots that stand out of the others. Their units are left out: a bad lot comes and goes, and is no move.
    """
    apart = _lots_apart(series)
    known = np.isin(series.purpose, ("unit", "golden")) & series.measured & ~np.isin(series.lot, apart)
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
        apart,
    )


def _lots_apart(series: Series) -> tuple[str, ...]:
    """Return the lots whose mean lies apart as :mod:`linecheck.statistics.standouts` has it.

    Lots that follow each other across a move spread among themselves, and none stands out for it.
    """
    is_of_lot = (series.purpose == "unit") & series.measured & (series.lot != "")
    lots, number = np.unique(series.lot[is_of_lot].astype(str), return_inverse=True)
    if len(lots) < MIN_GROUPS:
        return ()
    counts = np.bincount(number)
    sums = np.bincount(number, weights=series.value[is_of_lot])
    means = sums / counts
    squares = np.bincount(number, weights=(series.value[is_of_lot] - means[number]) ** 2)
    variances = np.where(counts > 1, squares / np.maximum(counts - 1, 1), np.nan)
    told = counts >= MIN_UNITS
    if np.sum(told) < MIN_GROUPS:
        return ()
    _, sigmas, chances = apart_from_others(counts[told], means[told], variances[told])
    is_apart = (chances <= FALSE_ALARM / np.sum(told)) & (np.abs(sigmas) >= MIN_SIGMAS)
    return tuple(lots[told][is_apart])


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
