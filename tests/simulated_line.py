"""Runs of a line with known truth: stations, nests, units and golden units, of which one thing moves."""

import numpy as np

from linecheck.statistics.drift import Runs


def made(
    random,
    *,
    stations=1,
    nests=1,
    goldens=0,
    units=400,
    every=25,
    moved=None,
    sigmas=0.5,
    at=0.5,
    golden_sigma=0.15,
    worn_after=0,
):
    """Return the runs; ``moved`` is ("product" | "station" | "nest" | "golden" | "wear", number).

    Units take turns at the nests; each golden unit is run in each nest after every ``every`` units of that nest.
    ``worn_after`` is how many cycles the contacts last until they are replaced.
    """
    places = stations * nests
    nest, golden = [], []
    for unit in range(units):
        nest.append(unit % places)
        golden.append(-1)
        if (unit // places) % every == every - 1:
            for each in range(goldens):
                nest.append(unit % places)
                golden.append(each)
    nest, golden = np.array(nest), np.array(golden)
    station = nest // nests
    count = len(nest)
    spread = np.where(golden < 0, 1.0, golden_sigma)
    values = 100.0 + spread * random.standard_normal(count)
    values += random.normal(0, 1, places)[nest]
    offsets = random.normal(0, 1, max(goldens, 1))
    values += np.where(golden < 0, 0.0, offsets[golden])
    cycles = np.zeros(count)
    for place in range(places):
        mine = np.flatnonzero(nest == place)
        cycles[mine] = np.arange(len(mine)) % (worn_after or len(mine))
    if moved is not None:
        what, number = moved
        where = {
            "product": golden < 0,
            "station": station == number,
            "nest": nest == number,
            "golden": golden == number,
            "wear": nest == number,
        }[what]
        late = np.arange(count) >= at * count if what != "wear" else cycles / cycles[nest == number].max()
        values += sigmas * where * late
    names = [f"line-{number}" for number in range(stations)]
    nests_named = [f"line-{place // nests}/{'ab'[place % nests]}" for place in range(places)]
    return Runs(
        values, station, nest, golden, cycles, names, nests_named, [f"G{number}" for number in range(goldens)]
    )
